"""Rules on pages: what they say, who is due under them, what a checker sees and what not."""

from __future__ import annotations

import datetime
from typing import Any

import pytest
from django.urls import reverse

from fleet import tenancy
from fleet.models import Requirement, RequirementVersion, Waiver
from fleet.services import requirements as services
from tests.cast import Cast, make_aircraft, make_approval, make_setup, nozzles
from tests.fleet.web.asking import queries_of, signed_in, words_of

pytestmark = pytest.mark.django_db
D = datetime.date


def add(cast: Cast, **says: Any) -> Requirement:
    usual: dict[str, Any] = {
        "name": "Pattern test",
        "effective_from": D(2020, 1, 1),
        "source": "Invented for tests, 1 January 2020.",
        "rhythm": "interval",
        "interval_months": 12,
        "minimum_passes": 3,
    }
    return services.add_requirement(by=cast.staff, jurisdiction=cast.state, **{**usual, **says})


def form_of(**typed: Any) -> dict[str, Any]:
    usual: dict[str, Any] = {
        "name": "Pattern test",
        "effective_from": "2026-01-01",
        "source": "Invented letter, 1 January 2026.",
        "rhythm": "interval",
        "interval_months": "12",
        "due_soon_days": "30",
        "covers": "aircraft",
        "evidence": "approval",
        "minimum_passes": "3",
        "filing_deadline_unit": "days",
    }
    return {**usual, **typed}


def test_a_rule_is_written_down_in_feet_and_kept_in_metres(cast: Cast):
    client = signed_in(cast.staff)
    answer = client.post(
        reverse("rule-new", args=[cast.state.pk]),
        form_of(
            wind_speed_m_s="10",
            boom_width_m="1",
            pressure_percent="10",
            nozzle_count="on",
            kinds=["fixed_wing"],
            signers=["analyst"],
            papers="Form A\n\n Test report ",
        ),
    )
    version = RequirementVersion.objects.get()
    assert answer.url == reverse("rule", args=[version.requirement_id])
    assert version.limits == {"wind_speed_m_s": pytest.approx(4.4704)}  # 10 mph, NIST SP 811
    assert version.retest == {
        "nozzle_count": True,
        "boom_width_m": pytest.approx(0.3048),  # 1 ft, NIST SP 811
        "pressure_percent": 10,
    }
    assert version.papers == ["Form A", "Test report"]
    said = words_of(client.get(answer.url))
    assert "wind at most 10.0 mph" in said
    assert (
        "any other nozzle count; boom width by more than 1 ft; pressure by more than 10 %" in said
    )
    assert "Invented letter, 1 January 2026." in said


def test_a_change_begins_with_what_the_rule_says_now(cast: Cast):
    rule = add(cast, retest={"boom_width_m": 0.3}, limits={"wind_speed_m_s": 4.47})
    client = signed_in(cast.staff)
    address = reverse("rule-version-new", args=[rule.pk])
    page = client.get(address)
    shown = {
        name: value
        for name, bound in ((one.name, one) for one in page.context["form"])
        if (value := bound.value()) not in (None, "", [], False)
    }
    today = services.today_in(cast.state)
    typed = {**shown, "effective_from": today.isoformat(), "minimum_passes": "4"}
    assert client.post(address, typed).status_code == 302
    version = rule.versions.latest("number")
    assert (version.number, version.minimum_passes) == (2, 4)
    assert version.retest == {"boom_width_m": 0.3}  # shown rounded, kept exactly
    assert version.limits == {"wind_speed_m_s": 4.47}


def test_what_is_wrong_is_said_where_it_was_typed(cast: Cast):
    client = signed_in(cast.staff)
    address = reverse("rule-new", args=[cast.state.pk])
    answer = client.post(address, form_of(rhythm="season", season_first="04-31"))
    assert "no day of the year" in str(answer.context["form"].errors["season_first"])
    answer = client.post(address, form_of(pressure_percent="150"))
    assert "pressure_percent: must be a number from 0 to 100 %" in words_of(answer)
    assert not Requirement.objects.exists()


def test_due_tells_rules_and_approvals_in_one_list(cast: Cast):
    add(cast, retest={"nozzle_count": True})
    with tenancy.everyone():
        approval = make_approval(cast)
        make_setup(cast, approval.aircraft, nozzles=nozzles(36))
        make_aircraft(cast, cast.other_operator)
    client = signed_in(cast.staff)
    said = words_of(client.get(reverse("due")))
    assert "nozzle count 40 to 36: retest due." in said
    assert "Set-up changed" in said
    assert "Calloway: Pattern test" in said
    found = client.get(reverse("due"), {"q": "other creek"}).context["page"].object_list
    assert {row.aircraft.operator_id for row in found} == {cast.other_operator.pk}
    elsewhere = services.add_jurisdiction(by=cast.staff, name="Elsewhere")
    answer = client.get(reverse("due"), {"jurisdiction": str(elsewhere.pk), "show": "all"})
    assert answer.context["page"].object_list == []
    file = client.get(reverse("due"), {"as": "csv"}).content.decode("utf-8-sig")
    assert "nozzle count 40 to 36: retest due." in file
    owner = words_of(signed_in(cast.outsider).get(reverse("due")))
    assert "nozzle count" not in owner


