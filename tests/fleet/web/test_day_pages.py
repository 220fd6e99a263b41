"""The page of a visit's day: the order and its deeds, an operator's places, supplies, gifts."""

from __future__ import annotations

import csv
import datetime
import io
from typing import Any

import pytest
from django.urls import reverse
from django.utils import timezone

from fleet.models import Gift, SignUp, SupplyUse, Test, Visit
from fleet.services import clinics, season, visits
from tests.cast import (
    Cast,
    make_aircraft,
    make_analysis,
    make_approval,
    make_setup,
    make_tested,
)
from tests.fleet.web.asking import queries_of, signed_in, words_of

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("everyone")]

ONE_DAY = datetime.timedelta(days=1)


def clinic(cast: Cast, ahead: int = 0, **more: Any) -> Visit:
    first = timezone.localdate() + ahead * ONE_DAY
    values: dict[str, Any] = {
        "place": "Hollow Butte strip",
        "starts_on": first,
        "ends_on": first,
        "aircraft_per_day": 3,
        "first_slot_at": datetime.time(7, 30),
        "slot_minutes": 20,
        **more,
    }
    return visits.plan_visit(by=cast.analyst, kind="clinic", analyst=cast.analyst, **values)


def come(cast: Cast, visit: Visit, *fleet: Any) -> list[SignUp]:
    return [clinics.sign_up(by=cast.staff, visit=visit, aircraft=one) for one in fleet]


def order_of(visit: Visit) -> list[str]:
    rows = SignUp.objects.filter(visit=visit, state="placed").order_by("position")
    return [row.aircraft.registration for row in rows.select_related("aircraft")]


def test_the_next_comes_first_with_its_last_test_and_what_was_advised(cast: Cast):
    visit = clinic(cast)
    test = make_tested(cast)
    approval = make_approval(cast, make_analysis(cast, test), note="Edges a line apart.")
    first = test.setup.aircraft
    make_setup(cast, first, pressure_kpa=310.0)
    come(cast, visit, first, make_aircraft(cast, cast.other_operator))
    page = signed_in(cast.analyst).get(reverse("visit", args=[visit.pk]))
    words = words_of(page)
    assert words.index("Next, about 07:30 XX-R01") < words.index("XX-O01 07:50")
    feet = f"{approval.swath_m / 0.3048:.0f}"
    for said in (
        "Redgrass Aerial",
        "revision 2",
        "14 April 2026",
        f"Set-up changed: {feet} ft",  # what has ended is not called approved
        f"CV {approval.cv_percent:.1f} %",
        "Retest after change. Set-up changed",
        "Edges a line apart.",
    ):
        assert said in words, said
    newest = first.setups.order_by("-number").first()
    body = page.content.decode()
    assert f'value="{newest.pk}"' in body
    answer = signed_in(cast.analyst).post(
        reverse("test-new", args=[visit.pk]), {"setup": newest.pk, "flown_on": visit.starts_on}
    )
    assert answer.url == reverse("test-edit", args=[Test.objects.get(visit=visit).pk])
    words = words_of(signed_in(cast.analyst).get(reverse("visit", args=[visit.pk])))
    assert words.index("Next, about 07:50 XX-O01") < words.index("Flown 1 XX-R01")


def test_a_day_asks_as_much_for_five_aircraft_as_for_two(cast: Cast):
    visit = clinic(cast, aircraft_per_day=4)
    test = make_tested(cast)
    make_approval(cast, make_analysis(cast, test))
    come(cast, visit, test.setup.aircraft, make_aircraft(cast, number=2))
    client, address = signed_in(cast.analyst), reverse("visit", args=[visit.pk])
    before = queries_of(client, address)
    for number in (3, 4, 5):
        other = make_tested(cast, make_setup(cast, make_aircraft(cast, number=number)))
        make_approval(cast, make_analysis(cast, other))
        come(cast, visit, other.setup.aircraft)
    assert queries_of(client, address) == before


