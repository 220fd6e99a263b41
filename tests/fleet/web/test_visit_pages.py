"""Visits, the day sheet and starting a test: who may, what happens, what lists ask."""

from __future__ import annotations

import datetime

import pytest
from django.urls import reverse
from django.utils import timezone

from fleet import tenancy
from fleet.models import Job, Test, Visit
from fleet.services import analyses, approvals, visits
from tests.cast import (
    Cast,
    make_aircraft,
    make_analysis,
    make_approval,
    make_setup,
    make_test,
    make_tested,
    make_visit,
)
from tests.fleet.web.asking import queries_of, signed_in, words_of

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("everyone")]
DAY = datetime.date(2026, 4, 14)


def test_visits_today_come_before_coming_and_past(cast: Cast):
    today = timezone.localdate()
    days = {"Past strip": -9, "Strip of today": 0, "Strip to come": 9}
    for place, ahead in days.items():
        day = today + datetime.timedelta(days=ahead)
        visits.change_visit(make_visit(cast, day), by=cast.analyst, place=place)
    words = words_of(signed_in(cast.analyst).get(reverse("visits")))
    assert words.index("Strip of today") < words.index("Strip to come") < words.index("Past strip")


def test_operator_sees_only_visits_with_tests_of_theirs(cast: Cast):
    visit = make_visit(cast)
    make_test(cast, make_setup(cast, make_aircraft(cast)), visit)
    address = reverse("visit", args=[visit.pk])
    assert "XX-R01" in words_of(signed_in(cast.owner).get(address))
    assert "XX-R01" in words_of(signed_in(cast.pilot).get(address))
    assert signed_in(cast.outsider).get(address).status_code == 404
    assert visit.place not in words_of(signed_in(cast.outsider).get(reverse("visits")))


def test_day_sheet_of_a_clinic_shows_an_operator_only_their_own_tests(cast: Cast):
    visit = make_visit(cast)
    make_test(cast, make_setup(cast, make_aircraft(cast)), visit)
    make_test(cast, make_setup(cast, make_aircraft(cast, cast.other_operator)), visit)
    words = words_of(signed_in(cast.outsider).get(reverse("visit", args=[visit.pk])))
    assert "XX-O01" in words
    assert "XX-R01" not in words
    assert "XX-R01" in words_of(signed_in(cast.staff).get(reverse("visit", args=[visit.pk])))


def test_day_sheet_says_how_far_each_test_is(cast: Cast):
    visit = make_visit(cast)
    setup = make_setup(cast, make_aircraft(cast))
    make_test(cast, setup, visit)
    client, address = signed_in(cast.analyst), reverse("visit", args=[visit.pk])
    assert "No passes yet" in words_of(client.get(address))
    tested = make_tested(cast, make_setup(cast, make_aircraft(cast, number=2)))
    Test.objects.filter(pk=tested.pk).update(visit=visit)
    assert "3 passes, not analysed" in words_of(client.get(address))
    job = analyses.request_analysis(tested, by=cast.analyst)
    assert "Analysis running" in words_of(client.get(address))
    Job.objects.filter(pk=job.pk).update(state="failed")
    run = make_analysis(cast, tested)
    feet = f"{run.back_and_forth_swath_m / 0.3048:.0f} ft"
    assert f"Analysed: {feet}" in words_of(client.get(address))
    make_approval(cast, run)
    words = words_of(client.get(address))
    assert f"Approved: {feet}" in words
    assert words.count("No passes yet") == 1


def test_day_sheet_tells_an_approval_that_has_ended(cast: Cast):
    visit = make_visit(cast)
    test = make_tested(cast)
    Test.objects.filter(pk=test.pk).update(visit=visit)
    run = make_analysis(cast, test)
    make_approval(cast, run, swath_m=12.192)
    client, address = signed_in(cast.analyst), reverse("visit", args=[visit.pk])
    second = make_approval(cast, run, swath_m=12.8016)
    assert "Approved: 42 ft" in words_of(client.get(address))
    approvals.withdraw(second, by=cast.analyst, reason="Boom was bent.")
    answer = client.get(address)
    assert "Withdrawn: 42 ft" in words_of(answer)
    assert reverse("approval", args=[second.pk]) in answer.content.decode()


