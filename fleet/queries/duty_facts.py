"""The facts that duties are judged on, fetched set-wise for any number of aircraft.

Inside, an aircraft goes by the key as the database holds it: made into a UUID, a key costs more
than its row.
"""

from __future__ import annotations

import datetime
import json
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from operator import attrgetter
from typing import Any, NamedTuple
from uuid import UUID

from django.db import connection
from django.db.models import CharField, ExpressionWrapper, F, FloatField, QuerySet, TextField, Value
from django.db.models.fields.json import KeyTextTransform, KeyTransform
from django.db.models.functions import Cast, NullIf

from fleet.judging.facts import (
    NO_AIR,
    Air,
    AnalysisFacts,
    ApprovalFacts,
    Line,
    Revision,
    Stub,
    TestFacts,
)
from fleet.models import AnalysisRun, Approval, Manner, SetUp, Test, Waiver, WorksUnder
from fleet.queries.among import among
from fleet.queries.logbook import Logbook

NOTHING = Value(None, output_field=CharField())
WIND = ("wind_speed_m_s", "wind_from_deg", "line_heading_deg")
FIGURES = ("created_at", "boom_width_m", "pressure_kpa", "airspeed_m_s", "release_height_m")


def as_held(path: str) -> ExpressionWrapper[Any]:
    """A key as the database holds it."""
    return ExpressionWrapper(F(path), output_field=CharField())


def holding() -> Callable[[UUID], Any]:
    """Return what makes of a key what the database holds: asked once for many keys."""
    if connection.features.has_native_uuid_field:
        return lambda key: key
    return attrgetter("hex")


class SetUpKey(NamedTuple):
    """What a test must know of the set-up it was flown with."""

    aircraft: Any
    purpose_key: str
    revision: int
    manner: str


@dataclass(frozen=True, slots=True)
class FleetFacts:
    """Facts by aircraft: lines of set-ups, and tests, newest first."""

    lines: Mapping[Any, tuple[Line, ...]]
    tests: Mapping[Any, tuple[TestFacts, ...]]
    setups: Mapping[Any, SetUpKey]


@dataclass(frozen=True, slots=True)
class Reach:
    """Which rows are fetched, and how much of each.

    `aircraft` None means all within the scope, which is cheaper than a list of thousands, of one
    operator where `operator_id` says so. `wind` is whether a rule asks for it. `dated` is whether
    the moments of recording are needed: to judge as of an earlier day. `lean` leaves out what only
    sentences tell, and what most judgements do not come upon: wind, and set-ups but their number.
    """

    aircraft: Collection[UUID] | None
    operator_id: UUID | None = None
    wind: bool = False
    dated: bool = False
    lean: bool = False

    def of(self, rows: QuerySet[Any], aircraft: str) -> QuerySet[Any]:
        """Return the rows within reach; the path leads to the aircraft."""
        if self.aircraft is not None:
            rows = rows.filter(**{f"{aircraft}__in": self.aircraft})
        if self.operator_id is not None:
            rows = rows.filter(operator=self.operator_id)
        return rows

    @property
    def moment(self) -> Any:
        """When a row was recorded, where that is needed."""
        return F("created_at") if self.dated else NOTHING


class _Rows(NamedTuple):
    """What facts are made of, row by row; what stands in a row is written where it is fetched."""

    setups: Iterable[Sequence[Any]]  # in the order of their numbers
    tests: Iterable[Sequence[Any]]  # the newest first
    analyses: Iterable[Sequence[Any]]  # in the order of their numbers
    approvals: Iterable[Sequence[Any]]  # in the order of time


def facts_of(reach: Reach) -> FleetFacts:
    """Fetch set-ups (without nozzles), tests, analyses and approvals: four queries."""
    analyses, approvals = _analyses(reach), _approvals(reach)
    tests = list(_tests(reach))  # before the set-ups: then none is missing that one of them names
    return _facts(reach, _Rows(_setups(reach), tests, analyses, approvals))


def facts_of_book(book: Logbook) -> FleetFacts:
    """Return the same of one aircraft from what was fetched of it already: no query."""
    return _facts(Reach(aircraft=[book.aircraft.pk], wind=True), _rows_of_book(book))


def _facts(reach: Reach, rows: _Rows) -> FleetFacts:
    setups, lines = _lines(rows.setups)
    analyses, approvals = _by_test(rows.analyses), _by_analysis(rows.approvals)
    found: dict[Any, list[TestFacts]] = defaultdict(list)
    for pk, setup_id, flown_on, signer_role, recorded_at, *wind in rows.tests:
        aircraft, purpose_key, revision, manner = setups[setup_id]
        runs = analyses.get(pk, ())
        found[aircraft].append(
            TestFacts(
                purpose_key,
                revision,
                flown_on,
                signer_role,
                # The newest alone decides, but as of an earlier day it may have been another.
                tuple(
                    [_analysis(reach, manner, row) for row in (runs if reach.dated else runs[-1:])]
                ),
                _approved(runs, approvals),
                _air(reach, wind),
                recorded_at,
                pk,
            )
        )
    return FleetFacts(lines, {one: tuple(tests) for one, tests in found.items()}, setups)