def test_up_and_down_are_saved_at_once_and_can_be_undone(cast: Cast):
    visit = clinic(cast)
    a, b, c = come(cast, visit, *(make_aircraft(cast, number=n) for n in (1, 2, 3)))
    client, address = signed_in(cast.analyst), reverse("visit", args=[visit.pk])
    client.post(reverse("sign-up-move", args=[c.pk]), {"before": b.pk})
    assert order_of(visit) == ["XX-R01", "XX-R03", "XX-R02"]
    page = client.get(address)
    assert "XX-R03 before XX-R02." in words_of(page)
    undo = page.context["said"]
    client.post(
        undo["undo"], {"day": undo["fields"][0][1], "order": [v for _, v in undo["fields"][1:]]}
    )
    assert order_of(visit) == ["XX-R01", "XX-R02", "XX-R03"]
    assert "Undo" in words_of(client.get(address))
    assert "Undo" not in words_of(client.get(address))  # it is said once
    keys = {"day": visit.starts_on, "order": [b.pk, a.pk]}
    client.post(reverse("visit-order", args=[visit.pk]), keys)
    assert order_of(visit) == ["XX-R02", "XX-R01", "XX-R03"]


def test_absent_flown_and_back(cast: Cast):
    visit = clinic(cast, aircraft_per_day=1)
    a, b = come(cast, visit, make_aircraft(cast), make_aircraft(cast, number=2))
    client, address = signed_in(cast.staff), reverse("visit", args=[visit.pk])
    client.post(reverse("sign-up-mark", args=[a.pk]), {"state": "absent"})
    words = words_of(client.get(address))
    assert "XX-R01 did not come." in words
    assert "Next, about 07:30 XX-R02" in words
    client.post(reverse("sign-up-mark", args=[a.pk]), {"state": "placed"})
    assert "XX-R01 is back: 1st on the waiting list." in words_of(client.get(address))
    client.post(reverse("sign-up-mark", args=[a.pk]), {"state": "placed"})
    assert "is noted as “on the waiting list” meanwhile" in words_of(client.get(address))
    client.post(reverse("sign-up-mark", args=[b.pk]), {"state": "flown"})
    assert "XX-R02 has flown." in words_of(client.get(address))


def test_an_operator_signs_up_in_two_taps_and_never_sees_others(cast: Cast):
    visit = clinic(cast, ahead=4)
    come(cast, visit, *(make_aircraft(cast, cast.other_operator, n) for n in (1, 2)))
    mine = make_aircraft(cast)
    client = signed_in(cast.owner)
    page = client.get(reverse("visits"))
    assert "Open for sign-up Hollow Butte strip" in words_of(page)
    assert "1 of 3 places free" in words_of(page)
    address = reverse("visit-sign-up", args=[visit.pk])
    assert address in page.content.decode()
    form = client.get(address)
    assert "XX-R01" in words_of(form)
    answer = client.post(address, {"aircraft": mine.pk, "wish": "Early, please"}, follow=True)
    words = words_of(answer)
    assert "XX-R01 is signed up: 3rd" in words
    assert "your place 3rd" in words
    assert "about 08:10" in words
    assert "Early, please" in words
    assert "You are signed up XX-R01" in words_of(client.get(reverse("visits")))
    for one in (page, form, answer, client.get(reverse("visits"))):
        assert "XX-O0" not in one.content.decode()
        assert "Other Creek" not in one.content.decode()
    answer = client.post(address, {"aircraft": mine.pk})
    assert "signed up already" in words_of(answer)
    waiting = make_aircraft(cast, number=2)
    answer = client.post(address, {"aircraft": waiting.pk}, follow=True)
    assert "on the waiting list 1st" in words_of(answer)


def test_another_operators_aircraft_cannot_be_signed_up(cast: Cast):
    visit = clinic(cast, ahead=4)
    theirs = make_aircraft(cast, cast.other_operator)
    address = reverse("visit-sign-up", args=[visit.pk])
    assert signed_in(cast.owner).post(address, {"aircraft": theirs.pk}).status_code == 404
    assert signed_in(cast.owner).post(address, {"aircraft": "none"}).status_code == 404
    assert signed_in(cast.pilot).get(address).status_code == 403
    assert "Sign up" not in words_of(signed_in(cast.pilot).get(reverse("visits")))
    assert not SignUp.objects.exists()


