"""Today, fleet, due, operators, trail: what each shows, and that lists do not ask row by row."""

from __future__ import annotations

import datetime

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from fleet import tenancy
from fleet.models import Aircraft, AuditRow, Operator, Person, SetUp
from fleet.services import aircraft as aircraft_services
from fleet.services import people
from fleet.web.account import SignInThrottle
from fleet.web.today_pages import AIRCRAFT_A_PAGE
from tests.cast import (
    PASSWORD,
    Cast,
    make_aircraft,
    make_approval,
    make_setup,
)

pytestmark = pytest.mark.django_db


def signed_in(person: Person) -> Client:
    client = Client()
    client.force_login(person)
    return client


def text_of(response) -> str:
    return " ".join(response.content.decode().split())


# --- signing in


def test_sign_in_leads_to_what_the_role_wants_first(cast: Cast):
    for person, name in ((cast.owner, "today"), (cast.analyst, "visits"), (cast.staff, "due")):
        client = Client()
        answer = client.post(
            reverse("sign-in"), {"username": person.email.upper(), "password": PASSWORD}
        )
        assert answer.url == reverse("home")
        assert client.get(answer.url).url == reverse(name)


def test_sign_in_wrong_password_says_so(cast: Cast):
    answer = Client().post(reverse("sign-in"), {"username": cast.owner.email, "password": "no"})
    assert "do not belong together" in text_of(answer)


def test_sign_in_slows_down_whoever_tries_passwords(cast: Cast, monkeypatch):
    monkeypatch.setattr(SignInThrottle, "rate", "3/min", raising=False)
    client = Client(REMOTE_ADDR="203.0.113.7")
    wrong = {"username": cast.owner.email, "password": "no"}
    answers = [client.post(reverse("sign-in"), wrong) for _ in range(4)]
    assert [one.status_code for one in answers] == [200, 200, 200, 429]
    assert "Too many attempts. Try again in" in text_of(answers[3])
    right = {"username": cast.owner.email, "password": PASSWORD}
    assert client.post(reverse("sign-in"), right).status_code == 429
    elsewhere = Client(REMOTE_ADDR="203.0.113.8")
    assert elsewhere.post(reverse("sign-in"), right).status_code == 302


def test_units_setting_changes_every_number(cast: Cast):
    with tenancy.everyone():
        approval = make_approval(cast)
    client = signed_in(cast.owner)
    feet = f"{approval.swath_m / 0.3048:.0f}"
    assert f'<span class="value">{feet}<span class="unit"> ft' in text_of(client.get("/today/"))
    client.post(reverse("me"), {"unit_system": "metric"})
    metres = f"{approval.swath_m:.1f}"
    assert f'<span class="value">{metres}<span class="unit"> m' in text_of(client.get("/today/"))


# --- today


def test_today_shows_swath_manner_date_and_set_up(cast: Cast):
    with tenancy.everyone():
        approval = make_approval(cast)
    page = text_of(signed_in(cast.pilot).get(reverse("today")))
    assert "Back-and-forth" in page
    assert f"until {approval.valid_until:%B} {approval.valid_until.year}".split()[2] in page
    assert "Approved by Anik String until" in page
    assert "not permission to spray" in page


def test_today_says_why_there_is_none(cast: Cast):
    with tenancy.everyone():
        approval = make_approval(cast)
        make_setup(cast, approval.aircraft, pressure_kpa=310.0)
    page = text_of(signed_in(cast.owner).get(reverse("today")))
    assert "No approved swath" in page
    assert "Set-up changed" in page
    assert "revision 1 was approved, revision 2 is in force" in page


def test_today_shows_nothing_of_others(cast: Cast):
    with tenancy.everyone():
        make_approval(cast)
    page = text_of(signed_in(cast.outsider).get(reverse("today")))
    assert "XX-R01" not in page
    assert "No aircraft in service yet" in page


def test_today_finds_one_of_many(cast: Cast):
    with tenancy.everyone():
        fleet = [make_aircraft(cast, number=number) for number in range(1, AIRCRAFT_A_PAGE + 3)]
    client = signed_in(cast.owner)
    first, second = (text_of(client.get(reverse("today"), {"page": page})) for page in (1, 2))
    assert f"{len(fleet)} aircraft" in first
    assert [one.registration in first for one in fleet] == [True] * AIRCRAFT_A_PAGE + [False] * 2
    assert [one.registration in second for one in fleet] == [False] * AIRCRAFT_A_PAGE + [True] * 2
    found = text_of(client.get(reverse("today"), {"q": fleet[-1].registration}))
    assert [one.registration in found for one in fleet] == [False] * (len(fleet) - 1) + [True]
    nothing = text_of(client.get(reverse("today"), {"q": "no such"}))
    assert "0 aircraft for “no such”" in nothing
    assert "No aircraft in service yet" not in nothing


