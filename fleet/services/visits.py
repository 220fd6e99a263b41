"""Visits: planned, changed, called off."""

from __future__ import annotations

import datetime
from collections.abc import Collection
from typing import Any
from uuid import UUID

from django.db import transaction
from django.utils import timezone

from fleet import audit, rules
from fleet.models import Operator, Person, SignUpState, Visit
from fleet.queries.clinics import LONGEST_VISIT_DAYS
from fleet.services import clinics, place_letters
from fleet.services.base import change, checked, refuse
from fleet.services.places import Places

SIGN_UP_FIELDS = ("aircraft_per_day", "first_slot_at", "slot_minutes", "sign_up_until")
COORDINATES = ("latitude_deg", "longitude_deg")
VISIT_FIELDS = (
    "kind",
    "place",
    "starts_on",
    "ends_on",
    "analyst",
    "host",
    "note",
    *COORDINATES,
    *SIGN_UP_FIELDS,
)
CANCELLED_FIELDS = ("cancelled_on", "cancelled_reason")
MOST_A_DAY = 60
SLOT_MINUTES = (5, 480)
DAY_MINUTES = 24 * 60
YEARS = range(1900, 2200)


@transaction.atomic
def plan_visit(
    *,
    by: Person,
    kind: str,
    place: str,
    starts_on: datetime.date,
    ends_on: datetime.date,
    analyst: Person,
    host: Operator | None = None,
    note: str = "",
    latitude_deg: float | None = None,
    longitude_deg: float | None = None,
    aircraft_per_day: int | None = None,
    first_slot_at: datetime.time | None = None,
    slot_minutes: int | None = None,
    sign_up_until: datetime.date | None = None,
) -> Visit:
    """Plan a clinic or a private visit. A clinic with `aircraft_per_day` has sign-up."""
    rules.allow(rules.may_plan_visits, by)
    visit = Visit(
        kind=kind,
        place=place,
        starts_on=starts_on,
        ends_on=ends_on,
        analyst=analyst,
        host=host,
        note=note,
        latitude_deg=latitude_deg,
        longitude_deg=longitude_deg,
        aircraft_per_day=aircraft_per_day,
        first_slot_at=first_slot_at,
        slot_minutes=slot_minutes,
        sign_up_until=sign_up_until,
    )
    _check(visit)
    visit.save(force_insert=True)
    audit.record(
        "visit_planned", visit, by=by, operator=host, after=audit.values(visit, VISIT_FIELDS)
    )
    return visit


@transaction.atomic
def change_visit(visit: Visit, *, by: Person, let_wait: bool = False, **changes: Any) -> bool:
    """Change a visit; places and waiting list follow. False when nothing differs.

    A change that leaves somebody without a place is refused, naming them, unless `let_wait` says
    that they go to the waiting list.
    """
    rules.allow(rules.may_plan_visits, by)
    refuse({name: ["Cannot be changed."] for name in changes if name not in VISIT_FIELDS})
    places = Places.locked(visit)
    first_day_was, room_was = visit.starts_on, _room(visit)
    wanted = Visit(**{f: changes.get(f, getattr(visit, f)) for f in VISIT_FIELDS})
    _check(wanted)
    _check_signed_up(wanted, places)
    changed = change(
        visit,
        deed="visit_changed",
        by=by,
        operator=visit.host,
        changes=changes,
        allowed=VISIT_FIELDS,
    )
    if _room(visit) != room_was:
        clinics.fit(places, by=by, first_day_was=first_day_was, let_wait=let_wait)
    return changed


@transaction.atomic
def call_off_visit(visit: Visit, *, by: Person, reason: str) -> None:
    """Call a visit off. Who had a place keeps it, for when the visit is put back on."""
    rules.allow(rules.may_plan_visits, by)
    places = Places.locked(visit)
    if visit.cancelled_on:
        refuse({"reason": [f"It was called off already on {visit.cancelled_on:%-d %B %Y}."]})
    reason = " ".join(reason.split())
    if not reason:
        refuse({"reason": ["Say why, for those who signed up."]})
    if visit.tests.exists():
        refuse({"reason": ["Tests were started on this visit, so it took place."]})
    change(
        visit,
        deed="visit_called_off",
        by=by,
        operator=visit.host,
        changes={"cancelled_on": timezone.localdate(), "cancelled_reason": reason},
        allowed=CANCELLED_FIELDS,
    )
    _tell_all(places, "called_off")


