"""How each aircraft stands for each purpose, why, and when it is due. One place decides.

A standing is judged for the newest set-up revision of every aircraft and purpose; the whole fleet
is judged in a fixed number of set-wise queries.
"""

from __future__ import annotations

import datetime
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple
from uuid import UUID

import numpy as np
from django.db.models import F, QuerySet, Window
from django.db.models.functions import RowNumber
from django.utils import timezone

from fleet.models import Aircraft, AnalysisRun, Approval, Person, SetUp
from fleet.queries.whose import aircraft_of

State = Literal["approved", "due_soon", "expired", "changed", "withdrawn", "untested", "no_setup"]
DUE_SOON_DAYS = 30

WORDS: dict[str, str] = {
    "approved": "Approved",
    "due_soon": "Due soon",
    "expired": "Overdue",
    "changed": "Set-up changed",
    "withdrawn": "Withdrawn",
    "untested": "Not tested",
    "no_setup": "No set-up",
}


@dataclass(frozen=True, slots=True)
class Standing:
    """One aircraft for one purpose.

    `approval` is the approval in force, or the last one that ended; `due_on` is the day from
    which a test is due (None where there is nothing to test yet); `why` is one or two sentences.
    """

    aircraft: Aircraft
    setup: SetUp | None
    approval: Approval | None
    state: State
    due_on: datetime.date | None
    why: str

    @property
    def words(self) -> str:
        """Return the state in words."""
        return WORDS[self.state]

    @property
    def approved_until(self) -> datetime.date | None:
        """Return the last day of the approval in force; None where there is none."""
        return self.approval.valid_until if self.approval and self.in_force else None

    @property
    def in_force(self) -> bool:
        """Whether a swath may be looked up."""
        return self.state in ("approved", "due_soon")


def standings(
    person: Person,
    *,
    aircraft: Iterable[Aircraft] | None = None,
    today: datetime.date | None = None,
    setups: Iterable[SetUp] | None = None,
    approvals: Iterable[Approval] | None = None,
) -> list[Standing]:
    """Return the standings of a person's aircraft in service, the longest due first.

    Two queries for set-ups and approvals, and one for the aircraft, where they are not given. Given
    are all of the aircraft's, the newest first, approvals with what ended them.
    """
    today = today or timezone.localdate()
    fleet = list(
        aircraft_of(person).filter(retired_on__isnull=True) if aircraft is None else aircraft
    )
    newest = _by_aircraft(_newest_setups(fleet) if setups is None else _first_of_line(setups))
    last = _by_line(_last_approvals(fleet) if approvals is None else _first_standing(approvals))
    found = [
        judge(one, setup, last.get((one.pk, setup.purpose_key)), today)
        for one in fleet
        for setup in newest.get(one.pk, [])
    ]
    found += [
        Standing(one, None, None, "no_setup", None, "No set-up has been recorded yet.")
        for one in fleet
        if one.pk not in newest
    ]
    return sorted(found, key=_most_due_first)


def _newest_setups(fleet: list[Aircraft]) -> Iterable[SetUp]:
    """The newest revision of each aircraft and purpose."""
    rows = SetUp.objects.filter(aircraft__in=[one.pk for one in fleet])
    return _newest(rows).defer("nozzles")


def _by_aircraft(setups: Iterable[SetUp]) -> dict[object, list[SetUp]]:
    found: dict[object, list[SetUp]] = {}
    for setup in setups:
        found.setdefault(setup.aircraft_id, []).append(setup)
    return found


def _first_of_line(setups: Iterable[SetUp]) -> Iterable[SetUp]:
    """The first of each aircraft and purpose."""
    found: dict[tuple[object, str], SetUp] = {}
    for one in setups:
        found.setdefault((one.aircraft_id, one.purpose_key), one)
    return found.values()


def _newest(rows: QuerySet[SetUp]) -> QuerySet[SetUp]:
    line = [F("aircraft"), F("purpose_key")]
    place = Window(RowNumber(), partition_by=line, order_by=F("number").desc())
    return rows.annotate(place=place).filter(place=1)


def _last_approvals(fleet: list[Aircraft]) -> Iterable[Approval]:
    """The last approval of each aircraft and purpose that nothing supersedes."""
    rows = _last(Approval.objects.filter(aircraft__in=[one.pk for one in fleet]))
    return rows.select_related("setup", "withdrawal", "approved_by").defer("setup__nozzles")


def _by_line(approvals: Iterable[Approval]) -> dict[tuple[object, str], Approval]:
    """Approvals by aircraft and purpose; of several the first."""
    found: dict[tuple[object, str], Approval] = {}
    for one in approvals:
        found.setdefault((one.aircraft_id, one.setup.purpose_key), one)
    return found


def _first_standing(approvals: Iterable[Approval]) -> Iterable[Approval]:
    return (one for one in approvals if getattr(one, "superseded_by", None) is None)


def _last(rows: QuerySet[Approval]) -> QuerySet[Approval]:
    line = [F("aircraft"), F("setup__purpose_key")]
    newest_first = [F("created_at").desc(), F("id").desc()]
    place = Window(RowNumber(), partition_by=line, order_by=newest_first)
    return rows.filter(superseded_by__isnull=True).annotate(place=place).filter(place=1).order_by()


