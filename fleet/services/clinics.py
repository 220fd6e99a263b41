"""Sign-up for visits, and the running order of the day.

Every deed locks the visit's row first. Whoever frees a place gives it to the first on the waiting
list in the same deed.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Mapping, Sequence
from uuid import UUID

from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.utils import timezone

from fleet import audit, rules
from fleet.models import Aircraft, Person, SignUp, SignUpState, Test, Visit
from fleet.queries.clinics import day_of, days_of, ordinal, span_of, why_closed
from fleet.services import place_letters
from fleet.services.base import checked, refuse
from fleet.services.places import Places

SIGN_UP_FIELDS = ("state", "day", "position")


@transaction.atomic
def sign_up(
    *,
    by: Person,
    visit: Visit,
    aircraft: Aircraft,
    wish: str = "",
    day: datetime.date | None = None,
) -> SignUp:
    """Sign an aircraft up for a visit; on the waiting list when all places are taken.

    Owners sign up their own aircraft while sign-up is open; staff and analysts any aircraft until
    the visit is over. Without `day` it gets the first day with a free place.
    """
    rules.allow(rules.may_sign_up, by)
    _only_own(by, aircraft.operator_id)
    places = Places.locked(visit)
    _check_visit(by, visit)
    _check_aircraft(visit, aircraft)
    _check_once(places, aircraft)
    row = SignUp(
        operator=aircraft.operator,
        visit=visit,
        aircraft=aircraft,
        wish=" ".join(wish.split()),
        state=SignUpState.WAITING,
        signed_up_by=by,
    )
    checked(row)
    places.add(row)
    wanted = _day_for(places, day)
    if wanted is None:
        places.wait(row)
    else:
        places.place(row, wanted)
    places.save()
    _record("signed_up", row, by=by, wish=row.wish)
    return row


@transaction.atomic
def cancel(sign_up: SignUp, *, by: Person) -> SignUp:
    """Call a sign-up off; the first on the waiting list gets the place."""
    rules.allow(rules.may_sign_up, by)
    _only_own(by, sign_up.operator_id)
    places = Places.locked(sign_up.visit)
    row = places.row(sign_up)
    _check_standing(row, SignUpState.PLACED, SignUpState.WAITING, SignUpState.ABSENT)
    before = _values(row)
    places.end(row, SignUpState.CANCELLED)
    give_free_places(places, by=by)
    _record("sign_up_cancelled", row, by=by, before=before)
    return row


@transaction.atomic
def mark_absent(sign_up: SignUp, *, by: Person) -> SignUp:
    """Note that an aircraft did not come; the first on the waiting list gets the place."""
    rules.allow(rules.may_run_day, by)
    places = Places.locked(sign_up.visit)
    row = places.row(sign_up)
    _check_standing(row, SignUpState.PLACED, SignUpState.WAITING)
    before = _values(row)
    places.end(row, SignUpState.ABSENT)
    give_free_places(places, by=by)
    _record("sign_up_absent", row, by=by, before=before)
    return row


@transaction.atomic
def mark_flown(sign_up: SignUp, *, by: Person) -> SignUp:
    """Note that an aircraft has flown. Starting its test does this by itself."""
    rules.allow(rules.may_run_day, by)
    places = Places.locked(sign_up.visit)
    row = places.row(sign_up)
    _check_standing(row, SignUpState.PLACED, SignUpState.WAITING, SignUpState.ABSENT)
    _fly(places, row, _today_on(places.visit), by)
    return row


@transaction.atomic
def put_back(sign_up: SignUp, *, by: Person) -> SignUp:
    """Take back that an aircraft flew or did not come: it is the next to fly.

    Where its place was given away meanwhile, it is the first on the waiting list.
    """
    rules.allow(rules.may_run_day, by)
    places = Places.locked(sign_up.visit)
    row = places.row(sign_up)
    _check_standing(row, SignUpState.FLOWN, SignUpState.ABSENT)
    before, day = _values(row), row.day
    places.end(row, SignUpState.ABSENT)
    if day in places.days and places.room(day):
        others = [other.pk for other in places.to_fly(day)]
        places.place(row, day)
        places.arrange(day, [row.pk, *others])
    else:
        places.wait(row, first=True)
    give_free_places(places, by=by)
    _record("sign_up_put_back", row, by=by, before=before)
    return row


@transaction.atomic
def reorder(visit: Visit, *, by: Person, day: datetime.date, order: Sequence[UUID]) -> bool:
    """Put those to fly on a day in the order of the keys. False when nothing differs.

    A list that was made before somebody flew, came or called off still holds: keys no longer to
    fly are passed over, and whoever is missing from it comes behind.
    """
    rules.allow(rules.may_run_day, by)
    places = Places.locked(visit)
    if day not in places.days:
        refuse({"day": [f"Must be a day of the visit, {span_of(visit)}."]})
    known = {row.pk for row in places.rows}
    unknown = [str(key) for key in order if key not in known]
    if unknown:
        refuse({"order": [f"Not signed up for this visit: {', '.join(unknown)}."]})
    before = [str(row.pk) for row in places.to_fly(day)]
    places.arrange(day, order)
    after = [str(row.pk) for row in places.to_fly(day)]
    if before == after:
        return False
    give_free_places(places, by=by)
    audit.record(
        "order_changed",
        visit,
        by=by,
        operator=visit.host,
        before={"day": str(day), "order": before},
        after={"day": str(day), "order": after},
    )
    return True


@transaction.atomic
def move_before(sign_up: SignUp, *, by: Person, other: SignUp) -> bool:
    """Move an aircraft directly before another one of the same day. False if it is there already.

    It means the same whatever somebody else moved meanwhile.
    """
    rules.allow(rules.may_run_day, by)
    places = Places.locked(sign_up.visit)
    row = places.row(sign_up)
    day = row.day
    there = [one.pk for one in places.to_fly(day)] if day else []
    if row.pk not in there or other.pk not in there:
        refuse({"other": [f"{row.aircraft} and {other.aircraft} are not both to fly on one day."]})
    if day is None or row.pk == other.pk:
        return False
    keys = [key for key in there if key != row.pk]
    keys.insert(keys.index(other.pk), row.pk)
    return reorder(places.visit, by=by, day=day, order=keys)


@transaction.atomic
def move_to_day(sign_up: SignUp, *, by: Person, day: datetime.date) -> bool:
    """Give an aircraft a place on another day, or one from the waiting list. False if it has it."""
    rules.allow(rules.may_run_day, by)
    places = Places.locked(sign_up.visit)
    row = places.row(sign_up)
    _check_standing(row, SignUpState.PLACED, SignUpState.WAITING)
    if row.state == SignUpState.PLACED and row.day == day:
        return False
    before = _values(row)
    wanted = _day_for(places, day)
    if wanted is None:
        refuse({"day": [f"{day_of(day)} is full."]})
    places.place(row, day)
    give_free_places(places, by=by)
    _record("sign_up_moved", row, by=by, before=before)
    what = "moved_up" if before["state"] == SignUpState.WAITING else "moved"
    place_letters.tell(places.visit, [(row, what)])
    return True


def note_flown(test: Test, *, by: Person) -> None:
    """Note an aircraft as flown whose test has begun, within the deed that began it."""
    places = Places.locked(test.visit)
    row = places.of_aircraft(test.setup.aircraft_id)
    if row is not None and row.state != SignUpState.FLOWN:
        _fly(places, row, test.flown_on, by)


def fit(
    places: Places, *, by: Person, first_day_was: datetime.date, let_wait: bool
) -> list[SignUp]:
    """Fit the sign-ups to a visit that was changed; return who has no place any more.

    Raises ValidationError naming them unless `let_wait` says that they are to wait.
    """
    before = {row.pk: _values(row) for row in places.rows}
    places.fit(first_day_was)
    # Who lost a place on one day may get one on another.
    moved = [] if places.visit.cancelled_on else places.move_up(timezone.localdate())
    lost = [row for row in places.waiting if before[row.pk]["state"] == SignUpState.PLACED]
    if lost and not let_wait:
        refuse({"aircraft_per_day": [_said_before(lost)]})
    places.save()
    for row in lost:
        _record("sign_up_waits", row, by=by, before=before[row.pk])
    for row in moved:
        deed = "sign_up_moved_up" if before[row.pk]["state"] == "waiting" else "sign_up_moved"
        _record(deed, row, by=by, before=before[row.pk])
    place_letters.tell(places.visit, list(_news(places, before)))
    return lost


def _news(places: Places, before: Mapping[UUID, dict[str, object]]) -> Iterator[tuple[SignUp, str]]:
    """Yield whose place is another than before, and how."""
    for row in places.rows:
        was, now = before[row.pk], _values(row)
        if row.state == SignUpState.WAITING and was["state"] == SignUpState.PLACED:
            yield row, "waits"
        elif row.state == SignUpState.PLACED and was["state"] == SignUpState.WAITING:
            yield row, "moved_up"
        elif row.state == SignUpState.PLACED and was["day"] != now["day"]:
            yield row, "moved"


def give_free_places(places: Places, *, by: Person) -> None:
    """Give free places to those who wait, the first first, and write all changes."""
    before = {row.pk: _values(row) for row in places.waiting}
    moved = [] if places.visit.cancelled_on else places.move_up(timezone.localdate())
    places.save()
    for row in moved:
        _record("sign_up_moved_up", row, by=by, before=before[row.pk])
    place_letters.tell(places.visit, [(row, "moved_up") for row in moved])


def _said_before(lost: Sequence[SignUp]) -> str:
    who = ", ".join(f"{row.aircraft} ({row.operator})" for row in lost)
    if len(lost) == 1:
        return (
            f"There is no place for {who} then; it goes to the waiting list. Agree to that first."
        )
    return f"There is no place for {who} then; they go to the waiting list. Agree to that first."


def _fly(places: Places, row: SignUp, day: datetime.date, by: Person) -> None:
    before = _values(row)
    places.fly(row, day)
    give_free_places(places, by=by)
    _record("sign_up_flown", row, by=by, before=before)


def _day_for(places: Places, asked: datetime.date | None) -> datetime.date | None:
    """Return the day to be had; None when the visit is full."""
    free = places.free_days(timezone.localdate())
    if asked is None or asked in free:
        return asked or (free[0] if free else None)
    if asked not in days_of(places.visit):
        refuse({"day": [f"Must be a day of the visit, {span_of(places.visit)}."]})
    if free:
        says = ", ".join(day_of(day) for day in free)
        refuse(
            {"day": [f"{day_of(asked)} has no free place any more. There are places on {says}."]}
        )
    return None


def _only_own(by: Person, operator_id: UUID) -> None:
    if not by.sees_everyone and by.operator_id != operator_id:
        raise PermissionDenied("This aircraft is another operator's.")


def _check_visit(by: Person, visit: Visit) -> None:
    closed = why_closed(visit)
    lasting = visit.cancelled_on is None and visit.ends_on >= timezone.localdate()
    if closed and not (lasting and by.sees_everyone):
        refuse({"visit": [closed]})


def _check_aircraft(visit: Visit, aircraft: Aircraft) -> None:
    operator = aircraft.operator
    errors = []
    if aircraft.retired_on:
        errors.append(f"{aircraft} has been out of service since {day_of(aircraft.retired_on)}.")
    if operator.left_on and operator.left_on <= max(visit.starts_on, timezone.localdate()):
        errors.append(f"{operator} leaves or left the association on {day_of(operator.left_on)}.")
    if visit.host_id is not None and visit.host_id != aircraft.operator_id:
        errors.append("This visit is private, for another operator.")
    refuse({"aircraft": errors} if errors else {})


def _check_once(places: Places, aircraft: Aircraft) -> None:
    there = places.of_aircraft(aircraft.pk)
    if there is None:
        return
    where = {
        SignUpState.PLACED: f"its place is {ordinal(there.position or 0)} on {day_of(there.day)}",
        SignUpState.WAITING: f"it is {ordinal(there.position or 0)} on the waiting list",
    }.get(SignUpState(there.state), there.get_state_display().lower())
    refuse({"aircraft": [f"{aircraft} is signed up already: {where}."]})


def _check_standing(row: SignUp, *states: str) -> None:
    if row.state not in states:
        says = f"{row.aircraft} is noted as “{row.get_state_display().lower()}” meanwhile."
        refuse({"state": [says]})


def _today_on(visit: Visit) -> datetime.date:
    return min(max(timezone.localdate(), visit.starts_on), visit.ends_on)


def _values(row: SignUp) -> dict[str, object]:
    return audit.values(row, SIGN_UP_FIELDS)


def _record(deed: str, row: SignUp, *, by: Person, before: object = None, **more: object) -> None:
    audit.record(
        deed,
        row,
        by=by,
        operator=row.operator,
        before=before,  # type: ignore[arg-type]
        after={**_values(row), **more},
    )