def test_day_sheet_asks_as_much_for_three_tests_as_for_one(cast: Cast):
    visit = make_visit(cast)
    first = make_tested(cast)
    Test.objects.filter(pk=first.pk).update(visit=visit)
    run = make_analysis(cast, first)
    make_approval(cast, run)
    client, address = signed_in(cast.analyst), reverse("visit", args=[visit.pk])
    before = queries_of(client, address)
    for number in (2, 3):
        test = make_tested(cast, make_setup(cast, make_aircraft(cast, number=number)))
        Test.objects.filter(pk=test.pk).update(visit=visit)
        make_approval(cast, make_analysis(cast, test))
    assert queries_of(client, address) == before
    assert words_of(client.get(address)).count("Approved:") == 3


def test_visits_list_asks_as_much_for_three_as_for_one(cast: Cast):
    make_visit(cast)
    client = signed_in(cast.analyst)
    before = queries_of(client, reverse("visits"))
    for day in (1, 2):
        make_visit(cast, DAY - datetime.timedelta(days=day))
    assert queries_of(client, reverse("visits")) == before


def test_plan_a_visit_of_one_day(cast: Cast):
    values = {
        "kind": "clinic",
        "place": "Marl Creek",
        "starts_on": "2026-05-02",
        "analyst": cast.analyst.pk,
    }
    answer = signed_in(cast.staff).post(reverse("visit-new"), values)
    planned = Visit.objects.get(place="Marl Creek")
    assert answer.url == reverse("visit", args=[planned.pk])
    assert planned.ends_on == datetime.date(2026, 5, 2)


def test_a_private_visit_without_operator_comes_back_with_the_reason(cast: Cast):
    values = {"kind": "private", "place": "Marl Creek", "starts_on": "2026-05-02"}
    answer = signed_in(cast.analyst).post(
        reverse("visit-new"), {**values, "analyst": cast.analyst.pk}
    )
    assert "say which" in words_of(answer)
    assert 'value="Marl Creek"' in answer.content.decode()
    assert not Visit.objects.exists()


def test_change_a_visit(cast: Cast):
    visit = make_visit(cast)
    values = {"kind": "clinic", "place": "Moved to Marl", "starts_on": "2026-04-15"}
    signed_in(cast.analyst).post(
        reverse("visit-edit", args=[visit.pk]), {**values, "analyst": cast.analyst.pk}
    )
    visit.refresh_from_db()
    assert (visit.place, visit.ends_on) == ("Moved to Marl", datetime.date(2026, 4, 15))


@pytest.mark.parametrize("who", ["owner", "pilot"])
def test_operators_people_may_neither_plan_nor_start(cast: Cast, who: str):
    test = make_test(cast, make_setup(cast, make_aircraft(cast)))
    client = signed_in(cast.everybody[who])
    assert client.get(reverse("visit-new")).status_code == 403
    assert client.get(reverse("visit-edit", args=[test.visit_id])).status_code == 403
    assert client.get(reverse("test-new", args=[test.visit_id])).status_code == 403
    assert "Start a test" not in words_of(client.get(reverse("visit", args=[test.visit_id])))


def test_staff_plan_but_do_not_test(cast: Cast):
    visit = make_visit(cast)
    client = signed_in(cast.staff)
    assert client.get(reverse("visit-new")).status_code == 200
    assert client.get(reverse("test-new", args=[visit.pk])).status_code == 403


# --- starting a test


