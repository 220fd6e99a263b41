"""A visit as a calendar file (RFC 5545): for staff and analysts the visit, for an operator theirs.

An operator who signed up gets one event for each aircraft, at its slot; nobody gets anything of
others. Whoever opens a later file of the same visit gets the same events brought up to date: the
keys stay (UID) and SEQUENCE counts what was changed.
"""

from __future__ import annotations

import datetime
from collections import Counter, defaultdict
from collections.abc import Sequence
from email.utils import parseaddr
from typing import Any

from django.conf import settings
from django.urls import reverse
from django.utils import timezone
from icalendar import Calendar, Event, vCalAddress

from fleet import tenancy
from fleet.models import AuditRow, Person, SignUp, SignUpState, Visit
from fleet.queries.clinics import Turn, sign_ups_of, turns

PRODUCT = "-//Swathbook//Visits//EN"
STATUS = {
    SignUpState.PLACED: "CONFIRMED",
    SignUpState.FLOWN: "CONFIRMED",
    SignUpState.WAITING: "TENTATIVE",
    SignUpState.ABSENT: "CANCELLED",
    SignUpState.CANCELLED: "CANCELLED",
}
ONE_DAY = datetime.timedelta(days=1)


def calendar_of(person: Person, visit: Visit) -> bytes:
    """Return the calendar file of a visit as a person may see it."""
    events = events_of(person, [visit])
    whole_is_off = all(event["STATUS"] == "CANCELLED" for event in events)
    # Without people to answer it is an announcement (RFC 5546, 3.2.1), or its end (3.2.5).
    calendar = Calendar.new(prodid=PRODUCT, method="CANCEL" if whole_is_off else "PUBLISH")
    for event in events:
        calendar.add_component(event)
    years = datetime.timedelta(days=366)
    calendar.add_missing_timezones(visit.starts_on - years, visit.ends_on + years)
    data: bytes = calendar.to_ical()
    return data


def events_of(person: Person, visits: Sequence[Visit]) -> list[Event]:
    """Return the events of visits as a person may see them: three queries for all of them."""
    mine: dict[Any, list[Turn]] = defaultdict(list)
    if not person.sees_everyone:
        for turn in turns(sign_ups_of(person).filter(visit__in=visits)):
            mine[turn.sign_up.visit_id].append(turn)
    changes = _changes(visits)
    events = []
    for visit in visits:
        for event in [_slot(visit, turn) for turn in mine[visit.pk]] or [_whole(visit)]:
            event.add("SEQUENCE", changes[visit.pk])
            event.add("DTSTAMP", timezone.now().astimezone(datetime.UTC))
            event["ORGANIZER"] = _organizer(visit)
            event.add("LOCATION", visit.place)
            if visit.latitude_deg is not None and visit.longitude_deg is not None:
                event.add("GEO", (visit.latitude_deg, visit.longitude_deg))
            event.add("URL", settings.PUBLIC_ADDRESS + reverse("visit", args=[visit.pk]))
            events.append(event)
    return events


def _whole(visit: Visit) -> Event:
    """The visit from its first day to its last."""
    event = Event()
    event.add("UID", str(visit.pk))
    event.add("SUMMARY", f"{_kind(visit)}, {visit.place}")
    _days(event, visit.starts_on, visit.ends_on)
    event.add("STATUS", "CANCELLED" if visit.cancelled_on else "CONFIRMED")
    _describe(event, visit)
    return event


def _slot(visit: Visit, turn: Turn) -> Event:
    """One aircraft's turn: its slot, or its day, or the days on which it waits for a place."""
    row = turn.sign_up
    event = Event()
    event.add("UID", str(row.pk))
    event.add("SUMMARY", f"{row.aircraft}: {_kind(visit).lower()}, {visit.place}")
    if turn.at is not None and visit.slot_minutes is not None:
        event.add("DTSTART", turn.at)
        event.add("DTEND", _later(turn.at, visit.slot_minutes))
    elif row.day is not None:
        _days(event, row.day, row.day)
    else:
        _days(event, visit.starts_on, visit.ends_on)
    event.add("STATUS", "CANCELLED" if visit.cancelled_on else STATUS[SignUpState(row.state)])
    _describe(event, visit, f"{row.aircraft}: {turn.words}.")
    return event


def _later(moment: datetime.datetime, minutes: int) -> datetime.datetime:
    """Return a moment so many minutes later, whatever the clock does meanwhile."""
    instant = moment.astimezone(datetime.UTC) + datetime.timedelta(minutes=minutes)
    return instant.astimezone(moment.tzinfo)


def _days(event: Event, first: datetime.date, last: datetime.date) -> None:
    """Whole days; the end is the day after (RFC 5545, 3.6.1)."""
    event.add("DTSTART", first)
    event.add("DTEND", last + ONE_DAY)


def _describe(event: Event, visit: Visit, *lines: str) -> None:
    off = f"Called off: {visit.cancelled_reason}" if visit.cancelled_on else ""
    said = [off, *lines, f"Analyst: {visit.analyst.name}", visit.note]
    event.add("DESCRIPTION", "\n".join(line for line in said if line))


def _kind(visit: Visit) -> str:
    if visit.host is not None:
        return f"Pattern tests at {visit.host}"
    return "Pattern test clinic"


def _organizer(visit: Visit) -> vCalAddress:
    """The service's own address with the analyst's name: theirs is not for everybody."""
    _, address = parseaddr(settings.DEFAULT_FROM_EMAIL)
    organizer = vCalAddress(f"mailto:{address}")
    organizer.params["CN"] = visit.analyst.name
    return organizer


def _changes(visits: Sequence[Visit]) -> dict[Any, int]:
    """Count what was done to visits and to their orders since they were planned: it never falls."""
    with tenancy.everyone():  # a place moves when others come and go; only their number is told
        visit_of: dict[Any, Any] = {visit.pk: visit.pk for visit in visits}
        visit_of |= dict(SignUp.objects.filter(visit__in=visits).values_list("pk", "visit_id"))
        rows = AuditRow.objects.filter(
            subject_kind__in=("visit", "signup"), subject_id__in=list(visit_of)
        ).values_list("subject_id", flat=True)
        counted = Counter(visit_of[key] for key in rows)
    return {visit.pk: max(0, counted[visit.pk] - 1) for visit in visits}