def test_less_room_is_said_before_it_is_saved(cast: Cast):
    visit = clinic(cast, ahead=4)
    come(cast, visit, *(make_aircraft(cast, number=n) for n in (1, 2)))
    values = {
        "kind": "clinic",
        "place": visit.place,
        "starts_on": visit.starts_on,
        "analyst": cast.analyst.pk,
        "aircraft_per_day": 1,
    }
    client, address = signed_in(cast.staff), reverse("visit-edit", args=[visit.pk])
    words = words_of(client.post(address, values))
    assert "no place for XX-R02 (Redgrass Aerial)" in words
    assert "Put them on the waiting list" in words
    assert order_of(visit) == ["XX-R01", "XX-R02"]
    client.post(address, {**values, "let_wait": "on"})
    assert order_of(visit) == ["XX-R01"]


def test_calling_a_visit_off_and_putting_it_back(cast: Cast):
    visit = clinic(cast, ahead=4)
    come(cast, visit, make_aircraft(cast))
    client, address = signed_in(cast.staff), reverse("visit", args=[visit.pk])
    client.post(reverse("visit-call-off", args=[visit.pk]), {"reason": ""})
    assert "This field is required" in words_of(client.get(address))
    client.post(reverse("visit-call-off", args=[visit.pk]), {"reason": "Under water."})
    owner = words_of(signed_in(cast.owner).get(address))
    assert "Under water." in owner
    assert "Kept, should the visit be put back on." in owner
    client.post(reverse("visit-put-back", args=[visit.pk]))
    assert "Under water." not in words_of(client.get(address))


def test_supplies_are_noted_with_their_usual_unit_and_can_be_taken_back(cast: Cast):
    visit = clinic(cast)
    client, address = signed_in(cast.analyst), reverse("visit", args=[visit.pk])
    note = reverse("supply-new", args=[visit.pk])
    client.post(note, {"what": "dye", "amount": "250"})
    client.post(note, {"what": "dye", "amount": "50.5"})
    client.post(note, {"what": "string", "amount": "300"})
    words = words_of(client.get(address))
    assert "Dye 300.5 g, String 300 m" in words
    client.post(note, {"what": "cards", "amount": "-3"})
    assert "Must be a number over 0." in words_of(client.get(address))
    use = SupplyUse.objects.get(what="string")
    client.post(reverse("supply-remove", args=[use.pk]))
    assert SupplyUse.objects.count() == 2
    assert "Dye 300.5 g" not in words_of(signed_in(cast.owner).get(address))


def test_gifts_count_for_the_season_of_their_day_and_can_be_had_as_a_file(cast: Cast):
    today = timezone.localdate()
    client = signed_in(cast.staff)
    values = {
        "giver": "Field Days of Calloway",
        "kind": "hours",
        "amount": "6",
        "given_on": today.isoformat(),
    }
    words = words_of(client.post(reverse("gift-new"), values))
    assert f"No season covers {today:%-d %B %Y}" in words
    this = season.add_season(
        by=cast.staff,
        name="This one",
        starts_on=today - 30 * ONE_DAY,
        ends_on=today + 30 * ONE_DAY,
    )
    season.add_season(
        by=cast.staff,
        name="The one before",
        starts_on=today - 90 * ONE_DAY,
        ends_on=today - 31 * ONE_DAY,
    )
    client.post(reverse("gift-new"), values)
    client.post(reverse("gift-new"), {**values, "amount": "1.5"})
    old = {**values, "kind": "money", "unit": "USD", "given_on": today - 40 * ONE_DAY}
    client.post(reverse("gift-new"), old)
    assert Gift.objects.filter(season=this).count() == 2
    words = words_of(client.get(reverse("gifts")))
    assert "Thank-you reports" in words  # each giver can be thanked from here
    assert "Hours of work 7.5 h" in words
    assert words.count("USD") == 1  # as noted a moment ago, and not in the list
    rows = list(
        csv.DictReader(
            io.StringIO(client.get(reverse("gifts"), {"as": "csv"}).content.decode("utf-8-sig"))
        )
    )
    assert sorted((row["Who gave"], row["Amount"], row["Unit"]) for row in rows) == [
        ("Field Days of Calloway", "1.5", "h"),
        ("Field Days of Calloway", "6.0", "h"),
    ]
    gift = Gift.objects.get(amount=1.5)
    client.post(reverse("gift-edit", args=[gift.pk]), {**values, "amount": "2"})
    gift.refresh_from_db()
    assert gift.amount == 2.0
    client.post(reverse("gift-remove", args=[gift.pk]))
    assert Gift.objects.count() == 2
