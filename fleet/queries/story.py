"""What happened to one aircraft in a season: set-ups, tests, approvals, what is due, visits."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from django.utils import timezone

from fleet.models import Aircraft, Approval, Season, SetUp
from fleet.queries.duties import Duty
from fleet.queries.logbook import FlownTest, Logbook, SignedUp
from fleet.queries.participation import end_of

Ending = Literal["stands", "expired", "superseded", "withdrawn", "changed"]


@dataclass(frozen=True, slots=True)
class HeldApproval:
    """An approval with the day until which it held (or will hold), and what ended it."""

    approval: Approval
    from_day: datetime.date
    until: datetime.date
    ended: Ending


@dataclass(frozen=True, slots=True)
class SeasonStory:
    """What is on record of an aircraft between two days; lists are in the order of time.

    `setups` has those recorded in the season and, of each purpose, the one in force before.
    """

    aircraft: Aircraft
    first: datetime.date
    last: datetime.date
    today: datetime.date
    setups: list[SetUp]
    tests: list[FlownTest]
    approvals: list[HeldApproval]
    duties: list[Duty]
    sign_ups: list[SignedUp]


def season_story(
    book: Logbook,
    season: Season | None,
    today: datetime.date,
    duties: Sequence[Duty] = (),
) -> SeasonStory:
    """Gather the story of a season; of the calendar year of today where there is no season.

    `duties` are those of the aircraft as they stand today; each is told in the season in which its
    day lies. No query beside those of the logbook.
    """
    first = season.starts_on if season else today.replace(month=1, day=1)
    last = season.ends_on if season else today.replace(month=12, day=31)
    recorded = _recorded(book.setups, last)
    return SeasonStory(
        aircraft=book.aircraft,
        first=first,
        last=last,
        today=today,
        setups=_in_force_or_later(recorded, first),
        tests=[one for one in reversed(book.tests) if first <= one.flown_on <= last],
        approvals=_held_within(book.approvals, recorded, first, last, today),
        duties=[one for one in duties if one.due_on and first <= one.due_on <= last],
        sign_ups=[one for one in book.sign_ups if one.starts_on <= last and one.ends_on >= first],
    )


def _recorded(setups: Sequence[SetUp], last: datetime.date) -> list[SetUp]:
    """Leave out what was recorded later; the rest in the order of time."""
    over = end_of(last)
    known = (one for one in setups if one.created_at < over)
    return sorted(known, key=lambda one: (one.created_at, one.number))


def _in_force_or_later(setups: list[SetUp], first: datetime.date) -> list[SetUp]:
    """Leave out what had been replaced before the first day."""
    before: dict[str, SetUp] = {}
    later = []
    for one in setups:
        if timezone.localdate(one.created_at) < first:
            before[one.purpose_key] = one
        else:
            later.append(one)
    return [*before.values(), *later]


def _held_within(
    approvals: Sequence[Approval],
    setups: list[SetUp],
    first: datetime.date,
    last: datetime.date,
    today: datetime.date,
) -> list[HeldApproval]:
    over = end_of(last)
    rows = [one for one in approvals if one.created_at < over and one.valid_until >= first]
    rows.sort(key=lambda one: (one.created_at, one.pk))
    held = [_held(one, setups, today) for one in rows]
    return [one for one in held if one.until >= first]


def _held(approval: Approval, setups: list[SetUp], today: datetime.date) -> HeldApproval:
    """Say until when an approval held, and what ended it first."""
    ends: list[tuple[datetime.date, Ending]] = []
    superseded = getattr(approval, "superseded_by", None)
    withdrawal = getattr(approval, "withdrawal", None)
    if superseded is not None:
        ends.append((timezone.localdate(superseded.created_at), "superseded"))
    if withdrawal is not None:
        ends.append((timezone.localdate(withdrawal.created_at), "withdrawn"))
    newer = [
        timezone.localdate(one.created_at)
        for one in setups
        if one.purpose_key == approval.setup.purpose_key and one.number > approval.setup.number
    ]
    if newer:
        ends.append((min(newer), "changed"))
    from_day = timezone.localdate(approval.created_at)
    ended_on, how = min(ends, default=(datetime.date.max, "stands"), key=lambda end: end[0])
    if approval.valid_until < min(ended_on, today):
        return HeldApproval(approval, from_day, approval.valid_until, "expired")
    if ended_on > approval.valid_until:
        return HeldApproval(approval, from_day, approval.valid_until, "stands")
    return HeldApproval(approval, from_day, max(ended_on, from_day), how)