def _lines(
    rows: Iterable[Sequence[Any]],
) -> tuple[dict[Any, SetUpKey], dict[Any, tuple[Line, ...]]]:
    keys: dict[Any, SetUpKey] = {}
    revisions: dict[Any, dict[str, tuple[str, list[Revision | Stub]]]] = defaultdict(dict)
    for pk, one, purpose_key, purpose, number, manner, *figures in rows:
        keys[pk] = SetUpKey(one, purpose_key, number, manner)
        _, line = revisions[one].setdefault(purpose_key, (purpose, []))
        line.append(Revision(pk, number, *figures) if figures else Stub(pk, number))
    lines = {
        one: tuple([Line(key, words, tuple(line)) for key, (words, line) in by_purpose.items()])
        for one, by_purpose in revisions.items()
    }
    return keys, lines


def _by_test(rows: Iterable[Sequence[Any]]) -> dict[Any, list[Sequence[Any]]]:
    """Analyses by test: the key of each, and what it came to."""
    found: dict[Any, list[Sequence[Any]]] = defaultdict(list)
    for row in rows:
        found[row[0]].append(row[1:])
    return found


def _by_analysis(rows: Iterable[Sequence[Any]]) -> dict[Any, list[tuple[int, ApprovalFacts]]]:
    """Approvals by analysis, each with its place in the order of time."""
    found: dict[Any, list[tuple[int, ApprovalFacts]]] = {}
    for place, (analysis, *facts) in enumerate(rows):
        found.setdefault(analysis, []).append((place, ApprovalFacts(*facts)))
    return found


def _analysis(reach: Reach, manner: str, row: Sequence[Any]) -> AnalysisFacts:
    _, number, accepted, one_way, back_and_forth, recorded_at, *wind = row
    cv_percent = one_way if manner == Manner.ONE_WAY else back_and_forth
    return AnalysisFacts(number, accepted, cv_percent, recorded_at, _air(reach, wind))


def _approved(
    runs: Sequence[Sequence[Any]], approvals: Mapping[Any, Sequence[tuple[int, ApprovalFacts]]]
) -> tuple[ApprovalFacts, ...]:
    """The approvals that rest on the analyses of a test, in order of time."""
    found = [one for row in runs for one in approvals.get(row[0], ())]
    if len(found) > 1:
        found.sort()
    return tuple([approval for _, approval in found])


def _air(reach: Reach, wind: Iterable[float | None]) -> Air | None:
    if reach.lean:
        return None
    return Air(*wind) if wind else NO_AIR


# --- The rows, from the tables --------------------------------------------------------------------


def _setups(reach: Reach) -> Iterable[tuple[Any, ...]]:
    return reach.of(SetUp.objects.order_by("number", "pk"), "aircraft").values_list(
        *(as_held("pk"), as_held("aircraft"), "purpose_key", "purpose", "number", "manner"),
        *(() if reach.lean else FIGURES),
    )


def _tests(reach: Reach) -> Iterable[tuple[Any, ...]]:
    return reach.of(Test.objects.order_by("-flown_on", "-id"), "setup__aircraft").values_list(
        *(as_held("pk"), as_held("setup"), "flown_on", "visit__analyst__role", reach.moment),
        *(() if reach.lean else WIND),
    )


def _analyses(reach: Reach) -> Iterable[tuple[Any, ...]]:
    return reach.of(
        AnalysisRun.objects.order_by("test", "number"), "test__setup__aircraft"
    ).values_list(
        *(as_held("test"), as_held("pk"), "number", "accepted_passes"),
        *("one_way_cv_percent", "back_and_forth_cv_percent", reach.moment),
        *(_wind_then("inputs") if reach.wind and not reach.lean else ()),
    )


def _wind_then(inputs: str) -> list[Cast]:
    """The wind that an analysis was made with. [m/s, °, °]

    SQLite says the word null for what was not recorded, and would make the number 0 of it.
    """
    said = [KeyTextTransform(name, KeyTransform("conditions", inputs)) for name in WIND]
    return [Cast(NullIf(one, Value("null")), FloatField()) for one in said]


def _approvals(reach: Reach) -> Iterable[tuple[Any, ...]]:
    within = reach.of(Approval.objects.order_by("created_at", "id"), "aircraft")
    if reach.lean:
        standing = within.filter(superseded_by__isnull=True, withdrawal__isnull=True)
        return standing.values_list(
            *(as_held("analysis"), NOTHING, "approved_by__role", "valid_until", "cv_percent")
        )
    return within.values_list(
        *(as_held("analysis"), "approved_by__name", "approved_by__role"),
        *("valid_until", "cv_percent", reach.moment, "superseded_by__created_at"),
        *("withdrawal__created_at", "withdrawal__reason"),
    )


# --- The same rows, from what a page has fetched of one aircraft ----------------------------------


