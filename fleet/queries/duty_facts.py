"""The facts that duties are judged on, fetched set-wise for any number of aircraft."""

from __future__ import annotations

import datetime
from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import Any, NamedTuple
from uuid import UUID

from django.db.models import CharField, ExpressionWrapper, F, FloatField, QuerySet, Value
from django.db.models.fields.json import KeyTextTransform, KeyTransform
from django.db.models.functions import Cast

from fleet.judging.facts import Air, AnalysisFacts, ApprovalFacts, Line, Revision, TestFacts
from fleet.models import AnalysisRun, Approval, Manner, SetUp, Test, Waiver, WorksUnder

NO_MOMENT = Value(None, output_field=CharField())
WIND = ("wind_speed_m_s", "wind_from_deg", "line_heading_deg")


def _key(path: str) -> ExpressionWrapper[Any]:
    """A key as the database holds it: made into a UUID, each costs more than its row.

    Such keys only find one another; nothing outside this module sees them.
    """
    return ExpressionWrapper(F(path), output_field=CharField())


class SetUpKey(NamedTuple):
    """What a test must know of the set-up it was flown with."""

    aircraft_id: UUID
    purpose_key: str
    revision: int
    manner: str


@dataclass(frozen=True, slots=True)
class FleetFacts:
    """Facts by aircraft: lines of set-ups, and tests, newest first."""

    lines: Mapping[UUID, tuple[Line, ...]]
    tests: Mapping[UUID, tuple[TestFacts, ...]]
    setups: Mapping[Any, SetUpKey]


@dataclass(frozen=True, slots=True)
class Reach:
    """Which rows are fetched.

    `aircraft` None means all within the scope, which is cheaper than a list of thousands, of one
    operator where `operator_id` says so. `since` and `before` bound the day of a test. `dated` is
    whether the moments of recording are needed: to judge as of an earlier day.
    """

    aircraft: Collection[UUID] | None
    operator_id: UUID | None = None
    wind: bool = False
    dated: bool = False
    since: datetime.date | None = None
    before: datetime.date | None = None

    def of(self, rows: QuerySet[Any], aircraft: str, flown_on: str = "") -> QuerySet[Any]:
        """Return the rows within reach; the paths lead to the aircraft and the day of the test."""
        if self.aircraft is not None:
            rows = rows.filter(**{f"{aircraft}__in": self.aircraft})
        if self.operator_id is not None:
            rows = rows.filter(operator=self.operator_id)
        if flown_on and self.since is not None:
            rows = rows.filter(**{f"{flown_on}__gte": self.since})
        if flown_on and self.before is not None:
            rows = rows.filter(**{f"{flown_on}__lt": self.before})
        return rows


def facts_of(reach: Reach) -> FleetFacts:
    """Fetch set-ups (without nozzles), tests, analyses and approvals: four queries."""
    setups, lines = _setups(reach)
    return FleetFacts(lines, _tests(reach, setups), setups)


def with_older_tests(facts: FleetFacts, reach: Reach) -> FleetFacts:
    """Fetch tests of earlier days too, for aircraft that the later ones do not decide."""
    tests = dict(facts.tests)
    for one, older in _tests(reach, facts.setups).items():
        tests[one] = tests.get(one, ()) + older
    return replace(facts, tests=tests)


def with_nozzles(facts: FleetFacts, aircraft: Collection[UUID]) -> FleetFacts:
    """Fetch the nozzles of some aircraft too, from the oldest tested revision on: one query."""
    wanted: set[Any] = set()
    lines = dict(facts.lines)
    oldest: dict[tuple[UUID, str], int] = {}
    for one in aircraft:
        for test in facts.tests.get(one, ()):
            key = (one, test.purpose_key)
            oldest[key] = min(test.revision, oldest.get(key, test.revision))
    for one in aircraft:
        for line in lines.get(one, ()):
            first = oldest.get((one, line.purpose_key))
            if first is not None:
                wanted |= {r.setup_id for r in line.revisions if r.number >= first}
    nozzles = dict(SetUp.objects.filter(pk__in=wanted).values_list(_key("pk"), "nozzles"))
    for one in aircraft:
        lines[one] = tuple(
            replace(
                line,
                revisions=tuple(
                    replace(r, nozzles=nozzles.get(r.setup_id, r.nozzles)) for r in line.revisions
                ),
            )
            for line in lines.get(one, ())
        )
    return replace(facts, lines=lines)


