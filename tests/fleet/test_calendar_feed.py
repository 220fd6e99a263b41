"""Calendars of persons: RFC 5545, read back by the icalendar library, and whose they are.

The sections named are those of RFC 5545 (names and refresh: RFC 7986).
"""

from __future__ import annotations

import datetime
import re
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from icalendar import Calendar

from fleet import tenancy
from fleet.models import AuditRow, CalendarFeed, Person
from fleet.services import clinics, feeds, visits
from fleet.services import requirements as rules_of
from tests.cast import Cast, make_aircraft

pytestmark = pytest.mark.django_db


def address(person: Person) -> str:
    return f"/calendar/{feeds.renew_calendar(person)}.ics"


def read(url: str) -> bytes:
    answer = Client().get(url)
    assert answer.status_code == 200
    assert answer["Content-Type"] == "text/calendar; charset=utf-8"
    assert answer["Cache-Control"] == "private"
    return bytes(answer.content)


def events(data: bytes) -> list[Any]:
    return list(Calendar.from_ical(data).walk("VEVENT"))


def summaries(data: bytes) -> set[str]:
    return {str(event["SUMMARY"]) for event in events(data)}


def busy(cast: Cast, number: int = 1) -> None:
    """A rule, an aircraft of each operator under it, and a clinic with both at slots."""
    day = timezone.localdate() + datetime.timedelta(days=number)
    if number == 1:
        rules_of.add_requirement(
            by=cast.staff,
            jurisdiction=cast.state,
            name="Pattern test",
            effective_from=rules_of.today_in(cast.state),
            source="Invented for tests.",
            rhythm="once",
        )
    clinic = visits.plan_visit(
        by=cast.analyst,
        kind="clinic",
        place=f"Strip {number}, “Süd”, " + "a long way out of any town " * 3,
        starts_on=day,
        ends_on=day,
        analyst=cast.analyst,
        first_slot_at=datetime.time(7, 30),
        slot_minutes=20,
        aircraft_per_day=9,
    )
    for operator in (cast.operator, cast.other_operator):
        aircraft = make_aircraft(cast, operator, number)
        clinics.sign_up(by=cast.staff, visit=clinic, aircraft=aircraft)


@pytest.fixture
def season(cast: Cast) -> Cast:
    with tenancy.everyone():
        busy(cast)
    return cast


@pytest.mark.parametrize("role", ["staff", "analyst", "owner", "pilot", "checker"])
def test_the_file_keeps_the_rules(season: Cast, role: str):
    data = read(address(season.everybody[role]))
    # 3.1: lines end in CRLF and are no longer than 75 octets.
    assert data.endswith(b"\r\n")
    lines = data.split(b"\r\n")
    assert not any(b"\n" in line or b"\r" in line for line in lines)
    assert max(len(line) for line in lines) <= 75
    data.decode("utf-8")  # 3.1.4
    calendar = Calendar.from_ical(data)
    # 3.6, 3.7.3 and 3.7.4: PRODID and VERSION, once each, and VERSION is 2.0.
    assert (data.count(b"\r\nPRODID:"), data.count(b"\r\nVERSION:2.0\r\n")) == (1, 1)
    assert calendar.subcomponents  # 3.6: at least one component
    assert "METHOD" not in calendar  # 3.7.2: without it, it is a picture of how things stand
    assert b"\r\nREFRESH-INTERVAL;VALUE=DURATION:PT12H\r\n" in data  # RFC 7986, 5.7
    found = events(data)
    assert found or role == "checker"
    # 3.8.4.7: UIDs are unique.
    uids = [str(event["UID"]) for event in found]
    assert len(set(uids)) == len(uids)
    used = set()
    for event in found:
        stamp = event["DTSTAMP"].dt  # 3.8.7.2: in UTC
        assert stamp.utcoffset() == datetime.timedelta()
        start, end = event["DTSTART"].dt, event["DTEND"].dt
        assert type(start) is type(end)  # 3.8.2.2: the same value type
        assert end > start
        if isinstance(start, datetime.datetime):
            used.add(event["DTSTART"].params["TZID"])
    # 3.6.5 and 3.2.19: each TZID has its VTIMEZONE.
    assert used <= {str(zone["TZID"]) for zone in calendar.walk("VTIMEZONE")}
    assert bool(used) == (role in ("owner", "pilot"))


