"""What becomes of one aircraft over the seasons: set-ups, tests, analyses, approvals."""

from __future__ import annotations

import datetime
from typing import TYPE_CHECKING, Any
from uuid import UUID

from fleet.models import (
    Aircraft,
    AnalysisRun,
    Approval,
    FlightPass,
    Job,
    JobState,
    RawFile,
    SetUp,
    SignUp,
    Test,
    Visit,
    Withdrawal,
)

if TYPE_CHECKING:
    from tests.bench._season_data import Story

COPIED = (
    "method_version",
    "parameters",
    "inputs",
    "inputs_digest",
    "weather",
    "document",
    "document_digest",
    "one_way_swath_m",
    "one_way_cv_percent",
    "back_and_forth_swath_m",
    "back_and_forth_cv_percent",
)
NOZZLE_COUNTS = (32, 36, 40, 44, 48)
TODAY = datetime.date(2026, 6, 15)
PURPOSES = ("Main season work", "Edges near sensitive ground")
BOOMS: dict[int, list[dict[str, Any]]] = {}


def nozzles(count: int) -> list[dict[str, Any]]:
    """Evenly spaced nozzles on a boom of 10.5 m."""
    if count not in BOOMS:
        BOOMS[count] = [
            {
                "place_m": round(-5.25 + 10.5 * place / (count - 1), 3),
                "type": "flat fan",
                "size": "4010",
                "deflection_deg": 10.0,
            }
            for place in range(count)
        ]
    return BOOMS[count]


