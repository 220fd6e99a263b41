"""A person's calendar (RFC 5545) behind a secret address: visits, due days, filing deadlines."""

from __future__ import annotations

import datetime
import hashlib
from collections.abc import Iterator

from django.conf import settings
from django.db.models import Q
from django.urls import reverse
from django.utils import timezone
from icalendar import Calendar, Event, Timezone

from fleet.models import CalendarFeed, Filing, Person
from fleet.queries.calendars import events_of
from fleet.queries.duties import Duty, duties
from fleet.queries.filings import due_where_asked, filings_of, open_filings
from fleet.queries.whose import visits_of

PRODUCT = "-//Swathbook//Calendar//EN"
KEPT_BACK = datetime.timedelta(days=60)
AHEAD = datetime.timedelta(days=550)
LOOK_AGAIN = datetime.timedelta(hours=12)
ONE_DAY = datetime.timedelta(days=1)


def digest_of(secret: str) -> str:
    """Return the SHA-256 under which a secret is kept."""
    return hashlib.sha256(secret.encode()).hexdigest()


def owner_of(secret: str) -> Person | None:
    """Return the person whose calendar a secret opens; None for what opens nothing."""
    feed = CalendarFeed.objects.select_related("person__operator").filter(
        secret_digest=digest_of(secret), person__is_active=True
    )
    found = feed.first()
    return found.person if found else None


def calendar_kept(person: Person) -> CalendarFeed | None:
    """Return the address that a person has, without its secret; None where there is none."""
    return CalendarFeed.objects.filter(person=person).first()


def address_of(secret: str) -> str:
    """Return the whole address that a calendar program is given."""
    return f"{settings.PUBLIC_ADDRESS}{reverse('calendar-feed', args=[secret])}"


def feed_of(person: Person) -> bytes:
    """Return the calendar of a person. The tenancy scope must be the person's."""
    today = timezone.localdate()
    # No METHOD: a program that keeps looking is shown how things stand, it is sent no messages.
    # Name and rhythm as in RFC 7986, 5.1 and 5.7; X-WR-CALNAME is what most programs read.
    calendar = Calendar.new(prodid=PRODUCT, name="Swathbook", refresh_interval=LOOK_AGAIN)
    calendar["REFRESH-INTERVAL"].params["VALUE"] = "DURATION"
    calendar["X-WR-CALNAME"] = "Swathbook"
    del calendar["UID"]  # another one each time would say that it is another calendar
    soon = Q(ends_on__gte=today - KEPT_BACK, starts_on__lte=today + AHEAD)
    visits = list(visits_of(person).filter(soon).order_by("starts_on", "id"))
    for event in events_of(person, visits):
        calendar.add_component(event)
    for event in _due(person, today):
        calendar.add_component(event)
    for event in _deadlines(person):
        calendar.add_component(event)
    calendar.add_missing_timezones(today - KEPT_BACK, today + AHEAD)
    if not calendar.subcomponents:  # there must be one (RFC 5545, 3.6)
        calendar.add_component(Timezone.from_tzid(settings.TIME_ZONE))
    data: bytes = calendar.to_ical()
    return data


def _due(person: Person, today: datetime.date) -> Iterator[Event]:
    """The day by which each aircraft must be tested, under each rule."""
    for duty in duties(person):
        if duty.due_on is None or duty.state not in ("met", "due_soon", "overdue"):
            continue
        if duty.due_on > today + AHEAD:
            continue
        yield _day(
            f"due-{duty.aircraft.pk}-{duty.requirement.pk}",
            duty.due_on,
            f"{duty.aircraft}: {'test overdue' if duty.state == 'overdue' else 'test due'}",
            _words(duty),
            reverse("aircraft", args=[duty.aircraft.pk]),
        )


def _words(duty: Duty) -> str:
    return "\n".join([str(duty.requirement), *duty.why])


def _deadlines(person: Person) -> Iterator[Event]:
    for filing in open_filings(filings_of(person)).filter(due_at__isnull=False):
        yield _deadline(filing)


def _deadline(filing: Filing) -> Event:
    due = due_where_asked(filing)
    assert due is not None
    return _day(
        f"filing-{filing.pk}",
        due.date(),
        f"Send {filing.what} to {filing.jurisdiction}",
        f"{filing.what} must have been sent by {due:%-d %B, %H:%M} {due.tzname()}.",
        reverse("filing", args=[filing.pk]),
    )


def _day(uid: str, day: datetime.date, summary: str, words: str, address: str) -> Event:
    """An event of one whole day that leaves the day free (RFC 5545, 3.8.2.7)."""
    event = Event()
    event.add("UID", f"{uid}@swathbook")
    event.add("DTSTAMP", timezone.now().astimezone(datetime.UTC))
    event.add("DTSTART", day)
    event.add("DTEND", day + ONE_DAY)
    event.add("SUMMARY", summary)
    event.add("DESCRIPTION", words)
    event.add("TRANSP", "TRANSPARENT")
    event.add("URL", settings.PUBLIC_ADDRESS + address)
    return event
