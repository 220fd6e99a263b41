"""Ten invented seasons of an invented association, written straight into the database.

Everything is drawn by one seeded generator, so that two runs, and two databases, hold the same rows
under the same keys. The clock stands at `NOW`. Of each kind of document one small real one is made
by the library and stands for all; raw files are rows without a file behind them; the trail is
empty: no page measured here opens any of these.
"""

from __future__ import annotations

import datetime
import gc
import hashlib
import random
from collections import Counter
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db import models, transaction

from fleet import tenancy
from fleet.models import (
    Aircraft,
    AnalysisRun,
    Approval,
    FlightPass,
    Job,
    Jurisdiction,
    Membership,
    Operator,
    Person,
    RawFile,
    Requirement,
    RequirementVersion,
    Season,
    SetUp,
    SignUp,
    Test,
    Visit,
    Waiver,
    Withdrawal,
    WorksUnder,
)
from patterns.analyse import Parameters, PassInput, analyse
from patterns.document import to_bytes
from patterns.tracefile import ReadOptions, read_trace
from tests.bench._insert import insert
from tests.bench._season_lives import TODAY, AircraftLife
from tests.cast import make_analysis, make_cast, trace_file

NOW = datetime.datetime(2026, 6, 15, 15, 0, tzinfo=datetime.UTC)
# Parents before children; approvals before what supersedes them by the order of their days.
ORDER: tuple[type[models.Model], ...] = (
    Jurisdiction,
    Requirement,
    Operator,
    Person,
    RequirementVersion,
    Season,
    Membership,
    Aircraft,
    WorksUnder,
    Waiver,
    SetUp,
    Visit,
    SignUp,
    Test,
    RawFile,
    FlightPass,
    Job,
    AnalysisRun,
    Approval,
    Withdrawal,
)
PLACES = ("Tamber", "Quern", "Marl", "Sallow", "Teasel", "Brack", "Kestle", "Lindry", "Pell", "Dun")
KINDS = ("Flat", "Hill", "Fork", "Ford", "Gap", "water", "Prairie", "Bend", "Junction", "marrow")
TRADES = ("Aerial", "Air Works", "Flying Service", "Crop Flight", "Spray & Seed")
MACHINES = (
    ("Invented", "Sower 400", "fixed_wing", 15.0),
    ("Invented", "Sower 800", "fixed_wing", 18.0),
    ("Imagined", "Hover 2", "helicopter", 11.0),
    ("Imagined", "Gnat 30", "uncrewed", 3.0),
)


@dataclass(frozen=True, slots=True)
class Size:
    """How much there is."""

    operators: int = 2_000
    aircraft: int = 5_000
    seasons: int = 10
    tests: int = 60_000


FULL = Size()
QUICK = Size(operators=24, aircraft=60, seasons=3, tests=300)


@dataclass(frozen=True, slots=True)
class World:
    """Who looks, and at what: the owner of the largest fleet, and the aircraft tested most."""

    staff: Person
    owner: Person
    aircraft: Aircraft
    rows: int


def load(size: Size = FULL) -> World:
    """Write everything in one transaction; the database must be empty."""
    gc.disable()  # half a million rows that stay: looking for rubbish among them takes longer
    try:
        with tenancy.everyone(), transaction.atomic():
            story = Story(size, _real_analyses())
            story.tell()
            story.write()
            return story.world()
    finally:
        gc.enable()


def _real_analyses() -> list[AnalysisRun]:
    """A real analysis by way of the services, taken back, with small documents in its place."""
    with transaction.atomic():
        made = make_analysis(make_cast())
        transaction.set_rollback(True)
    found = []
    for seed in range(8):
        files = [_short_string(trace_file(10 * seed + number, 14.0)) for number in (1, 2, 3)]
        traces = [read_trace(one, source="pass.csv", options=ReadOptions()) for one in files]
        result = analyse(
            [PassInput(trace=one) for one in traces],
            Parameters(swaths_m=(2.0, 3.0, 4.0)),
        )
        document = to_bytes(result)
        best = result.recommended
        found.append(
            AnalysisRun(
                method_version=made.method_version,
                parameters=made.parameters,
                inputs=made.inputs,
                inputs_digest=made.inputs_digest,
                weather=made.weather,
                document=document.decode(),
                document_digest=hashlib.sha256(document).hexdigest(),
                one_way_swath_m=best.one_way.swath_m,
                one_way_cv_percent=best.one_way.cv_percent,
                back_and_forth_swath_m=best.back_and_forth.swath_m,
                back_and_forth_cv_percent=best.back_and_forth.cv_percent,
            )
        )
    return found


def _short_string(data: bytes) -> bytes:
    """The middle 22 ft of a string of 130 ft, so that the document is small."""
    lines = data.splitlines()
    return b"\n".join([lines[0], *lines[1 + 2 * 54 : -2 * 54]])


