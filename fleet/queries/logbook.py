"""All that is on record of one aircraft, fetched once for whatever a page makes of it.

How the aircraft stands, what the rules ask of it, its season and its lists all look at the same
few rows; each is fetched with the columns that they show and without its documents. They are put
in order here: so few are sorted sooner than an ORDER BY is written.
"""

from __future__ import annotations

import datetime
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from operator import attrgetter
from typing import Any, NamedTuple
from uuid import UUID

from django.db.models import Count
from django.db.models.fields.json import KeyTransform
from django.utils import timezone

from fleet.models import (
    Aircraft,
    AnalysisRun,
    Approval,
    Person,
    SetUp,
    SignUp,
    SignUpState,
    Test,
    Waiver,
    WorksUnder,
)
from fleet.queries.endings import ending_of
from fleet.queries.whose import _own


class Outcome(NamedTuple):
    """What an analysis came to, and the conditions that it was made with."""

    pk: UUID
    number: int
    accepted_passes: int
    one_way_swath_m: float | None
    one_way_cv_percent: float | None
    back_and_forth_swath_m: float | None
    back_and_forth_cv_percent: float | None
    conditions: Mapping[str, Any] | None


class FlownTest(NamedTuple):
    """A test as it is listed and judged. `outcomes` has the newest analysis last."""

    pk: UUID
    setup: SetUp
    flown_on: datetime.date
    wind_speed_m_s: float | None
    wind_from_deg: float | None
    line_heading_deg: float | None
    visit_id: UUID
    place: str
    signer_role: str
    pass_count: int
    outcomes: Sequence[Outcome]

    @property
    def analysis_count(self) -> int:
        """Return how often it was analysed."""
        return len(self.outcomes)

    @property
    def outcome(self) -> Outcome | None:
        """Return what the newest analysis came to."""
        return self.outcomes[-1] if self.outcomes else None

    @property
    def swath_m(self) -> float | None:
        """Return the swath recommended for the set-up's way of flying. [m]"""
        return self._figure("swath_m")

    @property
    def cv_percent(self) -> float | None:
        """Return the CV at that swath."""
        return self._figure("cv_percent")

    def _figure(self, name: str) -> float | None:
        figure: float | None = getattr(self.outcome, f"{self.setup.manner}_{name}", None)
        return figure


_SUPERSEDED_BY = Approval._meta.get_field("superseded_by")


class SignedUp(NamedTuple):
    """A sign-up that was not called off: the visit, the day of the turn once it has one."""

    visit_id: UUID
    place: str
    starts_on: datetime.date
    ends_on: datetime.date
    day: datetime.date | None
    state: str


@dataclass(frozen=True, slots=True)
class Logbook:
    """What is on record of an aircraft.

    `setups` by purpose, of each the newest first. `tests`, newest first.
    `approvals`, newest first, each with its set-up, its `state` and what ended it. `waivers`, the
    latest first, `under`, under whose rules it works besides, and `sign_ups`, in the order of time.
    """

    aircraft: Aircraft
    setups: Sequence[SetUp]
    tests: Sequence[FlownTest]
    approvals: Sequence[Approval]
    waivers: Sequence[Waiver]
    under: Sequence[WorksUnder]
    sign_ups: Sequence[SignedUp]


def logbook_of(person: Person, aircraft: Aircraft) -> Logbook:
    """Fetch what a person may see of an aircraft: seven queries, however much there is."""
    tests = _tests(person, aircraft)
    approvals: list[Any] = _approvals(person, aircraft)  # `state` comes to each below
    setups = _setups(person, aircraft)  # last: then none is missing that one of the others names
    by_key = {one.pk: one for one in setups}
    newest = {one.purpose_key: one for one in reversed(setups)}
    today = timezone.localdate()
    for one in approvals:
        one.aircraft, one.setup = aircraft, by_key[one.setup_id]
        one.state = ending_of(one, newest[one.setup.purpose_key], today)
    outcomes = _outcomes(person, aircraft)
    return Logbook(
        aircraft=aircraft,
        setups=setups,
        tests=[
            FlownTest._make((pk, by_key[setup], *rest, outcomes.get(pk, ())))
            for pk, setup, *rest in tests
        ],
        approvals=approvals,
        waivers=_waivers(person, aircraft),
        under=_under(person, aircraft),
        sign_ups=_sign_ups(person, aircraft),
    )


