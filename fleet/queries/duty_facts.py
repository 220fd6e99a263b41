"""The facts that duties are judged on, fetched set-wise for any number of aircraft."""

from __future__ import annotations

import datetime
from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.db.models.fields.json import KeyTransform

from fleet.judging.facts import Air, AnalysisFacts, ApprovalFacts, Line, Revision, TestFacts
from fleet.models import AnalysisRun, Approval, Manner, SetUp, Test, Waiver, WorksUnder

WIND = ("wind_speed_m_s", "wind_from_deg", "line_heading_deg")


@dataclass(frozen=True, slots=True)
class FleetFacts:
    """Facts by aircraft: lines of set-ups, and tests, newest first."""

    lines: Mapping[UUID, tuple[Line, ...]]
    tests: Mapping[UUID, tuple[TestFacts, ...]]


def facts_of(aircraft: Collection[UUID], *, wind: bool) -> FleetFacts:
    """Fetch set-ups (without nozzles), tests, analyses and approvals: four queries.

    `wind` is whether any rule holds the wind against a limit.
    """
    setups, lines = _setups(aircraft)
    return FleetFacts(lines, _tests(aircraft, setups, wind))


def with_nozzles(facts: FleetFacts, aircraft: Collection[UUID]) -> FleetFacts:
    """Fetch the nozzles of some aircraft too, from the oldest tested revision on: one query."""
    wanted: set[UUID] = set()
    lines = dict(facts.lines)
    oldest: dict[tuple[UUID, str], int] = {}
    for one in aircraft:
        for test in facts.tests.get(one, ()):
            key = (one, test.purpose_key)
            oldest[key] = min(test.revision, oldest.get(key, test.revision))
    for one in aircraft:
        for line in lines[one]:
            first = oldest.get((one, line.purpose_key))
            if first is not None:
                wanted |= {r.setup_id for r in line.revisions if r.number >= first}
    nozzles = dict(SetUp.objects.filter(pk__in=wanted).values_list("pk", "nozzles"))
    for one in aircraft:
        lines[one] = tuple(
            replace(
                line,
                revisions=tuple(
                    replace(r, nozzles=nozzles.get(r.setup_id, r.nozzles)) for r in line.revisions
                ),
            )
            for line in lines[one]
        )
    return replace(facts, lines=lines)


@dataclass(frozen=True, slots=True)
class _SetUpKey:
    """What a test must know of the set-up it was flown with."""

    aircraft_id: UUID
    purpose_key: str
    revision: int
    manner: str


def _setups(
    aircraft: Collection[UUID],
) -> tuple[dict[UUID, _SetUpKey], dict[UUID, tuple[Line, ...]]]:
    rows = (
        SetUp.objects.filter(aircraft__in=aircraft)
        .order_by("number")
        .values_list(
            "pk",
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
    )
    keys: dict[UUID, _SetUpKey] = {}
    revisions: dict[UUID, dict[str, tuple[str, list[Revision]]]] = defaultdict(dict)
    for pk, one, purpose_key, purpose, number, manner, recorded_at, *figures in rows:
        keys[pk] = _SetUpKey(one, purpose_key, number, manner)
        _, line = revisions[one].setdefault(purpose_key, (purpose, []))
        line.append(Revision(pk, number, recorded_at, *figures))
    lines = {
        one: tuple(Line(key, words, tuple(line)) for key, (words, line) in by_purpose.items())
        for one, by_purpose in revisions.items()
    }
    return keys, lines


def _tests(
    aircraft: Collection[UUID], setups: Mapping[UUID, _SetUpKey], wind: bool
) -> dict[UUID, tuple[TestFacts, ...]]:
    rows = (
        Test.objects.filter(setup__aircraft__in=aircraft)
        .order_by("-flown_on", "-id")
        .values_list("pk", "setup_id", "flown_on", "created_at", "visit__analyst__role", *WIND)
    )
    analyses = _analyses(aircraft, wind)
    approvals = _approvals(aircraft)
    found: dict[UUID, list[TestFacts]] = defaultdict(list)
    for pk, setup_id, flown_on, recorded_at, signer_role, *wind_of_test in rows:
        setup = setups[setup_id]
        found[setup.aircraft_id].append(
            TestFacts(
                setup.purpose_key,
                setup.revision,
                flown_on,
                signer_role,
                tuple(_analysis(setup.manner, one) for one in analyses.get(pk, ())),
                tuple(approvals.get(pk, ())),
                air=Air(*wind_of_test),
                recorded_at=recorded_at,
            )
        )
    return {one: tuple(tests) for one, tests in found.items()}


def _analyses(aircraft: Collection[UUID], wind: bool) -> dict[UUID, list[tuple[Any, ...]]]:
    rows: QuerySet[AnalysisRun, Any] = AnalysisRun.objects.filter(
        test__setup__aircraft__in=aircraft
    ).order_by("number")
    air = [KeyTransform(name, KeyTransform("conditions", "inputs")) for name in WIND if wind]
    fields = (
        "test_id",
        "number",
        "accepted_passes",
        "one_way_cv_percent",
        "back_and_forth_cv_percent",
        "created_at",
    )
    found: dict[UUID, list[tuple[Any, ...]]] = defaultdict(list)
    for test_id, *rest in rows.values_list(*fields, *air):
        found[test_id].append(tuple(rest))
    return found


def _analysis(manner: str, row: tuple[Any, ...]) -> AnalysisFacts:
    number, accepted, one_way, back_and_forth, recorded_at, *wind = row
    cv = one_way if manner == Manner.ONE_WAY else back_and_forth
    return AnalysisFacts(number, accepted, cv, recorded_at, Air(*wind))


def _approvals(aircraft: Collection[UUID]) -> dict[UUID, list[ApprovalFacts]]:
    rows = (
        Approval.objects.filter(aircraft__in=aircraft)
        .order_by("created_at", "id")
        .values_list(
            "analysis__test_id",
            "approved_by__name",
            "approved_by__role",
            "valid_until",
            "cv_percent",
            "created_at",
            "superseded_by__created_at",
            "withdrawal__created_at",
            "withdrawal__reason",
        )
    )
    found: dict[UUID, list[ApprovalFacts]] = defaultdict(list)
    for test_id, *facts in rows:
        found[test_id].append(ApprovalFacts(*facts))
    return found


def waivers_on(
    aircraft: Collection[UUID],
) -> dict[tuple[UUID, UUID], list[Waiver]]:
    """Return the waivers of aircraft by aircraft and requirement: one query."""
    found: dict[tuple[UUID, UUID], list[Waiver]] = defaultdict(list)
    for waiver in Waiver.objects.filter(aircraft__in=aircraft).select_related("granted_by"):
        found[waiver.aircraft_id, waiver.requirement_id].append(waiver)
    return found


def works_under(aircraft: Collection[UUID]) -> dict[UUID, list[WorksUnder]]:
    """Return under which further jurisdictions aircraft work, or worked: one query."""
    found: dict[UUID, list[WorksUnder]] = defaultdict(list)
    for row in WorksUnder.objects.filter(aircraft__in=aircraft):
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