# --- lists: equal numbers of queries for 1 and 3 rows


@pytest.mark.parametrize("name", ["today", "fleet", "due"])
def test_aircraft_lists_same_queries_for_1_and_3(
    cast: Cast, name: str, django_assert_max_num_queries
):
    client = signed_in(cast.owner)
    counts = []
    for number in (1, 2, 3):
        with tenancy.everyone():
            make_setup(cast, make_aircraft(cast, number=number))
        with django_assert_max_num_queries(12) as caught:
            page = client.get(reverse(name), {"show": "all"})
        counts.append(len(caught.captured_queries))
        assert text_of(page).count(f"XX-R{number:02d}") >= 1
    assert counts[0] == counts[2]


@pytest.mark.parametrize("name", ["operators", "trail"])
def test_office_lists_same_queries_for_1_and_3(
    cast: Cast, name: str, django_assert_max_num_queries
):
    client = signed_in(cast.staff)
    counts = []
    for number in (1, 2, 3):
        with tenancy.everyone():
            people.add_operator(by=cast.staff, name=f"Field {number}", base="Field")
        with django_assert_max_num_queries(12) as caught:
            assert f"Field {number}" in text_of(client.get(reverse(name)))
        counts.append(len(caught.captured_queries))
    assert counts[0] == counts[2]


def test_due_counts_each_question(cast: Cast):
    with tenancy.everyone():
        approval = make_approval(cast)
        make_setup(cast, make_aircraft(cast, number=2))
        make_aircraft(cast, number=3)
    client = signed_in(cast.staff)
    page = text_of(client.get(reverse("due")))
    assert "<strong>1</strong> Due now" in page
    assert "<strong>2</strong> Without an approval" in page
    assert "<strong>1</strong> Met or approved" in page
    assert approval.aircraft.registration not in page  # not due now
    assert approval.aircraft.registration in text_of(client.get(reverse("due"), {"show": "met"}))


def test_search_finds_by_operator_for_staff(cast: Cast):
    with tenancy.everyone():
        make_aircraft(cast)
        make_aircraft(cast, cast.other_operator)
    page = text_of(signed_in(cast.staff).get(reverse("fleet"), {"q": "creek sower"}))
    assert "XX-O01" in page
    assert "XX-R01" not in page


# --- deeds


def test_add_aircraft_in_feet(cast: Cast):
    answer = signed_in(cast.owner).post(
        reverse("aircraft-new"),
        {"registration": "xx-new", "model": "Sower", "kind": "fixed_wing", "span_m": "50"},
    )
    with tenancy.everyone():
        added = Aircraft.objects.get()
    assert answer.url == reverse("aircraft", args=[added.pk])
    assert (added.registration, added.operator) == ("XX-NEW", cast.operator)
    assert added.span_m == pytest.approx(15.24)  # 50 ft, exact by the 1959 yard


def test_add_aircraft_to_another_operator_is_not_offered(cast: Cast):
    signed_in(cast.owner).post(
        reverse("aircraft-new"),
        {
            "operator": cast.other_operator.pk,
            "registration": "XX-NEW",
            "model": "Sower",
            "kind": "fixed_wing",
            "span_m": "50",
        },
    )
    with tenancy.everyone():
        assert Aircraft.objects.get().operator == cast.operator


SETUP = {
    "purpose": "Main season work",
    "manner": "back_and_forth",
    "airspeed_m_s": "140",
    "release_height_m": "10",
    "pressure_kpa": "40",
    "rate_l_per_ha": "3",
    "boom_width_m": "34",
}


def test_record_setup_spread_evenly(cast: Cast):
    with tenancy.everyone():
        one = make_aircraft(cast)
    even = {"even_count": "36", "even_size": "4010", "even_type": "flat fan"}
    signed_in(cast.owner).post(reverse("setup-new", args=[one.pk]), {**SETUP, **even})
    with tenancy.everyone():
        setup = SetUp.objects.get()
    assert len(setup.nozzles) == 36
    assert setup.airspeed_m_s == pytest.approx(62.5856)  # 140 mph
    assert setup.nozzles[0]["place_m"] == pytest.approx(-5.1816, abs=1e-3)  # 17 ft left


