"""Sign-up for clinics: which are open, how many places are left, who has which place and when."""

from __future__ import annotations

import datetime
from collections.abc import Iterable
from dataclasses import dataclass
from uuid import UUID

from django.db.models import Count, F, Q, QuerySet
from django.utils import timezone

from fleet import tenancy
from fleet.models import Person, SignUp, SignUpState, Visit, VisitKind

LONGEST_VISIT_DAYS = 60  # `services.visits` plans none that is longer


def days_of(visit: Visit) -> list[datetime.date]:
    """Return the days of a visit, never more than the longest may have."""
    length = min((visit.ends_on - visit.starts_on).days + 1, LONGEST_VISIT_DAYS)
    return [visit.starts_on + datetime.timedelta(days=day) for day in range(length)]


def closes_on(visit: Visit) -> datetime.date:
    """Return the last day on which operators sign up: the one set, or else the first day."""
    return visit.sign_up_until or visit.starts_on


def open_for_sign_up(today: datetime.date) -> Q:
    """Return the condition for clinics that operators may sign up for today."""
    return Q(
        kind=VisitKind.CLINIC,
        aircraft_per_day__isnull=False,
        cancelled_on__isnull=True,
        ends_on__gte=today,
    ) & (Q(sign_up_until__gte=today) | Q(sign_up_until__isnull=True, starts_on__gte=today))


def why_closed(visit: Visit, *, today: datetime.date | None = None) -> str:
    """Say in a sentence why operators cannot sign up; "" when they can."""
    today = today or timezone.localdate()
    if visit.cancelled_on:
        return (
            f"This visit was called off on {day_of(visit.cancelled_on)}: {visit.cancelled_reason}"
        )
    if visit.ends_on < today:
        return f"This visit ended on {day_of(visit.ends_on)}."
    if visit.kind != VisitKind.CLINIC or visit.aircraft_per_day is None:
        return "This visit has no sign-up; the analyst says who flies."
    if closes_on(visit) < today:
        return f"Sign-up closed on {day_of(closes_on(visit))}. Ask the analyst."
    return ""


def slot_at(visit: Visit, day: datetime.date, position: int) -> datetime.datetime | None:
    """Return about when an aircraft's turn is, in the service's zone; None without slots."""
    if visit.first_slot_at is None or visit.slot_minutes is None:
        return None
    # Added up as an instant: an hour that the clock skips or repeats changes nothing.
    zone = timezone.get_current_timezone()
    first = datetime.datetime.combine(day, visit.first_slot_at, tzinfo=zone)
    after = datetime.timedelta(minutes=visit.slot_minutes * (position - 1))
    return (first.astimezone(datetime.UTC) + after).astimezone(zone)


@dataclass(frozen=True, slots=True)
class PlacesLeft:
    """How many places a visit has from today on, how many of them are free, how many wait."""

    total: int
    free: int
    waiting: int


def places_left(
    visits: Iterable[Visit], *, today: datetime.date | None = None
) -> dict[UUID, PlacesLeft]:
    """Return the places of visits with a capacity, by key: two numbers and nobody's name.

    One query for all visits. It counts the rows of all operators, so it gives nothing else.
    """
    today = today or timezone.localdate()
    visits = [visit for visit in visits if visit.aircraft_per_day is not None]
    with tenancy.everyone():
        counted = (
            SignUp.objects.filter(visit__in=[visit.pk for visit in visits])
            .filter(state__in=(SignUpState.PLACED, SignUpState.FLOWN, SignUpState.WAITING))
            .order_by()
            .values_list("visit", "day")
            .annotate(count=Count("id"))
        )
        taken = {(visit, day): count for visit, day, count in counted}
    found = {}
    for visit in visits:
        most = visit.aircraft_per_day or 0
        days = [day for day in days_of(visit) if day >= today]
        free = sum(max(0, most - taken.get((visit.pk, day), 0)) for day in days)
        found[visit.pk] = PlacesLeft(most * len(days), free, taken.get((visit.pk, None), 0))
    return found


def sign_ups_of(person: Person) -> QuerySet[SignUp]:
    """Sign-ups a person may see, with aircraft and visit, by day and place."""
    rows = SignUp.objects.select_related("aircraft", "operator", "visit__analyst", "signed_up_by")
    ordered = rows.order_by(
        "visit__starts_on",
        "visit_id",
        F("day").asc(nulls_last=True),
        F("position").asc(nulls_last=True),
        "id",
    )
    if person.sees_everyone:
        return ordered
    return ordered.filter(operator=person.operator_id) if person.operator_id else ordered.none()


@dataclass(frozen=True, slots=True)
class Turn:
    """A sign-up as its operator reads it: the place, and about when its turn is."""

    sign_up: SignUp
    at: datetime.datetime | None

    @property
    def ordinal(self) -> str:
        """Return the place or the waiting number as one says it: 3rd."""
        return ordinal(self.sign_up.position or 0)

    @property
    def words(self) -> str:
        """Say where it stands in one line."""
        row = self.sign_up
        if row.state == SignUpState.WAITING:
            return f"{self.ordinal} on the waiting list"
        if row.state != SignUpState.PLACED:
            return row.get_state_display()
        about = f", about {self.at:%H:%M}" if self.at else ""
        return f"{self.ordinal} on {row.day:%-d %B}{about}"


def turns(rows: Iterable[SignUp]) -> list[Turn]:
    """Return sign-ups (with their visits loaded) as their operators read them."""
    return [
        Turn(
            row,
            slot_at(row.visit, row.day, row.position)
            if row.state == SignUpState.PLACED and row.day and row.position
            else None,
        )
        for row in rows
    ]


def ordinal(number: int) -> str:
    """Write a place in an order: 1st, 2nd, 11th."""
    last = "th" if 10 <= number % 100 <= 20 else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{last}"


def span_of(visit: Visit) -> str:
    """Write when a visit is: one day, or the first to the last."""
    if visit.starts_on == visit.ends_on:
        return day_of(visit.starts_on)
    return f"{day_of(visit.starts_on)} to {day_of(visit.ends_on)}"


def day_of(date: datetime.date | None) -> str:
    """Write a date as people say it; a dash for none."""
    return f"{date:%-d %B %Y}" if date else "–"