def _rows_of_book(book: Logbook) -> _Rows:
    held = holding()
    return _Rows(
        [
            (
                *(held(one.pk), held(one.aircraft_id), one.purpose_key, one.purpose, one.number),
                *(one.manner, *(getattr(one, name) for name in FIGURES), one.nozzles),
            )
            for one in sorted(book.setups, key=lambda one: (one.number, one.pk))
        ],
        [
            (
                *(held(one.pk), held(one.setup.pk), one.flown_on, one.signer_role, None),
                *(getattr(one, name) for name in WIND),
            )
            for one in book.tests
        ],
        [
            (
                *(held(test.pk), held(one.pk), one.number, one.accepted_passes),
                *(one.one_way_cv_percent, one.back_and_forth_cv_percent, None),
                *map((one.conditions or {}).get, WIND),
            )
            for test in book.tests
            for one in test.outcomes
        ],
        [
            (held(one.analysis_id), one.approved_by.name, one.approved_by.role, *_ended(one))
            for one in reversed(book.approvals)
        ],
    )


def _ended(one: Approval) -> tuple[Any, ...]:
    """How long an approval is good for, and what ended it."""
    superseded = getattr(one, "superseded_by", None)
    withdrawal = getattr(one, "withdrawal", None)
    return (
        *(one.valid_until, one.cv_percent, None, superseded and superseded.created_at),
        *(withdrawal and withdrawal.created_at, withdrawal and withdrawal.reason),
    )


# --- What judging came upon ----------------------------------------------------------------------


def with_fetched(facts: FleetFacts, setups: Collection[Any], tests: Collection[Any]) -> FleetFacts:
    """Fetch some set-ups whole, with nozzles, and the wind of some tests: two queries at most."""
    if setups:
        facts = replace(facts, lines=_with_revisions(facts, setups))
    if tests:
        facts = replace(facts, tests=_with_air(facts, tests))
    return facts


def _with_revisions(facts: FleetFacts, setups: Collection[Any]) -> dict[Any, tuple[Line, ...]]:
    rows = (
        SetUp.objects.filter(among("pk", setups))
        .order_by()
        .values_list(as_held("pk"), "number", *FIGURES, Cast("nozzles", TextField()))
    )
    # A boom seldom changes: what reads the same is read once, and is one and the same list.
    read: dict[str, Any] = {}
    whole: dict[Any, Revision] = {}
    for pk, number, *figures, text in rows:
        if text not in read:
            read[text] = json.loads(text)
        whole[pk] = Revision._make((pk, number, *figures, read[text]))
    lines = dict(facts.lines)
    for one in {facts.setups[key].aircraft for key in whole}:
        lines[one] = tuple(
            [
                replace(line, revisions=tuple([whole.get(r.setup_id, r) for r in line.revisions]))
                for line in lines[one]
            ]
        )
    return lines


def _with_air(facts: FleetFacts, tests: Collection[Any]) -> dict[Any, tuple[TestFacts, ...]]:
    rows = (
        Test.objects.filter(among("pk", tests))
        .order_by("analyses__number")
        .values_list(
            *(as_held("pk"), as_held("setup__aircraft"), "analyses__number"),
            *WIND,
            *_wind_then("analyses__inputs"),
        )
    )
    # The newest analysis comes last and stays.
    air = {row[0]: (row[1], row[2], Air(*row[3:6]), Air(*row[6:9])) for row in rows}
    found = dict(facts.tests)
    for one in {aircraft for aircraft, *_ in air.values()}:
        found[one] = tuple(
            [_breathing(test, *air[test.key][2:]) if test.key in air else test
             for test in found[one]]
        )  # fmt: skip
    return found


def _breathing(test: TestFacts, own: Air, analysed: Air) -> TestFacts:
    """Return a test with its own wind and that of its newest analysis."""
    if not test.analyses:
        return test._replace(air=own)
    *earlier, newest = test.analyses
    return test._replace(air=own, analyses=(*earlier, newest._replace(air=analysed)))


# --- What few aircraft have ----------------------------------------------------------------------


def waivers_within(reach: Reach) -> dict[tuple[UUID, UUID], list[Waiver]]:
    """Return the waivers of aircraft by aircraft and requirement: one query."""
    found: dict[tuple[UUID, UUID], list[Waiver]] = defaultdict(list)
    for waiver in reach.of(Waiver.objects.select_related("granted_by"), "aircraft"):
        found[waiver.aircraft_id, waiver.requirement_id].append(waiver)
    return found


def works_under(reach: Reach) -> dict[UUID, list[WorksUnder]]:
    """Return under which further jurisdictions aircraft work, or worked: one query."""
    found: dict[UUID, list[WorksUnder]] = defaultdict(list)
    for row in reach.of(WorksUnder.objects.all(), "aircraft"):
        found[row.aircraft_id].append(row)
    return found


def waiver_in_force(
    waivers: Collection[Waiver], day: datetime.date, cut: datetime.datetime | None
) -> Waiver | None:
    """Return the waiver in force on a day that ends last; an ended one holds until the day before.

    `cut` leaves out what was recorded later.
    """
    in_force = [
        one
        for one in waivers
        if one.from_on <= day <= one.until_on
        and (one.ended_on is None or day < one.ended_on)
        and (cut is None or one.created_at < cut)
    ]
    return max(in_force, key=lambda one: one.until_on) if in_force else None