class AircraftLife:
    """One aircraft over the seasons; at each moment a revision in force for each purpose."""

    def __init__(self, story: Story, one: Aircraft) -> None:
        self.story, self.one, self.chance = story, one, story.chance
        self.state = story.states.index(one.operator.jurisdiction)
        self.setups: dict[str, SetUp] = {}
        self.approvals: dict[UUID, UUID] = {}

    def live(self, count: int) -> None:
        """Fly `count` tests; some aircraft change their set-up after the last one."""
        born = self.one.created_at.date()
        lines = PURPOSES if self.chance.random() < 0.3 else PURPOSES[:1]
        visits = sorted(
            (self._choose_visit(born) for _ in range(count)), key=lambda visit: visit.starts_on
        )
        if not visits and self.chance.random() < 0.3:
            return
        for purpose in lines:
            self._record(purpose, born)
        for visit in visits:
            purpose = self.chance.choice((lines[0], *lines))
            if self.chance.random() < 0.22:
                self._record(purpose, max(visit.starts_on - datetime.timedelta(days=1), born))
            self._test(self.setups[purpose], visit)
        if self.chance.random() < 0.1:
            self._record(lines[0], TODAY - datetime.timedelta(days=self.chance.randrange(1, 40)))

    def _choose_visit(self, born: datetime.date) -> Visit:
        story = self.story
        first = min(born.year - story.first_year, len(story.seasons) - 1)
        index = self.chance.randrange(first, len(story.seasons))
        if self.chance.random() < 0.93:
            visit = self.chance.choice(story.clinics[index, self.state])
            if born <= visit.starts_on <= TODAY:
                return visit
        season = story.seasons[index]
        start = max(born, season.starts_on) + datetime.timedelta(days=2)
        days = (min(TODAY, season.ends_on) - start).days
        day = start + datetime.timedelta(days=self.chance.randrange(max(days, 1)))
        return story.visit(day, "private", self.one.operator)

    def _record(self, purpose: str, day: datetime.date) -> None:
        """Record a revision that differs from the one before in something."""
        last = self.setups.get(purpose)
        values: dict[str, Any] = {
            "boom_width_m": 10.5,
            "nozzles": nozzles(self.chance.choice(NOZZLE_COUNTS)),
            "pressure_kpa": 276.0,
            "airspeed_m_s": 62.0,
            "release_height_m": 3.0,
            "rate_l_per_ha": 28.0,
        }
        if last is not None:
            values |= {name: getattr(last, name) for name in values}
            change = self.chance.choice(("nozzles", "pressure_kpa", "airspeed_m_s", "boom_width_m"))
            if change == "nozzles":
                values[change] = nozzles(self.chance.choice(NOZZLE_COUNTS))
            else:
                values[change] = round(values[change] * self.chance.uniform(0.85, 1.15), 2)
        self.setups[purpose] = self.story.add(
            SetUp,
            day,
            2,
            operator_id=self.one.operator_id,
            aircraft_id=self.one.pk,
            purpose=purpose,
            purpose_key=purpose.casefold(),
            number=1 if last is None else last.number + 1,
            manner="back_and_forth",
            created_by_id=self.story.staff.pk,
            **values,
        )

    def _test(self, setup: SetUp, visit: Visit) -> None:
        story, chance, day = self.story, self.chance, visit.starts_on
        conditions = {
            "line_heading_deg": 180.0,
            "wind_speed_m_s": round(chance.uniform(0.5, 5.5), 1),
            "wind_from_deg": round(180.0 + chance.gauss(0.0, 15.0)) % 360,
            "wind_height_m": 2.5,
            "temperature_c": 18.0,
            "humidity_percent": 55.0,
        }
        test = story.add(
            Test,
            day,
            operator_id=self.one.operator_id,
            visit_id=visit.pk,
            setup_id=setup.pk,
            flown_on=day,
            **conditions,
            file_unit="ft",
        )
        if day.year == TODAY.year and visit.kind == "clinic":
            self._sign_up(visit)
        raw = story.add(
            RawFile,
            day,
            operator_id=self.one.operator_id,
            name="passes.csv",
            digest=f"{test.pk.hex:>064}",
            size=4_000,
            accepted_by_id=visit.analyst_id,
        )
        passes = chance.choice((3, 3, 3, 4, 2))
        for number in range(1, passes + 1):
            story.add(
                FlightPass,
                day,
                operator_id=self.one.operator_id,
                test_id=test.pk,
                number=number,
                raw_file_id=raw.pk,
            )
        if chance.random() < 0.97:
            for number in range(1, 3 if chance.random() < 0.06 else 2):
                self._analyse(test, setup, visit, conditions, passes, number)

    def _sign_up(self, visit: Visit) -> None:
        rows = self.story.rows[SignUp]
        if any(row.aircraft_id == self.one.pk and row.visit_id == visit.pk for row in rows[-4:]):
            return
        self.story.add(
            SignUp,
            visit.starts_on - datetime.timedelta(days=20),
            operator_id=self.one.operator_id,
            visit_id=visit.pk,
            aircraft_id=self.one.pk,
            state="flown",
            day=visit.starts_on,
            position=len(rows) + 1,
            signed_up_by_id=self.story.staff.pk,
        )

    def _analyse(
        self,
        test: Test,
        setup: SetUp,
        visit: Visit,
        conditions: dict[str, Any],
        passes: int,
        number: int,
    ) -> None:
        story, chance, day = self.story, self.chance, visit.starts_on
        model = chance.choice(story.analyses)
        moment = datetime.datetime(day.year, day.month, day.day, 16, tzinfo=datetime.UTC)
        job = story.add(
            Job,
            day,
            10,
            operator_id=self.one.operator_id,
            kind="analysis",
            subject_id=test.pk,
            state=JobState.DONE,
            share=1.0,
            attempts=1,
            started_at=moment,
            ended_at=moment,
            requested_by_id=visit.analyst_id,
        )
        values = {name: getattr(model, name) for name in COPIED}
        values["back_and_forth_swath_m"] = round(chance.uniform(15.0, 24.0), 1)
        values["back_and_forth_cv_percent"] = round(chance.uniform(8.0, 24.0), 1)
        values["inputs"] = {**model.inputs, "conditions": conditions}
        run = story.add(
            AnalysisRun,
            day,
            11,
            operator_id=self.one.operator_id,
            test_id=test.pk,
            job_id=job.pk,
            number=number,
            accepted_passes=max(1, passes - (chance.random() < 0.15)),
            requested_by_id=visit.analyst_id,
            **values,
        )
        if chance.random() < 0.82:
            self._approve(setup, visit, run)

    def _approve(self, setup: SetUp, visit: Visit, run: AnalysisRun) -> None:
        """Approve; one of the same set-up that is in force is superseded; a few are withdrawn."""
        chance, day = self.chance, visit.starts_on
        approval = self.story.add(
            Approval,
            day,
            11 + run.number,
            operator_id=self.one.operator_id,
            aircraft_id=self.one.pk,
            setup_id=setup.pk,
            analysis_id=run.pk,
            swath_m=run.back_and_forth_swath_m,
            manner="back_and_forth",
            cv_percent=run.back_and_forth_cv_percent,
            cv_high_percent=run.back_and_forth_cv_percent + 2.0,
            approved_by_id=visit.analyst_id,
            valid_until=day + datetime.timedelta(days=chance.choice((365, 365, 730))),
            supersedes_id=self.approvals.pop(setup.pk, None),
        )
        taken = day + datetime.timedelta(days=chance.randrange(5, 60))
        if chance.random() < 0.03 and taken <= TODAY:
            self.story.add(
                Withdrawal,
                taken,
                operator_id=self.one.operator_id,
                approval_id=approval.pk,
                withdrawn_by_id=visit.analyst_id,
                reason="Flown with other nozzles than recorded.",
            )
        else:
            self.approvals[setup.pk] = approval.pk
