"""Calendar files, read back with `icalendar` and held against RFC 5545 and RFC 5546.

The rules named: 3.1 (lines of at most 75 octets, CR LF), 3.6 (PRODID, VERSION), 3.6.1 (UID and
DTSTAMP; DTEND of a date is the day after), 3.6.5 (a VTIMEZONE for every TZID), 3.8.1.6 (GEO),
3.8.1.11 (STATUS of an event), 3.8.7.4 (SEQUENCE does not fall); RFC 5546, 3.2.1 and 3.2.5 (what
METHOD PUBLISH and CANCEL ask for).
"""

from __future__ import annotations

import datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.urls import reverse
from django.utils import timezone
from icalendar import Calendar, Event

from fleet import tenancy
from fleet.models import Person, Visit
from fleet.queries.calendars import calendar_of
from fleet.services import clinics, visits
from tests.cast import Cast, make_aircraft
from tests.fleet.web.asking import signed_in

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("everyone")]

ONE_DAY = datetime.timedelta(days=1)
PLACE = "Long Draw; the old strip, north end, past the second gate and the windsock — Nørre Vej"


def clinic(cast: Cast, **more: Any) -> Visit:
    first = timezone.localdate() + 5 * ONE_DAY
    values: dict[str, Any] = {
        "place": PLACE,
        "starts_on": first,
        "ends_on": first + ONE_DAY,
        "aircraft_per_day": 2,
        "latitude_deg": 41.5,
        "longitude_deg": -103.25,
        "note": "Hangar 3.\nBring keys, oil.",
        **more,
    }
    return visits.plan_visit(by=cast.analyst, kind="clinic", analyst=cast.analyst, **values)


def read(person: Person, visit: Visit) -> tuple[Calendar, list[Event]]:
    """Read a file back, and check what holds of each of them."""
    visit = Visit.objects.get(pk=visit.pk)
    with tenancy.scope(tenancy.scope_of(person)):
        data = calendar_of(person, visit)
    lines = data.split(b"\r\n")
    assert lines[-1] == b""
    assert all(len(line) <= 75 and b"\n" not in line for line in lines)  # 3.1
    calendar = Calendar.from_ical(data)
    assert isinstance(calendar, Calendar)
    assert calendar["VERSION"] == "2.0"
    assert calendar["PRODID"]
    assert calendar["METHOD"] in ("PUBLISH", "CANCEL")
    assert not calendar.get_missing_tzids()  # 3.6.5
    events = list(calendar.walk("VEVENT"))
    assert events
    for event in events:
        for name in ("UID", "DTSTAMP", "DTSTART", "SUMMARY", "ORGANIZER", "SEQUENCE"):
            assert name in event, name  # 3.6.1; RFC 5546, 3.2.1
        assert event["DTSTAMP"].dt.tzinfo is not None
        assert event["DTSTAMP"].dt.utcoffset() == datetime.timedelta(0)
        assert "ATTENDEE" not in event  # RFC 5546, 3.2.1: must not be present
        assert event["STATUS"] in ("CONFIRMED", "TENTATIVE", "CANCELLED")  # 3.8.1.11
        assert type(event["DTSTART"].dt) is type(event["DTEND"].dt)  # 3.8.2.2
        assert event["DTSTART"].dt < event["DTEND"].dt
        assert str(event["ORGANIZER"]).startswith("mailto:")
        if calendar["METHOD"] == "CANCEL":
            assert event["STATUS"] == "CANCELLED"  # RFC 5546, 3.2.5
    assert len({event["UID"] for event in events}) == len(events)
    return calendar, events


def test_a_visit_of_two_days_for_the_analyst(cast: Cast):
    visit = clinic(cast)
    calendar, [event] = read(cast.analyst, visit)
    assert calendar["METHOD"] == "PUBLISH"
    assert event["UID"] == str(visit.pk)
    assert event["DTSTART"].dt == visit.starts_on
    assert event["DTEND"].dt == visit.ends_on + ONE_DAY  # 3.6.1: not part of the event any more
    assert event["LOCATION"] == PLACE
    assert (event["GEO"].latitude, event["GEO"].longitude) == (41.5, -103.25)
    assert "Hangar 3.\nBring keys, oil." in event["DESCRIPTION"]
    assert event["STATUS"] == "CONFIRMED"
    assert cast.analyst.email not in str(event["ORGANIZER"])