def test_record_setup_from_lines_names_the_wrong_line(cast: Cast):
    with tenancy.everyone():
        one = make_aircraft(cast)
    lines = "-10; fan; 4010; 10\nten; fan; 4010; 10\n"
    answer = signed_in(cast.owner).post(
        reverse("setup-new", args=[one.pk]), {**SETUP, "nozzles": lines}
    )
    assert "Line 2: place and deflection must be numbers." in text_of(answer)
    with tenancy.everyone():
        assert not SetUp.objects.exists()


def test_setup_form_starts_from_the_revision_in_force(cast: Cast):
    with tenancy.everyone():
        one = make_aircraft(cast)
        make_setup(cast, one, pressure_kpa=275.79)
    page = text_of(signed_in(cast.owner).get(reverse("setup-new", args=[one.pk])))
    assert 'name="pressure_kpa" value="40"' in page
    assert "flat fan; 4010; 10" in page


def test_numbers_shown_rounded_and_left_alone_stay_exact(cast: Cast):
    with tenancy.everyone():
        one = make_aircraft(cast)
        before = make_setup(cast, one, airspeed_m_s=62.123456, boom_width_m=10.5)
    client = signed_in(cast.owner)
    shown = client.get(reverse("setup-new", args=[one.pk])).context["form"]
    data = {bound.name: bound.value() for bound in shown if bound.value() is not None}
    client.post(reverse("setup-new", args=[one.pk]), {**data, "pressure_kpa": "45"})
    with tenancy.everyone():
        after = SetUp.objects.get(number=2)
    assert (after.airspeed_m_s, after.nozzles) == (before.airspeed_m_s, before.nozzles)
    assert after.pressure_kpa == pytest.approx(310.264, abs=0.001)  # 45 psi


def test_retire_and_bring_back(cast: Cast):
    with tenancy.everyone():
        one = make_aircraft(cast)
    client = signed_in(cast.owner)
    client.post(reverse("aircraft-service", args=[one.pk]))
    one.refresh_from_db()
    assert one.retired_on == timezone.localdate()
    client.post(reverse("aircraft-service", args=[one.pk]))
    one.refresh_from_db()
    assert one.retired_on is None


def test_office_adds_operator_and_person(cast: Cast):
    client = signed_in(cast.staff)
    client.post(reverse("operator-new"), {"name": "Long Draw Air", "base": "Long Draw"})
    with tenancy.everyone():
        added = Operator.objects.get(name="Long Draw Air")
    client.post(
        reverse("person-new", args=[added.pk]),
        {
            "name": "Nia New",
            "email": "nia@longdraw.example",
            "role": "pilot",
            "password": "tall-grass-and-wind",
        },
    )
    assert Person.objects.get(email="nia@longdraw.example").operator == added
    with tenancy.everyone():
        assert AuditRow.objects.filter(operator=added).count() == 2


def test_person_with_weak_password_keeps_what_was_typed(cast: Cast):
    answer = signed_in(cast.staff).post(
        reverse("person-new", args=[cast.operator.pk]),
        {"name": "Nia New", "email": "nia@x.example", "role": "pilot", "password": "short"},
    )
    page = text_of(answer)
    assert "too short" in page
    assert 'value="Nia New"' in page


def test_operator_that_left_keeps_its_page(cast: Cast):
    client = signed_in(cast.staff)
    client.post(
        reverse("operator-edit", args=[cast.operator.pk]),
        {"name": "Redgrass Aerial", "base": "Tamber Flat", "left_on": "2026-03-01"},
    )
    cast.operator.refresh_from_db()
    assert cast.operator.left_on == datetime.date(2026, 3, 1)
    page = text_of(client.get(reverse("operator", args=[cast.operator.pk])))
    assert "Left the association on 1 March 2026" in page


def test_retired_aircraft_swaths_are_not_shown_today(cast: Cast):
    with tenancy.everyone():
        approval = make_approval(cast)
        aircraft_services.change_aircraft(
            approval.aircraft, by=cast.staff, retired_on=timezone.localdate()
        )
    page = text_of(
        signed_in(cast.owner).get(reverse("today-aircraft", args=[approval.aircraft_id]))
    )
    assert "Retired on" in page
    assert 'class="value"' not in page
