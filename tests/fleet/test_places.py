"""What always holds of places and waiting list, whatever happens in whatever order.

No database: the rules of the order by themselves. Own rules, no source.
"""

from __future__ import annotations

import datetime
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.models import Aircraft, SignUp, SignUpState, Visit
from fleet.services.places import Places

FIRST = datetime.date(2026, 5, 2)
ONE_DAY = datetime.timedelta(days=1)
DEEDS = ("sign_up", "cancel", "absent", "fly", "back", "arrange", "day", "capacity", "dates")


def visit(per_day: int = 2, days: int = 2) -> Visit:
    last = FIRST + (days - 1) * ONE_DAY
    return Visit(
        kind="clinic", place="Strip", starts_on=FIRST, ends_on=last, aircraft_per_day=per_day
    )


def newcomer(of: Visit, number: int) -> SignUp:
    aircraft = Aircraft(registration=f"XX-{number}")
    made = datetime.datetime(2026, 4, 1, tzinfo=datetime.UTC) + number * ONE_DAY
    return SignUp(visit=of, aircraft=aircraft, state=SignUpState.WAITING, created_at=made)


def to_fly(places: Places) -> int:
    return sum(len(places.to_fly(day)) for day in places.days)


def do(places: Places, deed: str, pick: int, today: datetime.date) -> None:
    """Do one deed on the row that `pick` falls on, as the services do it."""
    of = places.visit
    placed = [row for row in places.rows if row.state == SignUpState.PLACED]
    standing = [*placed, *places.waiting]
    days = [day for day in places.days if of.starts_on <= day <= of.ends_on]
    if deed == "sign_up":
        row = newcomer(of, len(places.rows))
        places.add(row)
        free = places.free_days(today)
        if free:
            places.place(row, free[pick % len(free)])
        else:
            places.wait(row)
    elif deed in ("cancel", "absent", "fly") and standing:
        row = standing[pick % len(standing)]
        if deed == "fly":
            places.fly(row, days[pick % len(days)])
        else:
            places.end(row, SignUpState.CANCELLED if deed == "cancel" else SignUpState.ABSENT)
    elif deed == "back":
        gone = [r for r in places.rows if r.state in (SignUpState.ABSENT, SignUpState.FLOWN)]
        if gone:
            row = gone[pick % len(gone)]
            day = row.day
            places.end(row, SignUpState.ABSENT)
            if day in days and places.room(day):
                places.place(row, day)
            else:
                places.wait(row, first=True)
    elif deed == "arrange":
        day = days[pick % len(days)]
        keys = [row.pk for row in places.to_fly(day)]
        turn = pick % (len(keys) + 1)
        places.arrange(day, [*keys[turn:], *keys[: max(0, turn - 1)]])  # one may be missing
    elif deed == "day" and placed:
        free = places.free_days(today)
        if free:
            places.place(placed[pick % len(placed)], free[pick % len(free)])
    elif deed == "capacity":
        of.aircraft_per_day = 1 + pick % 4
        places.fit(of.starts_on)
    elif deed == "dates":
        was = of.starts_on
        of.starts_on = FIRST + (pick % 3) * ONE_DAY
        of.ends_on = of.starts_on + (pick % 2) * ONE_DAY
        places.fit(was)
    places.move_up(today)
    places.number()


def holds(places: Places, today: datetime.date) -> None:
    of = places.visit
    orders: list[list[SignUp]] = [*places.days.values(), places.waiting]
    # Never more to fly on a day than it has room for, and none on a day that is not the visit's.
    for day in places.days:
        rows = places.to_fly(day)
        assert len(rows) <= of.aircraft_per_day
        assert not rows or of.starts_on <= day <= of.ends_on
        assert all(row.day == day and row.state == SignUpState.PLACED for row in rows)
    # Nobody is lost or doubled: whoever stands is in just one order.
    listed = [row.pk for order in orders for row in order]
    standing = [
        row.pk
        for row in places.rows
        if row.state in (SignUpState.PLACED, SignUpState.WAITING, SignUpState.FLOWN)
    ]
    assert sorted(listed) == sorted(standing)
    # Places are numbered from 1 without a gap; whoever is out has none.
    for order in orders:
        assert [row.position for row in order] == list(range(1, len(order) + 1))
    out = [row for row in places.rows if row.pk not in listed]
    assert all(row.position is None for row in out)
    # Nobody waits while a place is free.
    assert not (places.waiting and places.free_days(today))
    # Those flown come first.
    for order in places.days.values():
        flown = [row.state == SignUpState.FLOWN for row in order]
        assert flown == sorted(flown, reverse=True)


@given(
    per_day=st.integers(1, 3),
    days=st.integers(1, 3),
    deeds=st.lists(st.tuples(st.sampled_from(DEEDS), st.integers(0, 11)), max_size=30),
)
@settings(max_examples=150, deadline=None)
def test_places_and_waiting_list_hold_whatever_happens(per_day: int, days: int, deeds: list[Any]):
    places = Places(visit(per_day, days), [])
    for deed, pick in deeds:
        do(places, deed, pick, FIRST)
        holds(places, FIRST)


@given(
    per_day=st.integers(1, 4),
    count=st.integers(0, 12),
    gone=st.lists(st.integers(0, 11), max_size=12),
)
@settings(max_examples=100, deadline=None)
def test_first_come_first_served(per_day: int, count: int, gone: list[int]):
    """Without the analyst's hand, whoever signed up earlier never waits behind a later one."""
    places = Places(visit(per_day, 2), [])
    for _ in range(count):
        do(places, "sign_up", 0, FIRST)
    for pick in gone:
        do(places, "cancel", pick, FIRST)
    came = [row for row in places.rows if row.state != SignUpState.CANCELLED]
    waiting = [row for row in came if row.state == SignUpState.WAITING]
    assert came[len(came) - len(waiting) :] == waiting == places.waiting


@given(st.integers(2, 6), st.integers(1, 3), st.integers(1, 3))
@settings(max_examples=60, deadline=None)
def test_less_room_sends_the_last_of_the_order_to_the_front_of_the_list(
    room: int, less: int, waiting: int
):
    places = Places(visit(room, 1), [])
    for _ in range(room + waiting):
        do(places, "sign_up", 0, FIRST)
    order, list_was = places.to_fly(FIRST), list(places.waiting)
    places.visit.aircraft_per_day = kept = max(1, room - less)
    lost = places.fit(FIRST)
    assert places.to_fly(FIRST) == order[:kept]
    assert lost == order[kept:]
    assert places.waiting == [*order[kept:], *list_was]


def test_places_move_along_with_the_visit():
    places = Places(visit(2, 2), [])
    for _ in range(4):
        do(places, "sign_up", 0, FIRST)
    before = [places.to_fly(FIRST), places.to_fly(FIRST + ONE_DAY)]
    places.visit.starts_on += ONE_DAY
    places.visit.ends_on += ONE_DAY
    assert places.fit(FIRST) == []
    assert [places.to_fly(FIRST + ONE_DAY), places.to_fly(FIRST + 2 * ONE_DAY)] == before


def test_an_order_made_before_somebody_came_and_somebody_flew_still_holds():
    places = Places(visit(4, 1), [])
    for _ in range(3):
        do(places, "sign_up", 0, FIRST)
    first, second, third = places.to_fly(FIRST)
    seen = [third.pk, first.pk, second.pk]
    places.fly(second, FIRST)
    do(places, "sign_up", 0, FIRST)
    late = places.to_fly(FIRST)[-1]
    places.arrange(FIRST, seen)
    assert places.days[FIRST] == [second, third, first, late]
