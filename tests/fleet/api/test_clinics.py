"""Sign-ups, running order, supplies and gifts over the API: the same services as the pages."""

from __future__ import annotations

import datetime
from typing import Any

import pytest
from django.utils import timezone
from icalendar import Calendar

from fleet import tenancy
from fleet.models import Visit
from fleet.services import clinics, season, visits
from tests.cast import Cast, make_aircraft
from tests.fleet.api.client import signed_in

pytestmark = pytest.mark.django_db


def clinic(cast: Cast, **more: Any) -> Visit:
    day = timezone.localdate() + datetime.timedelta(days=4)
    values: dict[str, Any] = {"aircraft_per_day": 2, **more}
    with tenancy.everyone():
        return visits.plan_visit(
            by=cast.analyst,
            kind="clinic",
            place="Strip",
            starts_on=day,
            ends_on=day,
            analyst=cast.analyst,
            **values,
        )


def test_sign_up_wait_call_off_and_move_up(cast: Cast):
    visit = clinic(cast, first_slot_at=datetime.time(7, 30), slot_minutes=20)
    with tenancy.everyone():
        fleet = [make_aircraft(cast, number=number) for number in (1, 2, 3)]
        clinics.sign_up(
            by=cast.staff, visit=visit, aircraft=make_aircraft(cast, cast.other_operator)
        )
    owner, address = signed_in(cast.owner), f"/api/v1/visits/{visit.pk}/sign-ups/"
    seen = owner.get(f"/api/v1/visits/{visit.pk}/").json()
    assert (seen["sign_up_open"], seen["aircraft_per_day"]) == (True, 2)
    answers = [owner.post(address, {"aircraft": str(one.pk)}) for one in fleet[:2]]
    assert [one.status_code for one in answers] == [201, 201]
    placed, waiting = (one.json() for one in answers)
    assert (placed["state"], placed["position"]) == ("placed", 2)
    assert placed["slot_at"].startswith(f"{visit.starts_on}T07:50:00")
    assert (waiting["state"], waiting["position"], waiting["slot_at"]) == ("waiting", 1, None)
    again = owner.post(address, {"aircraft": str(fleet[0].pk)})
    assert again.status_code == 400
    assert "signed up already" in again.json()["errors"]["aircraft"][0]
    with tenancy.everyone():
        theirs = make_aircraft(cast, cast.other_operator, 2)
    stranger = owner.post(address, {"aircraft": str(theirs.pk)})
    assert "not yours" in stranger.json()["errors"]["aircraft"][0]
    off = owner.post(f"/api/v1/sign-ups/{placed['id']}/cancellation/")
    assert (off.status_code, off.json()["state"]) == (200, "cancelled")
    listed = owner.get("/api/v1/sign-ups/", {"state": "placed"}).json()["results"]
    assert [one["id"] for one in listed] == [waiting["id"]]
    assert len(signed_in(cast.staff).get(address).json()) == 3


def test_order_state_and_move(cast: Cast):
    visit = clinic(cast)
    with tenancy.everyone():
        a, b = (
            clinics.sign_up(by=cast.staff, visit=visit, aircraft=make_aircraft(cast, number=number))
            for number in (1, 2)
        )
    analyst = signed_in(cast.analyst)
    day = str(visit.starts_on)
    order = analyst.post(
        f"/api/v1/visits/{visit.pk}/order/", {"day": day, "order": [str(b.pk), str(a.pk)]}
    )
    assert [one["id"] for one in order.json()] == [str(b.pk), str(a.pk)]
    moved = analyst.post(f"/api/v1/sign-ups/{a.pk}/move/", {"before": str(b.pk)})
    assert moved.json()["position"] == 1
    both = analyst.post(f"/api/v1/sign-ups/{a.pk}/move/", {"before": str(b.pk), "day": day})
    assert both.status_code == 400
    flown = analyst.post(f"/api/v1/sign-ups/{b.pk}/state/", {"state": "flown"})
    assert flown.json()["state"] == "flown"
    assert analyst.post(f"/api/v1/sign-ups/{b.pk}/cancellation/").status_code == 400


def test_less_room_needs_a_word(cast: Cast):
    visit = clinic(cast)
    with tenancy.everyone():
        for number in (1, 2):
            aircraft = make_aircraft(cast, number=number)
            clinics.sign_up(by=cast.staff, visit=visit, aircraft=aircraft)
    staff, address = signed_in(cast.staff), f"/api/v1/visits/{visit.pk}/"
    refused = staff.patch(address, {"aircraft_per_day": 1})
    assert "XX-R02" in refused.json()["errors"]["aircraft_per_day"][0]
    assert staff.patch(address, {"aircraft_per_day": 1, "let_wait": True}).status_code == 200
    off = staff.post(f"{address}cancellation/", {"reason": "Under water."})
    assert off.json()["cancelled_reason"] == "Under water."
    assert staff.post(f"{address}restoration/").json()["cancelled_on"] is None


def test_calendar_file(cast: Cast):
    visit = clinic(cast)
    answer = signed_in(cast.pilot).get(f"/api/v1/visits/{visit.pk}/calendar/")
    assert answer["Content-Type"] == "text/calendar"
    [event] = Calendar.from_ical(answer.content).walk("VEVENT")
    assert event["UID"] == str(visit.pk)


def test_supplies_and_gifts(cast: Cast):
    visit, today = clinic(cast), timezone.localdate()
    analyst, staff = signed_in(cast.analyst), signed_in(cast.staff)
    address = f"/api/v1/visits/{visit.pk}/supplies/"
    used = analyst.post(address, {"what": "string", "amount": 300})
    assert (used.status_code, used.json()["unit"]) == (201, "m")
    assert analyst.post(address, {"what": "dye", "amount": 0}).status_code == 400
    assert len(analyst.get("/api/v1/supplies/", {"what": "string"}).json()["results"]) == 1
    assert analyst.post(f"/api/v1/supplies/{used.json()['id']}/removal/").status_code == 204
    assert analyst.get(address).json() == []
    gift = {"giver": "Field Days", "kind": "hours", "amount": 6, "given_on": str(today)}
    assert "No season covers" in staff.post("/api/v1/gifts/", gift).json()["errors"]["given_on"][0]
    with tenancy.everyone():
        this = season.add_season(
            by=cast.staff,
            name="This one",
            starts_on=today - datetime.timedelta(days=30),
            ends_on=today + datetime.timedelta(days=30),
        )
    made = staff.post("/api/v1/gifts/", {**gift, "visit": str(visit.pk)})
    assert (made.status_code, made.json()["unit"], made.json()["season"]) == (
        201,
        "h",
        str(this.pk),
    )
    one = made["Location"]
    assert staff.patch(one, {"amount": 7.5}).json()["amount"] == 7.5
    late = staff.patch(one, {"given_on": str(today + datetime.timedelta(days=1))})
    assert late.json()["errors"]["given_on"] == ["Must not be in the future."]
    assert staff.post(f"{one}removal/").status_code == 204
    assert staff.get("/api/v1/gifts/").json()["count"] == 0