class Held(NamedTuple):
    """What decides of the last approval of an aircraft and purpose."""

    setup_id: UUID
    valid_until: datetime.date
    withdrawn_at: datetime.datetime | None


def _decide(
    setup_id: UUID, recorded_at: datetime.datetime, held: Held | None, today: datetime.date
) -> tuple[State, datetime.date]:
    """Say how a newest set-up stands, and the day from which a test is due. One place decides."""
    if held is None:
        return "untested", timezone.localdate(recorded_at)
    if held.setup_id != setup_id:
        return "changed", timezone.localdate(recorded_at)
    if held.withdrawn_at is not None:
        return "withdrawn", timezone.localdate(held.withdrawn_at)
    if held.valid_until < today:
        return "expired", held.valid_until
    soon = (held.valid_until - today).days <= DUE_SOON_DAYS
    return "due_soon" if soon else "approved", held.valid_until


def states_of(
    person: Person, aircraft: Collection[UUID], *, today: datetime.date | None = None
) -> Iterator[tuple[UUID, str, State, datetime.date | None]]:
    """Yield how all of a person's aircraft stand: key, purpose, state, day due. Two queries.

    `aircraft` are the keys of those that are asked about, which the person may see.
    """
    today = today or timezone.localdate()
    own = {} if person.operator_id is None else {"operator": person.operator_id}
    held = {
        (one, purpose): Held(*facts)
        for one, purpose, *facts in _last(Approval.objects.filter(**own)).values_list(
            *("aircraft_id", "setup__purpose_key", "setup_id"),
            *("valid_until", "withdrawal__created_at"),
        )
    }
    known = set()
    for one, purpose, setup_id, recorded_at in _newest(SetUp.objects.filter(**own)).values_list(
        "aircraft_id", "purpose_key", "pk", "created_at"
    ):
        known.add(one)
        if one in aircraft:
            state, due_on = _decide(setup_id, recorded_at, held.get((one, purpose)), today)
            yield one, purpose, state, due_on
    for one in aircraft:
        if one not in known:
            yield one, "", "no_setup", None


def judge(
    aircraft: Aircraft, setup: SetUp, approval: Approval | None, today: datetime.date
) -> Standing:
    """Say how an aircraft stands with its newest set-up and its last approval, and why."""
    withdrawal = getattr(approval, "withdrawal", None)
    held = None
    if approval is not None:
        taken_at = withdrawal.created_at if withdrawal else None
        held = Held(approval.setup_id, approval.valid_until, taken_at)
    state, due_on = _decide(setup.pk, setup.created_at, held, today)
    why = _why(state, due_on, setup, approval, today)
    return Standing(aircraft, setup, approval, state, due_on, why)


def _why(
    state: State, due_on: datetime.date, setup: SetUp, approval: Any, today: datetime.date
) -> str:
    if state == "untested":
        return f"{setup} was recorded {_day(due_on)} and has no approved swath yet."
    if state == "changed":
        return (
            f"Set-up changed {_day(due_on)}, test again: revision {approval.setup.number} was "
            f"approved, revision {setup.number} is in force."
        )
    if state == "withdrawn":
        return f"The approval was withdrawn {_day(due_on)}: {approval.withdrawal.reason}"
    granted = f"Approved by {approval.approved_by.name} until {_day(due_on)}"
    if state == "expired":
        return f"{granted}; that date has passed, test again."
    left = (due_on - today).days
    return granted + (f", {_days_left(left)}." if left <= 60 else ".")


def standing_of(approval: Approval, *, today: datetime.date | None = None) -> Standing:
    """Return how the line that an approval belongs to stands now."""
    newest = (
        SetUp.objects.filter(aircraft=approval.aircraft_id, purpose_key=approval.setup.purpose_key)
        .order_by("-number")
        .first()
    )
    assert newest is not None
    return judge(approval.aircraft, newest, approval, today or timezone.localdate())


def evidence_gap(analysis: AnalysisRun, swath_m: float, manner: str) -> str:
    """Say in a sentence how a swath lies outside an analysis; "" when it lies within.

    Within means: no wider than the swath recommended for that way of flying, inside the sweep,
    and its CV within the limit.
    """
    result = analysis.result
    choice = getattr(result.recommended, manner)
    swaths = result.uniformity.swath_m
    limit = result.parameters.cv_limit_percent
    if choice.swath_m is None:
        return "The analysis recommends no swath for this way of flying."
    if swath_m > choice.swath_m + 0.01:
        return f"The analysis recommends no more than {choice.swath_m:.1f} m."
    if swath_m < float(swaths[0]) - 0.01:
        return f"The analysis looked at no swath narrower than {float(swaths[0]):.1f} m."
    cv = float(np.interp(swath_m, swaths, getattr(result.uniformity, manner).cv_percent))
    if cv > limit * (1 + 1e-9):
        return f"The CV at this swath is {cv:.1f} %, over the limit of {limit:g} %."
    return ""


def _most_due_first(standing: Standing) -> tuple[bool, datetime.date, str, str]:
    due = standing.due_on or datetime.date.max
    purpose = standing.setup.purpose_key if standing.setup else ""
    return (standing.due_on is None, due, standing.aircraft.registration, purpose)


def _day(date: datetime.date) -> str:
    return f"{date:%-d %B %Y}"


def _days_left(days: int) -> str:
    return "today is the last day" if days == 0 else f"{days} day{'s' if days > 1 else ''} left"