def _tests(person: Person, aircraft: Aircraft) -> list[tuple[Any, ...]]:
    rows = _own(person, Test.objects.order_by(), setup__aircraft=aircraft)
    found = rows.values_list(
        *("pk", "setup_id", "flown_on", "wind_speed_m_s", "wind_from_deg", "line_heading_deg"),
        *("visit_id", "visit__place", "visit__analyst__role"),
    )
    # Counted after the columns are named, it groups by those alone, not by all that a test has.
    counted = found.annotate(pass_count=Count("passes"))
    return sorted(counted, key=lambda row: (row[2], row[0]), reverse=True)


def _outcomes(person: Person, aircraft: Aircraft) -> dict[UUID, list[Outcome]]:
    """What the analyses of each test came to, in the order of their numbers."""
    rows = _own(person, AnalysisRun.objects.order_by(), test__setup__aircraft=aircraft)
    found: dict[UUID, list[Outcome]] = defaultdict(list)
    for key, *row in rows.values_list(
        "test_id", *Outcome._fields[:-1], KeyTransform("conditions", "inputs")
    ):
        found[key].append(Outcome._make(row))
    for one in found.values():
        one.sort(key=attrgetter("number"))
    return found


def _approvals(person: Person, aircraft: Aircraft) -> list[Approval]:
    rows = _own(person, Approval.objects.order_by(), aircraft=aircraft)
    found = rows.select_related("approved_by", "withdrawal").only(
        *("created_at", "aircraft_id", "setup_id", "analysis_id", "swath_m", "manner"),
        *("cv_percent", "valid_until", "supersedes_id", "approved_by__name", "approved_by__role"),
        *("withdrawal__created_at", "withdrawal__reason"),
    )
    # What supersedes an approval is one of the same aircraft, and so at hand.
    newer = {one.supersedes_id: one for one in found}
    for one in found:
        _SUPERSEDED_BY.set_cached_value(one, newer.get(one.pk))
    return sorted(found, key=attrgetter("created_at", "pk"), reverse=True)


def _setups(person: Person, aircraft: Aircraft) -> list[SetUp]:
    rows = _own(person, SetUp.objects.order_by(), aircraft=aircraft)
    return sorted(rows, key=lambda one: (one.purpose_key, -one.number))


def _waivers(person: Person, aircraft: Aircraft) -> list[Waiver]:
    rows = _own(person, Waiver.objects.order_by(), aircraft=aircraft)
    found = sorted(rows.select_related("requirement", "granted_by"), key=attrgetter("pk"))
    return sorted(found, key=attrgetter("from_on"), reverse=True)


def _under(person: Person, aircraft: Aircraft) -> list[WorksUnder]:
    rows = _own(person, WorksUnder.objects.order_by(), aircraft=aircraft)
    return sorted(rows.select_related("jurisdiction"), key=attrgetter("from_on", "pk"))


def _sign_ups(person: Person, aircraft: Aircraft) -> list[SignedUp]:
    rows = _own(person, SignUp.objects.order_by(), aircraft=aircraft)
    found = rows.values_list(
        *("visit__starts_on", "pk", "visit_id", "visit__place", "visit__ends_on", "day", "state")
    )
    return [
        SignedUp(visit_id, place, starts_on, ends_on, day, state)
        for starts_on, _, visit_id, place, ends_on, day, state in sorted(found)
        if state != SignUpState.CANCELLED
    ]
