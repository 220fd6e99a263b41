"""All that is on record of one aircraft, fetched once for whatever a page makes of it.

How the aircraft stands, what the rules ask of it, its season and its lists all look at the same
few rows; each is fetched with the columns that they show and without its documents.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple
from uuid import UUID

from django.db.models import Count
from django.db.models.fields.json import KeyTransform

from fleet.models import (
    Aircraft,
    AnalysisRun,
    Approval,
    FlightPass,
    Person,
    SetUp,
    Test,
    Waiver,
    WorksUnder,
)
from fleet.queries.whose import _own


class Outcome(NamedTuple):
    """What an analysis came to, and the conditions that it was made with."""

    test_id: UUID
    pk: UUID
    number: int
    accepted_passes: int
    one_way_swath_m: float | None
    one_way_cv_percent: float | None
    back_and_forth_swath_m: float | None
    back_and_forth_cv_percent: float | None
    conditions: Mapping[str, Any] | None


@dataclass(frozen=True, slots=True)
class Logbook:
    """What is on record of an aircraft.

    `setups` by purpose, of each the newest first, without nozzles. `tests`, newest first, each with
    its set-up, the place of its visit and the role of who ran it, `pass_count` and
    `analysis_count`. `outcomes` by test, the newest last. `approvals`, newest first, each with its
    set-up and with what ended it. `waivers` and `under` as its page lists them.
    """

    aircraft: Aircraft
    setups: Sequence[SetUp]
    tests: Sequence[Test]
    outcomes: Mapping[UUID, Sequence[Outcome]]
    approvals: Sequence[Approval]
    waivers: Sequence[Waiver]
    under: Sequence[WorksUnder]


def logbook_of(person: Person, aircraft: Aircraft) -> Logbook:
    """Fetch what a person may see of an aircraft: seven queries, however much there is."""
    outcomes = _outcomes(person, aircraft)
    tests = _tests(person, aircraft)
    approvals = _approvals(person, aircraft)
    setups = _setups(person, aircraft)  # last: then none is missing that one of the others names
    by_key = {one.pk: one for one in setups}
    for approval in approvals:
        approval.setup = by_key[approval.setup_id]
    passes = _passes(person, aircraft)
    for test in tests:
        test.setup = by_key[test.setup_id]
        test.pass_count = passes.get(test.pk, 0)
        test.analysis_count = len(outcomes.get(test.pk, ()))
    return Logbook(
        aircraft=aircraft,
        setups=setups,
        tests=tests,
        outcomes=outcomes,
        approvals=approvals,
        waivers=_waivers(person, aircraft),
        under=_under(person, aircraft),
    )


def _outcomes(person: Person, aircraft: Aircraft) -> dict[UUID, list[Outcome]]:
    rows = (
        _own(person, AnalysisRun.objects.filter(test__setup__aircraft=aircraft))
        .order_by("number")
        .values_list(*Outcome._fields[:-1], KeyTransform("conditions", "inputs"))
    )
    found: dict[UUID, list[Outcome]] = defaultdict(list)
    for row in rows:
        found[row[0]].append(Outcome._make(row))
    return found


def _tests(person: Person, aircraft: Aircraft) -> list[Any]:
    rows = _own(person, Test.objects.filter(setup__aircraft=aircraft))
    return list(
        rows.select_related("visit__analyst").only(
            *("setup_id", "flown_on", "wind_speed_m_s", "wind_from_deg", "line_heading_deg"),
            *("visit__place", "visit__analyst__role"),
        )
    )


def _passes(person: Person, aircraft: Aircraft) -> dict[UUID, int]:
    """How many passes each test has."""
    rows = _own(person, FlightPass.objects.filter(test__setup__aircraft=aircraft)).order_by()
    return dict(rows.values_list("test").annotate(count=Count("pk")))


def _approvals(person: Person, aircraft: Aircraft) -> list[Approval]:
    rows = _own(person, Approval.objects.filter(aircraft=aircraft))
    return list(
        rows.select_related("approved_by", "superseded_by", "withdrawal").only(
            *("created_at", "aircraft_id", "setup_id", "analysis_id", "swath_m", "manner"),
            *("cv_percent", "valid_until", "approved_by__name", "approved_by__role"),
            *("superseded_by__created_at", "withdrawal__created_at", "withdrawal__reason"),
        )
    )


def _setups(person: Person, aircraft: Aircraft) -> list[SetUp]:
    return list(_own(person, SetUp.objects.filter(aircraft=aircraft)).defer("nozzles"))


def _waivers(person: Person, aircraft: Aircraft) -> list[Waiver]:
    rows = _own(person, Waiver.objects.filter(aircraft=aircraft))
    return list(rows.select_related("requirement", "granted_by"))


def _under(person: Person, aircraft: Aircraft) -> list[WorksUnder]:
    rows = _own(person, WorksUnder.objects.filter(aircraft=aircraft))
    return list(rows.select_related("jurisdiction"))