class Story:
    """The rows of all seasons, told aircraft by aircraft and written in the order of their days."""

    def __init__(self, size: Size, analyses: list[AnalysisRun]) -> None:
        self.size = size
        self.analyses = analyses
        self.chance = random.Random(20)
        self.rows: dict[type[models.Model], list[Any]] = {kind: [] for kind in ORDER}
        self.clinics: dict[tuple[int, int], list[Visit]] = {}
        self.first_year = TODAY.year - size.seasons + 1

    def add(
        self, model: type[models.Model], day: datetime.date, hour: int = 9, /, **values: Any
    ) -> Any:
        """Make a row that was written on a day, at an hour (UTC, so that it is the same day)."""
        moment = datetime.datetime(day.year, day.month, day.day, 6 + hour, tzinfo=datetime.UTC)
        stamp = int(moment.timestamp() * 1000) + len(self.rows[model]) % 1000
        key = (stamp << 80) | (7 << 76) | (2 << 62)
        key |= (self.chance.getrandbits(12) << 64) | self.chance.getrandbits(62)
        row = model(id=UUID(int=key), created_at=moment, **values)
        self.rows[model].append(row)
        return row

    def tell(self) -> None:
        """Tell all of it."""
        self._found()
        self._plan_visits()
        self._join()
        flown = self.rows[Aircraft][: self.size.aircraft]
        years = [
            TODAY.year + 1 - one.created_at.year if number % 25 else 0  # a few are never tested
            for number, one in enumerate(flown)
        ]
        drawn = Counter(self.chance.choices(range(len(flown)), years, k=self.size.tests))
        for number, one in enumerate(flown):
            AircraftLife(self, one).live(drawn[number])

    def write(self) -> None:
        """Write the rows, the oldest first."""
        for kind in ORDER:
            insert(kind, sorted(self.rows[kind], key=lambda row: row.created_at))

    def world(self) -> World:
        """Say who looks at what."""
        fleets = Counter(one.operator_id for one in self.rows[Aircraft] if not one.retired_on)
        largest = fleets.most_common(1)[0][0]
        flown_by = {setup.pk: setup.aircraft_id for setup in self.rows[SetUp]}
        tests = Counter(t.setup_id for t in self.rows[Test] if t.operator_id == largest)
        flown = Counter[UUID]()
        for setup_id, count in tests.items():
            flown[flown_by[setup_id]] += count
        most = flown.most_common(1)[0][0]
        return World(
            staff=Person.objects.get(pk=self.staff.pk),
            owner=Person.objects.get(operator=largest, role="owner"),
            aircraft=Aircraft.objects.get(pk=most),
            rows=sum(len(rows) for rows in self.rows.values()),
        )

    # --- Who there is --------------------------------------------------------------------------

    def _found(self) -> None:
        """The association, its seasons, and three jurisdictions with two rules each."""
        start = datetime.date(self.first_year - 1, 10, 1)
        self.states = [
            self.add(Jurisdiction, start, name=name, time_zone=zone)
            for name, zone in (
                ("Calloway", "America/Chicago"),
                ("Merrow", "America/Denver"),
                ("East Tarn", "America/New_York"),
            )
        ]
        self.staff = self._person(start, "Odile Farrowgate", "office@association.example", "staff")
        self.analysts = [
            self._person(start, f"Analyst {name}", f"{name.lower()}@association.example", "analyst")
            for name in ("Imre", "Tuva", "Anik", "Brisa", "Odo", "Wren")
        ]
        for state, name, versions in _rules():
            rule = self.add(Requirement, start, jurisdiction=self.states[state], name=name)
            for number, (year, values) in enumerate(versions, start=1):
                day = datetime.date(year, 1, 1)
                self.add(
                    RequirementVersion,
                    start,
                    requirement=rule,
                    number=number,
                    effective_from=day,
                    source=f"Invented code of {rule.jurisdiction.name}, {day:%-d %B %Y}",
                    recorded_by=self.staff,
                    **values,
                )
        self.seasons = [
            self.add(
                Season,
                datetime.date(year - 1, 11, 1),
                name=str(year),
                starts_on=datetime.date(year, 1, 1),
                ends_on=datetime.date(year, 12, 31),
            )
            for year in range(self.first_year, TODAY.year + 1)
        ]

    def _person(self, day: datetime.date, name: str, email: str, role: str, **more: Any) -> Person:
        return self.add(Person, day, name=name, email=email, role=role, password="!", **more)

    def _join(self) -> None:
        """Operators, their people, memberships and aircraft."""
        size, chance = self.size, self.chance
        for number in range(size.operators):
            joined = chance.choice((0, 0, 0, *range(size.seasons)))
            day = datetime.date(self.first_year + joined, 1, 1 + number % 28)
            operator = self.add(
                Operator,
                day,
                name=f"{chance.choice(PLACES)} {chance.choice(KINDS)} "
                f"{chance.choice(TRADES)} {number + 1}",
                base=f"{chance.choice(PLACES)} {chance.choice(KINDS)}",
                jurisdiction=self.states[chance.choice((0, 0, 0, 1, 1, 2))],
                base_latitude_deg=round(chance.uniform(38.0, 44.0), 4),
                base_longitude_deg=round(chance.uniform(-102.0, -94.0), 4),
                email=f"office{number}@operator.example",
            )
            self._person(
                day,
                f"Owner {number}",
                f"owner{number}@operator.example",
                "owner",
                operator=operator,
            )
            if number % 2:
                email = f"pilot{number}@operator.example"
                self._person(day, f"Pilot {number}", email, "pilot", operator=operator)
            self._belong(operator, joined, day)
        for number in range(size.aircraft):
            self._add_aircraft(number)
        for number in range(size.aircraft // 20):
            self._add_aircraft(size.aircraft + number, retired=True)

    def _belong(self, operator: Operator, joined: int, day: datetime.date) -> None:
        """A membership a season; some miss one and come back, some lapse."""
        kind = self.chance.choice(("full", "full", "full", "associate", "guest"))
        for season in self.seasons[joined:]:
            if self.chance.random() < 0.12:
                continue
            start = max(day, season.starts_on)
            ends = season.starts_on + datetime.timedelta(days=150)
            lapsed = ends if self.chance.random() < 0.04 and start < ends <= TODAY else None
            self.add(
                Membership,
                start,
                operator=operator,
                season=season,
                kind=kind,
                joined_on=start,
                lapsed_on=lapsed,
            )

    def _add_aircraft(self, number: int, *, retired: bool = False) -> None:
        chance = self.chance
        # Some fleets are large, many small.
        place = number if number < self.size.operators else self._large_first()
        operator = self.rows[Operator][place % self.size.operators]
        make, model, kind, span_m = chance.choice((*MACHINES, *MACHINES[:2]))
        day = operator.created_at.date()
        one = self.add(
            Aircraft,
            day,
            operator=operator,
            registration=f"XX-{number:05d}",
            make=make,
            model=model,
            kind=kind,
            span_m=span_m,
            retired_on=TODAY - datetime.timedelta(days=number % 900) if retired else None,
        )
        if number % 10 == 3:
            elsewhere = chance.choice([s for s in self.states if s != operator.jurisdiction])
            self.add(WorksUnder, day, aircraft=one, operator=operator, jurisdiction=elsewhere,
                     from_on=day)  # fmt: skip
        if number % 50 == 7:
            rule = chance.choice(
                [r for r in self.rows[Requirement] if r.jurisdiction == operator.jurisdiction]
            )
            since = TODAY - datetime.timedelta(days=chance.randrange(10, 300))
            self.add(
                Waiver,
                since,
                operator=operator,
                aircraft=one,
                requirement=rule,
                from_on=since,
                until_on=since + datetime.timedelta(days=200),
                reason="In for a rebuild; flies no spray work until it is done.",
                granted_by=self.staff,
            )

    def _large_first(self) -> int:
        return int(self.size.operators * self.chance.random() ** 2.5)

    # --- What is flown -------------------------------------------------------------------------

    def _plan_visits(self) -> None:
        """Clinics: some a season and state, in spring and early summer."""
        for index, season in enumerate(self.seasons):
            for state in range(len(self.states)):
                days = sorted(self.chance.sample(range(45, 165), 20))
                self.clinics[index, state] = [
                    self.visit(season.starts_on + datetime.timedelta(days=day), "clinic")
                    for day in days
                ]

    def visit(self, day: datetime.date, kind: str, host: Operator | None = None) -> Visit:
        return self.add(
            Visit,
            day - datetime.timedelta(days=30),
            kind=kind,
            place=f"{self.chance.choice(PLACES)} {self.chance.choice(KINDS)} airstrip",
            starts_on=day,
            ends_on=day,
            analyst=self.chance.choice(self.analysts),
            host=host,
            aircraft_per_day=12 if kind == "clinic" else None,
        )


def _rules() -> list[tuple[int, str, list[tuple[int, dict[str, Any]]]]]:
    """State, name, and versions: the year each begins with what it says. Invented shapes."""
    retest = {"nozzle_count": True, "boom_width_m": 0.5, "pressure_percent": 10.0}
    limits = {"wind_speed_m_s": 4.5, "cv_percent": 25.0}
    yearly = {"rhythm": "interval", "interval_months": 12, "minimum_passes": 3, "retest": retest}
    spring = {"rhythm": "season", "season_first": "02-01", "season_last": "06-30"}
    return [
        (0, "Yearly swath approval", [
            (2010, {**yearly, "interval_months": 24, "limits": {}}),
            (2022, {**yearly, "limits": limits}),
        ]),
        (0, "Proof of a test each spring", [(2015, {**spring, "evidence": "test"})]),
        (1, "Calibration every two years", [(2012, {**yearly, "interval_months": 24})]),
        (1, "Set-up tested before first use", [
            (2018, {"rhythm": "once", "covers": "setup", "evidence": "test", "retest": retest}),
        ]),
        (2, "Window across New Year", [
            (2014, {"rhythm": "season", "season_first": "11-01", "season_last": "05-31",
                    "minimum_passes": 2}),
        ]),
        (2, "Every set-up every year", [(2016, {**yearly, "covers": "setup", "limits": limits})]),
    ]  # fmt: skip
