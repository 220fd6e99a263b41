"""The facts that duties are judged on, fetched set-wise for any number of aircraft.

Inside, an aircraft goes by the key as the database holds it: made into a UUID, a key costs more
than its row.
"""

from __future__ import annotations

import datetime
import json
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple
from uuid import UUID

from django.db import connection
from django.db.models import CharField, ExpressionWrapper, F, FloatField, QuerySet, TextField, Value
from django.db.models.fields.json import KeyTextTransform, KeyTransform
from django.db.models.functions import Cast

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
from fleet.queries.among import AMONG

NOTHING = Value(None, output_field=CharField())
WIND = ("wind_speed_m_s", "wind_from_deg", "line_heading_deg")
FIGURES = ("created_at", "boom_width_m", "pressure_kpa", "airspeed_m_s", "release_height_m")


def as_held(path: str) -> ExpressionWrapper[Any]:
    """A key as the database holds it."""
    return ExpressionWrapper(F(path), output_field=CharField())


def held(key: UUID) -> Any:
    """Return a key as the database holds it."""
    return key if connection.features.has_native_uuid_field else key.hex


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


def facts_of(reach: Reach) -> FleetFacts:
    """Fetch set-ups (without nozzles), tests, analyses and approvals: four queries."""
    setups, lines = _setups(reach)
    return FleetFacts(lines, _tests(reach, setups), setups)


def _setups(reach: Reach) -> tuple[dict[Any, SetUpKey], dict[Any, tuple[Line, ...]]]:
    rows = reach.of(SetUp.objects.order_by("number"), "aircraft").values_list(
        *(as_held("pk"), as_held("aircraft"), "purpose_key", "purpose", "number", "manner"),
        *(() if reach.lean else FIGURES),
    )
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


def _tests(reach: Reach, setups: Mapping[Any, SetUpKey]) -> dict[Any, tuple[TestFacts, ...]]:
    rows = reach.of(Test.objects.order_by("-flown_on", "-id"), "setup__aircraft").values_list(
        *(as_held("pk"), as_held("setup"), "flown_on", "visit__analyst__role", reach.moment),
        *(() if reach.lean else WIND),
    )
    approvals = _approvals(reach)
    analyses = _analyses(reach)
    found: dict[Any, list[TestFacts]] = defaultdict(list)
    for pk, setup_id, flown_on, signer_role, recorded_at, *wind in rows:
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
    return {one: tuple(tests) for one, tests in found.items()}


def _analysis(reach: Reach, manner: str, row: tuple[Any, ...]) -> AnalysisFacts:
    _, number, accepted, one_way, back_and_forth, recorded_at, *wind = row
    cv_percent = one_way if manner == Manner.ONE_WAY else back_and_forth
    return AnalysisFacts(number, accepted, cv_percent, recorded_at, _air(reach, wind))


def _approved(
    runs: Sequence[tuple[Any, ...]], approvals: Mapping[Any, Sequence[tuple[int, ApprovalFacts]]]
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


def _conditions(inputs: str) -> list[Any]:
    """The wind that an analysis was made with."""
    return [Cast(KeyTextTransform(name, KeyTransform("conditions", inputs)), FloatField())
            for name in WIND]  # fmt: skip


def _analyses(reach: Reach) -> dict[Any, list[tuple[Any, ...]]]:
    """Analyses by test: the key of each, and what it came to."""
    rows = reach.of(
        AnalysisRun.objects.order_by("test", "number"), "test__setup__aircraft"
    ).values_list(
        *(as_held("test"), as_held("pk"), "number", "accepted_passes"),
        *("one_way_cv_percent", "back_and_forth_cv_percent", reach.moment),
        *(_conditions("inputs") if reach.wind and not reach.lean else ()),
    )
    found: dict[Any, list[tuple[Any, ...]]] = defaultdict(list)
    for row in rows:
        found[row[0]].append(row[1:])
    return found


def _approvals(reach: Reach) -> dict[Any, list[tuple[int, ApprovalFacts]]]:
    """Approvals by analysis, each with its place in the order of time."""
    within = reach.of(Approval.objects.order_by("created_at", "id"), "aircraft")
    found: dict[Any, list[tuple[int, ApprovalFacts]]] = {}
    if reach.lean:
        standing = within.filter(superseded_by__isnull=True, withdrawal__isnull=True)
        rows = standing.values_list(
            *(as_held("analysis"), NOTHING, "approved_by__role", "valid_until", "cv_percent")
        )
    else:
        rows = within.values_list(
            *(as_held("analysis"), "approved_by__name", "approved_by__role"),
            *("valid_until", "cv_percent", reach.moment, "superseded_by__created_at"),
            *("withdrawal__created_at", "withdrawal__reason"),
        )
    for place, (analysis, *facts) in enumerate(rows):
        found.setdefault(analysis, []).append((place, ApprovalFacts(*facts)))
    return found


# --- What judging came upon ----------------------------------------------------------------------


def with_fetched(facts: FleetFacts, setups: Collection[Any], tests: Collection[Any]) -> FleetFacts:
    """Fetch some set-ups whole, with nozzles, and the wind of some tests: two queries at most."""
    if setups:
        facts = replace(facts, lines=_with_revisions(facts, setups))
    if tests:
        facts = replace(facts, tests=_with_air(facts, tests))
    return facts


def _with_revisions(facts: FleetFacts, setups: Collection[Any]) -> dict[Any, tuple[Line, ...]]:
    rows = SetUp.objects.filter(**{f"pk__{AMONG}": setups}).values_list(
        as_held("pk"), "number", *FIGURES, Cast("nozzles", TextField())
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
        Test.objects.filter(**{f"pk__{AMONG}": tests})
        .order_by("analyses__number")
        .values_list(
            *(as_held("pk"), as_held("setup__aircraft"), "analyses__number"),
            *WIND,
            *_conditions("analyses__inputs"),
        )
    )
    # The newest analysis comes last and stays.
    air = {row[0]: (row[1], row[2], Air(*row[3:6]), Air(*row[6:])) for row in rows}
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