def test_due_on_another_day(cast: Cast):
    add(cast)
    with tenancy.everyone():
        make_aircraft(cast)
    client = signed_in(cast.staff)
    today = services.today_in(cast.state)
    tomorrow = client.get(reverse("due"), {"on": str(today + datetime.timedelta(days=1))})
    assert tomorrow.context["page"].object_list
    earlier = client.get(reverse("due"), {"on": "2021-05-01", "show": "all"})
    assert earlier.context["page"].object_list == []  # nothing was on record
    assert "is no day" in words_of(client.get(reverse("due"), {"on": "soon"}))


def test_the_due_list_does_not_ask_row_by_row(cast: Cast):
    add(cast)
    client = signed_in(cast.staff)
    with tenancy.everyone():
        make_setup(cast, make_aircraft(cast))
        few = queries_of(client, reverse("due") + "?show=all")
        for number in range(2, 9):
            make_setup(cast, make_aircraft(cast, number=number))
    assert queries_of(client, reverse("due") + "?show=all") == few


def test_a_waiver_from_the_aircraft(cast: Cast):
    rule = add(cast)
    with tenancy.everyone():
        aircraft = make_aircraft(cast)
    client = signed_in(cast.staff)
    today = services.today_in(cast.state)
    typed = {
        "requirement": str(rule.pk),
        "from_on": str(today),
        "until_on": str(today + datetime.timedelta(days=40)),
        "reason": "Engine out for overhaul",
    }
    page = reverse("aircraft", args=[aircraft.pk])
    form = client.get(reverse("waiver-new", args=[aircraft.pk])).content.decode()
    assert f'name="from_on" value="{today}"' in form
    assert client.post(reverse("waiver-new", args=[aircraft.pk]), typed).url == page
    said = words_of(signed_in(cast.owner).get(page))
    until = f"{today + datetime.timedelta(days=40):%-d %B %Y}"
    assert f"Nothing is due until {until}." in said
    assert "Waived until" in said
    assert "Engine out for overhaul" in said
    with tenancy.everyone():
        waiver = Waiver.objects.get()
    ended = client.post(reverse("waiver-end", args=[waiver.pk]), {"reason": "Flies again"})
    assert ended.url == page
    assert "Flies again" in words_of(client.get(page))


def test_a_further_jurisdiction(cast: Cast):
    elsewhere = services.add_jurisdiction(by=cast.staff, name="Elsewhere")
    with tenancy.everyone():
        aircraft = make_aircraft(cast)
    client = signed_in(cast.staff)
    page = reverse("aircraft", args=[aircraft.pk])
    today = services.today_in(elsewhere)
    typed = {"jurisdiction": str(elsewhere.pk), "from_on": str(today)}
    client.post(reverse("under-new", args=[aircraft.pk]), typed)
    assert "Works under Elsewhere too" in words_of(client.get(page))
    with tenancy.everyone():
        row = aircraft.works_under.get()
    client.post(reverse("under-end", args=[row.pk]))
    row.refresh_from_db()
    assert row.until_on == today


def test_a_checker_sees_four_things_of_aircraft_under_their_rules_and_nothing_else(cast: Cast):
    add(cast)
    elsewhere = services.add_jurisdiction(by=cast.staff, name="Elsewhere")
    with tenancy.everyone():
        approval = make_approval(cast)
        type(cast.other_operator).objects.filter(pk=cast.other_operator.pk).update(
            jurisdiction=elsewhere
        )
        theirs = make_aircraft(cast, cast.other_operator)
    client = signed_in(cast.checker)
    assert client.get(reverse("home")).url == reverse("checked")
    said = words_of(client.get(reverse("checked")))
    assert f"{approval.aircraft} Fixed wing Pattern test ● Met" in said
    assert theirs.registration not in said
    for hidden in (cast.operator.name, approval.aircraft.model, "swath", "CV", cast.owner.name):
        assert hidden not in said.split("A test finding")[0]
    assert client.get(reverse("aircraft", args=[approval.aircraft.pk])).status_code == 404
    assert "No aircraft here" in words_of(client.get(reverse("due"), {"show": "all"}))
    assert "no aircraft" in words_of(client.get(reverse("checked"), {"q": "zz"})).lower()