@transaction.atomic
def put_visit_back(visit: Visit, *, by: Person) -> bool:
    """Put a visit back on that was called off. False when it was not."""
    rules.allow(rules.may_plan_visits, by)
    places = Places.locked(visit)
    changed = change(
        visit,
        deed="visit_put_back",
        by=by,
        operator=visit.host,
        changes={"cancelled_on": None, "cancelled_reason": ""},
        allowed=CANCELLED_FIELDS,
    )
    if changed:
        waited = {row.pk for row in places.waiting}
        clinics.give_free_places(places, by=by)  # some may have come free meanwhile
        moved_up = waited - {row.pk for row in places.waiting}  # has a letter of its own
        _tell_all(places, "back_on", but=moved_up)
    return changed


def _tell_all(places: Places, what: str, *, but: Collection[UUID] = ()) -> None:
    """Tell everybody who has a place or waits for one."""
    there = (SignUpState.PLACED, SignUpState.WAITING)
    rows = [row for row in places.rows if row.state in there and row.pk not in but]
    place_letters.tell(places.visit, [(row, what) for row in rows])


def _room(visit: Visit) -> tuple[object, ...]:
    return (visit.starts_on, visit.ends_on, visit.aircraft_per_day)


def _check(visit: Visit) -> None:
    errors = {
        name: [f"Must be a year from {YEARS[0]} to {YEARS[-1]}."]
        for name in ("starts_on", "ends_on")
        if (day := getattr(visit, name)) and day.year not in YEARS
    }
    refuse(errors)
    if visit.starts_on and visit.ends_on and visit.ends_on < visit.starts_on:
        errors["ends_on"] = ["Must not be before the first day."]
    elif visit.starts_on and visit.ends_on and _days(visit) > LONGEST_VISIT_DAYS:
        errors["ends_on"] = [f"A visit has at most {LONGEST_VISIT_DAYS} days; plan another one."]
    if visit.kind == "private" and visit.host is None:
        errors["host"] = ["A private visit is for one operator; say which."]
    if visit.kind == "clinic" and visit.host is not None:
        errors["host"] = ["A clinic is for several operators; leave this empty."]
    if not visit.analyst.is_analyst:
        errors["analyst"] = ["Must be an analyst."]
    if (visit.latitude_deg is None) != (visit.longitude_deg is None):
        missing = "latitude_deg" if visit.latitude_deg is None else "longitude_deg"
        errors[missing] = ["Give latitude and longitude, or neither."]
    errors |= _sign_up_errors(visit)
    refuse(errors)
    checked(visit, **{name: getattr(visit, name) for name in COORDINATES})


def _days(visit: Visit) -> int:
    return (visit.ends_on - visit.starts_on).days + 1


def _sign_up_errors(visit: Visit) -> dict[str, list[str]]:
    errors = {}
    most, minutes, first = visit.aircraft_per_day, visit.slot_minutes, visit.first_slot_at
    if most is not None and not 1 <= most <= MOST_A_DAY:
        errors["aircraft_per_day"] = [f"Must be from 1 to {MOST_A_DAY}."]
    if visit.kind == "private" and most is not None:
        errors["aircraft_per_day"] = ["A private visit has no sign-up; leave this empty."]
    if visit.sign_up_until is not None:
        if most is None:
            errors["sign_up_until"] = ["Say how many aircraft a day has room for, too."]
        elif visit.ends_on and visit.sign_up_until > visit.ends_on:
            errors["sign_up_until"] = ["Must not be after the last day."]
    least, longest = SLOT_MINUTES
    if minutes is not None and not least <= minutes <= longest:
        errors["slot_minutes"] = [f"Must be from {least} to {longest} minutes."]
    elif (minutes is None) != (first is None):
        missing = "slot_minutes" if minutes is None else "first_slot_at"
        errors[missing] = ["Give the time of the first aircraft and the minutes for each."]
    elif first and minutes and most:
        last = first.hour * 60 + first.minute + minutes * (most - 1)
        if last >= DAY_MINUTES:
            errors["slot_minutes"] = [f"The last of {most} aircraft would fly after midnight."]
    return errors


def _check_signed_up(visit: Visit, places: Places) -> None:
    """Whoever is signed up must not be left without an answer by another kind of visit."""
    standing = [row for row in places.rows if row.state != SignUpState.CANCELLED]
    if visit.host_id is not None:
        others = [row for row in standing if row.operator_id != visit.host_id]
        if others:
            who = ", ".join(f"{row.aircraft} ({row.operator})" for row in others)
            refuse({"host": [f"Others are signed up: {who}. Call those off first."]})
    if visit.aircraft_per_day is None and places.waiting:
        count = len(places.waiting)
        says = f"{count} on the waiting list; sign-up cannot be done away with. Lower the number."
        refuse({"aircraft_per_day": [says]})