def test_start_a_test_and_go_on_to_its_conditions(cast: Cast):
    visit, setup = make_visit(cast), make_setup(cast, make_aircraft(cast))
    client = signed_in(cast.analyst)
    page = client.get(reverse("test-new", args=[visit.pk]))
    assert f'value="{setup.pk}"' in page.content.decode()
    answer = client.post(
        reverse("test-new", args=[visit.pk]), {"setup": setup.pk, "flown_on": "2026-04-14"}
    )
    started = Test.objects.get()
    assert answer.url == reverse("test-edit", args=[started.pk])
    assert (started.setup, started.flown_on) == (setup, DAY)


def test_the_next_test_takes_over_what_stays_on_a_field_but_not_the_weather(cast: Cast):
    visit = make_visit(cast)
    make_test(cast, make_setup(cast, make_aircraft(cast)), visit, liquid="Water, red dye")
    setup = make_setup(cast, make_aircraft(cast, number=2))
    signed_in(cast.analyst).post(reverse("test-new", args=[visit.pk]), {"setup": setup.pk})
    started = Test.objects.get(setup=setup)
    assert (started.liquid, started.file_unit, started.wind_height_m) == (
        "Water, red dye",
        "ft",
        2.5,
    )
    assert started.line_heading_deg == 180.0
    assert (started.wind_speed_m_s, started.temperature_c, started.humidity_percent) == (None,) * 3


def test_search_by_registration_operator_or_purpose(cast: Cast):
    visit = make_visit(cast)
    make_setup(cast, make_aircraft(cast))
    make_setup(cast, make_aircraft(cast, cast.other_operator, 7))
    client, address = signed_in(cast.analyst), reverse("test-new", args=[visit.pk])
    both = words_of(client.get(address))
    assert "XX-R01" in both
    assert "XX-O07" in both
    for asked in ("xx-o07", "other creek", "other MAIN"):
        words = words_of(client.get(address, {"q": asked}))
        assert "XX-O07" in words, asked
        assert "XX-R01" not in words, asked
    assert "Nothing in service matches" in words_of(client.get(address, {"q": "zeppelin"}))


def test_a_private_visit_offers_the_hosts_aircraft_only(cast: Cast):
    visit = visits.plan_visit(
        by=cast.analyst,
        kind="private",
        place="Redgrass strip",
        starts_on=DAY,
        ends_on=DAY,
        analyst=cast.analyst,
        host=cast.operator,
    )
    make_setup(cast, make_aircraft(cast))
    theirs = make_setup(cast, make_aircraft(cast, cast.other_operator))
    client, address = signed_in(cast.analyst), reverse("test-new", args=[visit.pk])
    assert "XX-O01" not in words_of(client.get(address))
    answer = client.post(address, {"setup": theirs.pk})
    assert "private, for another operator" in words_of(answer)
    assert not Test.objects.exists()


@pytest.mark.parametrize("given", ["", "nonsense", "01990000-0000-7000-8000-000000000000"])
def test_a_set_up_that_is_none_is_not_found(cast: Cast, given: str):
    visit = make_visit(cast)
    address = reverse("test-new", args=[visit.pk])
    assert signed_in(cast.analyst).post(address, {"setup": given}).status_code == 404


def test_an_aircraft_without_set_up_leads_to_recording_one(cast: Cast):
    aircraft = make_aircraft(cast)
    page = signed_in(cast.analyst).get(reverse("test-new", args=[make_visit(cast).pk]))
    assert reverse("setup-new", args=[aircraft.pk]) in page.content.decode()


def test_choosing_asks_as_much_for_three_aircraft_as_for_one(cast: Cast):
    visit = make_visit(cast)
    make_setup(cast, make_aircraft(cast))
    client, address = signed_in(cast.analyst), reverse("test-new", args=[visit.pk])
    before = queries_of(client, address)
    for number in (2, 3):
        make_setup(cast, make_aircraft(cast, number=number))
    assert queries_of(client, address) == before


def test_no_scope_stays_open_after_a_request(cast: Cast):
    with tenancy.scope(tenancy.NOBODY):
        signed_in(cast.analyst).get(reverse("visits"))
        assert tenancy.current() == tenancy.NOBODY