def _setups(reach: Reach) -> tuple[dict[Any, SetUpKey], dict[UUID, tuple[Line, ...]]]:
    rows = reach.of(SetUp.objects.order_by("number"), "aircraft").values_list(
        _key("pk"),
        "aircraft_id",
        "purpose_key",
        "purpose",
        "number",
        "manner",
        "created_at",
        "boom_width_m",
        "pressure_kpa",
        "airspeed_m_s",
        "release_height_m",
    )
    keys: dict[Any, SetUpKey] = {}
    revisions: dict[UUID, dict[str, tuple[str, list[Revision]]]] = defaultdict(dict)
    for pk, one, purpose_key, purpose, number, manner, recorded_at, *figures in rows:
        keys[pk] = SetUpKey(one, purpose_key, number, manner)
        _, line = revisions[one].setdefault(purpose_key, (purpose, []))
        line.append(Revision(pk, number, recorded_at, *figures))
    lines = {
        one: tuple(Line(key, words, tuple(line)) for key, (words, line) in by_purpose.items())
        for one, by_purpose in revisions.items()
    }
    return keys, lines


def _tests(reach: Reach, setups: Mapping[Any, SetUpKey]) -> dict[UUID, tuple[TestFacts, ...]]:
    moment = F("created_at") if reach.dated else NO_MOMENT
    rows = reach.of(
        Test.objects.order_by("-flown_on", "-id"), "setup__aircraft", "flown_on"
    ).values_list(_key("pk"), _key("setup"), "flown_on", "visit__analyst__role", moment, *WIND)
    analyses = _analyses(reach)
    approvals = _approvals(reach)
    found: dict[UUID, list[TestFacts]] = defaultdict(list)
    for pk, setup_id, flown_on, signer_role, recorded_at, *wind in rows:
        setup = setups[setup_id]
        found[setup.aircraft_id].append(
            TestFacts(
                setup.purpose_key,
                setup.revision,
                flown_on,
                signer_role,
                tuple(_analysis(setup.manner, one) for one in analyses.get(pk, ())),
                tuple(approvals.get(pk, ())),
                air=Air(*wind),
                recorded_at=recorded_at,
            )
        )
    return {one: tuple(tests) for one, tests in found.items()}


def _analyses(reach: Reach) -> dict[Any, list[tuple[Any, ...]]]:
    air = [
        Cast(KeyTextTransform(name, KeyTransform("conditions", "inputs")), FloatField())
        for name in WIND
        if reach.wind
    ]
    rows = reach.of(
        AnalysisRun.objects.order_by("number"), "test__setup__aircraft", "test__flown_on"
    ).values_list(
        _key("test"),
        "number",
        "accepted_passes",
        "one_way_cv_percent",
        "back_and_forth_cv_percent",
        F("created_at") if reach.dated else NO_MOMENT,
        *air,
    )
    found: dict[Any, list[tuple[Any, ...]]] = defaultdict(list)
    for test_id, *rest in rows:
        found[test_id].append(tuple(rest))
    return found


def _analysis(manner: str, row: tuple[Any, ...]) -> AnalysisFacts:
    number, accepted, one_way, back_and_forth, recorded_at, *wind = row
    cv = one_way if manner == Manner.ONE_WAY else back_and_forth
    return AnalysisFacts(number, accepted, cv, recorded_at, Air(*wind))


def _approvals(reach: Reach) -> dict[Any, list[ApprovalFacts]]:
    rows = reach.of(
        Approval.objects.order_by("created_at", "id"), "aircraft", "analysis__test__flown_on"
    ).values_list(
        _key("analysis__test"),
        "approved_by__name",
        "approved_by__role",
        "valid_until",
        "cv_percent",
        F("created_at") if reach.dated else NO_MOMENT,
        "superseded_by__created_at",
        "withdrawal__created_at",
        "withdrawal__reason",
    )
    found: dict[Any, list[ApprovalFacts]] = defaultdict(list)
    for test_id, *facts in rows:
        found[test_id].append(ApprovalFacts(*facts))
    return found


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