def test_an_operator_gets_the_slots_of_their_aircraft_in_the_zone_of_the_service(cast: Cast):
    visit = clinic(cast, first_slot_at=datetime.time(7, 30), slot_minutes=20)
    theirs = make_aircraft(cast, cast.other_operator)
    clinics.sign_up(by=cast.staff, visit=visit, aircraft=theirs)
    mine = clinics.sign_up(by=cast.owner, visit=visit, aircraft=make_aircraft(cast))
    _, [event] = read(cast.owner, visit)
    assert event["UID"] == str(mine.pk)
    zone = ZoneInfo("America/Chicago")
    at = datetime.datetime.combine(visit.starts_on, datetime.time(7, 50), zone)
    assert event["DTSTART"].dt == at
    assert event["DTSTART"].params["TZID"] == "America/Chicago"
    assert event["DTEND"].dt - event["DTSTART"].dt == datetime.timedelta(minutes=20)
    assert "2nd on" in event["DESCRIPTION"]
    with tenancy.only(cast.operator.pk):
        said = calendar_of(cast.owner, visit).decode()
    assert "XX-O01" not in said
    assert "Other Creek" not in said


def test_without_slots_a_turn_is_its_day_and_waiting_is_tentative(cast: Cast):
    visit = clinic(cast, aircraft_per_day=1, ends_on=timezone.localdate() + 5 * ONE_DAY)
    rows = [
        clinics.sign_up(by=cast.owner, visit=visit, aircraft=make_aircraft(cast, number=number))
        for number in (1, 2)
    ]
    _, events = read(cast.owner, visit)
    found = {event["UID"]: event for event in events}
    placed, waiting = (found[str(row.pk)] for row in rows)
    assert (placed["STATUS"], waiting["STATUS"]) == ("CONFIRMED", "TENTATIVE")
    assert placed["DTSTART"].dt == visit.starts_on
    assert "1st on the waiting list" in waiting["DESCRIPTION"]


def test_keys_stay_and_the_sequence_rises_with_every_change(cast: Cast):
    visit = clinic(cast, aircraft_per_day=3)
    row = clinics.sign_up(by=cast.owner, visit=visit, aircraft=make_aircraft(cast))
    other = make_aircraft(cast, cast.other_operator)
    their = clinics.sign_up(by=cast.staff, visit=visit, aircraft=other)
    seen = []
    for deed in (
        lambda: None,
        lambda: clinics.move_before(their, by=cast.analyst, other=row),  # which moves ours
        lambda: visits.change_visit(visit, by=cast.staff, place="Elsewhere"),
        lambda: clinics.cancel(row, by=cast.owner),
    ):
        deed()
        _, [event] = read(cast.owner, visit)
        seen.append((event["UID"], event["SEQUENCE"], event["STATUS"]))
    assert {key for key, _, _ in seen} == {str(row.pk)}
    numbers = [number for _, number, _ in seen]
    assert numbers == sorted(set(numbers))
    assert [status for *_, status in seen] == ["CONFIRMED"] * 3 + ["CANCELLED"]


def test_called_off_is_a_cancellation_that_says_why(cast: Cast):
    visit = clinic(cast)
    _, [before] = read(cast.staff, visit)
    visits.call_off_visit(visit, by=cast.staff, reason="The strip is under water.")
    calendar, [event] = read(cast.staff, visit)
    assert calendar["METHOD"] == "CANCEL"
    assert event["UID"] == before["UID"]
    assert event["SEQUENCE"] > before["SEQUENCE"]
    assert "under water" in event["DESCRIPTION"]


def test_the_page_hands_it_out_as_a_file(cast: Cast):
    visit = clinic(cast)
    answer = signed_in(cast.owner).get(reverse("visit-calendar", args=[visit.pk]))
    assert answer["Content-Type"].startswith("text/calendar")
    assert f"{visit.starts_on}.ics" in answer["Content-Disposition"]
    assert Calendar.from_ical(answer.content)["METHOD"] == "PUBLISH"
