"""The places of a visit: who has one on which day, in which order, and who waits for one.

A `Places` holds all sign-ups of a visit whose row it has locked, so that two phones at once take
turns. What changes is worked out on it and written by `save` in one go. On each day those flown
come first, in the order in which they flew; positions count from 1 without a gap, so that an
operator's own row says its place without the rows of others.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Sequence
from uuid import UUID

from fleet import tenancy
from fleet.models import SignUp, SignUpState, Visit
from fleet.queries.clinics import days_of

KEPT = ("state", "day", "position")


class Places:
    """All sign-ups of one locked visit.

    `days` has, for each day of the visit (and each day that a place is left on from before a
    change), those flown and those to fly, in order; `waiting` is the waiting list.
    """

    def __init__(self, visit: Visit, rows: Iterable[SignUp]) -> None:
        self.visit = visit
        self.rows = list(rows)
        self.days: dict[datetime.date, list[SignUp]] = {day: [] for day in days_of(visit)}
        self.waiting: list[SignUp] = []
        for row in sorted(self.rows, key=_in_order):
            if row.state == SignUpState.WAITING:
                self.waiting.append(row)
            elif row.state in (SignUpState.PLACED, SignUpState.FLOWN) and row.day:
                self.days.setdefault(row.day, []).append(row)
        self._before = {row.pk: _kept(row) for row in self.rows}

    @classmethod
    def locked(cls, visit: Visit) -> Places:
        """Lock a visit's row, bring `visit` up to date, and read its sign-ups. In a transaction."""
        visit.refresh_from_db(from_queryset=Visit.objects.select_for_update())
        with tenancy.everyone():  # the order holds rows of others, whoever signs up
            rows = SignUp.objects.filter(visit=visit).select_related("aircraft", "operator")
            return cls(visit, rows)

    def of_aircraft(self, aircraft_id: UUID) -> SignUp | None:
        """Return the sign-up of an aircraft that was not called off."""
        standing = (row for row in self.rows if row.state != SignUpState.CANCELLED)
        return next((row for row in standing if row.aircraft_id == aircraft_id), None)

    def row(self, sign_up: SignUp) -> SignUp:
        """Return a sign-up as it is now, under the lock."""
        return next(row for row in self.rows if row.pk == sign_up.pk)

    def room(self, day: datetime.date) -> bool:
        """Whether a day has a free place."""
        most = self.visit.aircraft_per_day
        return most is None or len(self.days[day]) < most

    def free_days(self, today: datetime.date) -> list[datetime.date]:
        """Return the days of the visit, from today on, that have a free place."""
        return [day for day in days_of(self.visit) if day >= today and self.room(day)]

    def add(self, row: SignUp) -> None:
        """Count in a sign-up that is new; `place` or `wait` comes next."""
        self.rows.append(row)

    def place(self, row: SignUp, day: datetime.date) -> None:
        """Give a place at the end of a day."""
        self._take_out(row)
        row.state, row.day = SignUpState.PLACED, day
        self.days[day].append(row)

    def wait(self, row: SignUp, *, first: bool = False) -> None:
        """Put on the waiting list, at its end or its front."""
        self._take_out(row)
        row.state, row.day = SignUpState.WAITING, None
        self.waiting.insert(0 if first else len(self.waiting), row)

    def fly(self, row: SignUp, day: datetime.date) -> None:
        """Note as flown on a day, behind those flown before; a free place is not asked for."""
        self._take_out(row)
        row.state, row.day = SignUpState.FLOWN, day
        order = self.days.setdefault(day, [])
        order.insert(_flown(order), row)

    def end(self, row: SignUp, state: str) -> None:
        """Take out of the order: called off, or absent (which keeps its day)."""
        self._take_out(row)
        row.state = state
        row.day = row.day if state == SignUpState.ABSENT else None
        row.position = None

    def to_fly(self, day: datetime.date) -> list[SignUp]:
        """Return those of a day still to fly, in order."""
        order = self.days.get(day, [])
        return order[_flown(order) :]

    def arrange(self, day: datetime.date, keys: Sequence[UUID]) -> None:
        """Put those still to fly in the order of `keys`.

        A key that is no longer to fly on that day is passed over; whoever is not among the keys
        (signed up meanwhile) comes behind them, in the order there was.
        """
        order = self.days[day]
        rank = {key: number for number, key in enumerate(keys)}
        to_fly = sorted(self.to_fly(day), key=lambda row: rank.get(row.pk, len(rank)))
        self.days[day] = [*order[: _flown(order)], *to_fly]

    def move_up(self, today: datetime.date) -> list[SignUp]:
        """Give free places to those who wait, the first first; return who got one."""
        moved = []
        while self.waiting and (free := self.free_days(today)):
            row = self.waiting[0]
            self.place(row, free[0])
            moved.append(row)
        return moved

    def fit(self, first_day_was: datetime.date) -> list[SignUp]:
        """Fit the places to the visit as it is now: its days, and how many a day has room for.

        Places move along when the visit begins on another day. Return those, from the last, for
        whom there is no place any more; they are at the front of the waiting list now.
        """
        shift = self.visit.starts_on - first_day_was
        if shift:
            self._shift(shift)
        days = set(days_of(self.visit))
        for day in days:  # a visit made longer has days that no place was on
            self.days.setdefault(day, [])
        lost: list[SignUp] = []
        for day in sorted(self.days):
            to_fly = self.to_fly(day)
            most = self.visit.aircraft_per_day
            if day not in days:
                lost += to_fly
            elif most is not None:
                keep = max(0, most - (len(self.days[day]) - len(to_fly)))
                lost += to_fly[keep:]
        for row in reversed(lost):
            self.wait(row, first=True)
        return lost

    def _shift(self, by: datetime.timedelta) -> None:
        to_fly = {day: self.to_fly(day) for day in self.days}
        for day, rows in to_fly.items():
            self.days[day] = [row for row in self.days[day] if row not in rows]
        for day, rows in to_fly.items():
            for row in rows:
                row.day = day + by
            self.days.setdefault(day + by, []).extend(rows)

    def number(self) -> None:
        """Number the order of each day and the waiting list from 1."""
        for order in (*self.days.values(), self.waiting):
            for number, row in enumerate(order, start=1):
                row.position = number

    def save(self) -> None:
        """Number the order and the waiting list anew, and write what differs."""
        self.number()
        new = [row for row in self.rows if row.pk not in self._before]
        differing = [row for row in self.rows if self._before.get(row.pk, ()) != _kept(row)]
        with tenancy.everyone():
            for row in new:
                row.save(force_insert=True)
            changed = [row for row in differing if row not in new]
            if changed:
                SignUp.objects.bulk_update(changed, KEPT)
        self._before = {row.pk: _kept(row) for row in self.rows}

    def _take_out(self, row: SignUp) -> None:
        for order in (*self.days.values(), self.waiting):
            if row in order:
                order.remove(row)


def _kept(row: SignUp) -> tuple[object, ...]:
    return tuple(getattr(row, name) for name in KEPT)


def _flown(order: Sequence[SignUp]) -> int:
    """Count those flown, who come first."""
    return sum(row.state == SignUpState.FLOWN for row in order)


def _in_order(row: SignUp) -> tuple[bool, int, datetime.datetime, UUID]:
    return (row.state != SignUpState.FLOWN, row.position or 0, row.created_at, row.pk)