def test_what_is_in_it(season: Cast):
    data = read(address(season.owner))
    due = [event for event in events(data) if str(event["UID"]).startswith("due-")]
    assert [str(one["SUMMARY"]) for one in due] == ["XX-R01: test overdue"]
    [due_event] = due
    assert due_event["TRANSP"] == "TRANSPARENT"  # 3.8.2.7
    assert due_event["DTEND"].dt - due_event["DTSTART"].dt == datetime.timedelta(days=1)
    assert "Pattern test" in due_event["DESCRIPTION"]
    [slot] = [event for event in events(data) if isinstance(event["DTSTART"].dt, datetime.datetime)]
    assert timezone.localtime(slot["DTSTART"].dt).time() == datetime.time(7, 30)
    assert str(slot["LOCATION"]).startswith("Strip 1, “Süd”, ")


@pytest.mark.parametrize("role", ["owner", "pilot", "outsider"])
def test_nothing_of_others(season: Cast, role: str):
    text = b"".join(read(address(season.everybody[role])).split(b"\r\n ")).decode()
    ours, theirs = ("XX-O01", "XX-R01") if role == "outsider" else ("XX-R01", "XX-O01")
    assert ours in text
    assert theirs not in text
    other = season.operator if role == "outsider" else season.other_operator
    assert other.name not in text


def test_a_checker_reads_no_visits_of_operators(season: Cast):
    text = b"".join(read(address(season.checker)).split(b"\r\n ")).decode()
    assert season.operator.name not in text
    assert not [one for one in summaries(text.encode()) if "clinic" in one.lower()]


def test_an_unknown_address_is_like_any_other_that_is_not_there(cast: Cast):
    client = Client()
    answers = [client.get(url) for url in ("/calendar/no-secret-of-ours.ics", "/nowhere/")]
    assert [one.status_code for one in answers] == [404, 404]
    # Each page carries its own form token; nothing else may differ.
    pages = [re.sub(rb'X-CSRFToken": "[^"]*"', b"", one.content) for one in answers]
    assert pages[0] == pages[1]


def test_a_new_address_ends_the_old_one_and_dropping_ends_it(cast: Cast):
    first = address(cast.owner)
    second = address(cast.owner)
    assert first != second
    assert Client().get(first).status_code == 404
    read(second)
    assert feeds.drop_calendar(cast.owner)
    assert not feeds.drop_calendar(cast.owner)
    assert Client().get(second).status_code == 404
    with tenancy.everyone():
        deeds = AuditRow.objects.filter(subject_id=cast.owner.pk, deed__startswith="calendar")
        assert sorted(deeds.values_list("deed", flat=True)) == [
            "calendar_dropped",
            "calendar_renewed",
            "calendar_renewed",
        ]


def test_a_closed_account_has_no_calendar(cast: Cast):
    url = address(cast.owner)
    Person.objects.filter(pk=cast.owner.pk).update(is_active=False)
    assert Client().get(url).status_code == 404


def test_whoever_is_signed_in_reads_what_the_address_is_for(season: Cast):
    url = address(season.owner)
    client = Client()
    client.force_login(season.staff)
    assert b"XX-O01" not in client.get(url).content


def test_the_address_is_shown_once_on_the_page(cast: Cast, settings: Any):
    settings.PUBLIC_ADDRESS = "https://swathbook.example"
    client = Client()
    client.force_login(cast.owner)
    made = client.post("/me/calendar/")
    shown = made.context["calendar_address"]
    assert shown.startswith("https://swathbook.example/calendar/")
    assert made.content.decode().count(shown) == 2  # as a link, and to be copied
    assert "no-store" in made["Cache-Control"]
    secret = shown.rsplit("/", 1)[1].removesuffix(".ics")
    assert secret not in client.get("/me/").content.decode()
    assert secret not in CalendarFeed.objects.get().secret_digest
    read(shown.removeprefix("https://swathbook.example"))
    client.post("/me/calendar/drop/")
    assert not CalendarFeed.objects.exists()


def test_the_number_of_queries_does_not_grow(cast: Cast):
    counts = []
    url = address(cast.staff), address(cast.owner)
    for number in (1, 2, 3):
        with tenancy.everyone():
            busy(cast, number)
        for one in url:
            with CaptureQueriesContext(
                connection,
            ) as asked:
                read(one)
            counts.append(len(asked))
    assert counts[:2] == counts[2:4] == counts[4:], counts
