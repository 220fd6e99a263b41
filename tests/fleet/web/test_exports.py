"""Every list as a file: only what the person may see, in the person's units."""

from __future__ import annotations

import csv
import datetime
import io

import openpyxl
import pytest
from django.urls import reverse

from fleet import tenancy
from fleet.models import Person
from fleet.services import imports, requirements
from fleet.services import season as season_services
from tests.cast import Cast, make_aircraft, make_approval
from tests.fleet.web.asking import signed_in

pytestmark = pytest.mark.django_db


def exported(person: Person, name: str, *args: object, **asked: str) -> list[dict[str, str]]:
    answer = signed_in(person).get(reverse(name, args=args), {**asked, "as": "csv"})
    assert answer.status_code == 200, answer
    assert "attachment" in answer["Content-Disposition"]
    return list(csv.DictReader(io.StringIO(answer.content.decode("utf-8-sig"), newline="")))


@pytest.fixture
def approval(cast: Cast):
    with tenancy.everyone():
        made = make_approval(cast)
        make_aircraft(cast, cast.other_operator)
    return made


def test_fleet_in_the_readers_units(cast: Cast, approval):
    [row] = exported(cast.owner, "fleet")
    assert (row["Registration"], row["Operator"]) == ("XX-R01", "Redgrass Aerial")
    assert row["Wingspan or rotor diameter (ft)"] == "49.2126"  # 15 m / 0.3048
    assert row["Standing"] == "Main season work: Approved"
    Person.objects.filter(pk=cast.owner.pk).update(unit_system="metric")
    [row] = exported(cast.owner, "fleet")
    assert row["Wingspan or rotor diameter (m)"] == "15.0"


def test_nobody_gets_what_is_another_operators(cast: Cast, approval):
    assert {row["Registration"] for row in exported(cast.staff, "fleet")} == {"XX-R01", "XX-O01"}
    assert {row["Registration"] for row in exported(cast.outsider, "fleet")} == {"XX-O01"}
    assert exported(cast.checker, "fleet") == []
    assert exported(cast.outsider, "visits") == []
    assert exported(cast.outsider, "approvals") == []
    assert {row["Name"] for row in exported(cast.outsider, "people")} == {"Otto Outsider"}
    for name in ("operators", "trail"):
        asked = signed_in(cast.owner).get(reverse(name), {"as": "csv"})
        assert asked.status_code == 403


def test_seasons_rules_and_spreadsheets_are_lists_too(cast: Cast, everyone: None):
    season_services.add_season(
        by=cast.staff,
        name="2026",
        starts_on=datetime.date(2026, 1, 1),
        ends_on=datetime.date(2026, 12, 31),
    )
    imports.bring(by=cast.staff, name="members.csv", data=b"operator,base\nReach,Reach\n")
    [one] = exported(cast.staff, "seasons")
    assert (one["Season"], one["Last day"], one["Members"]) == ("2026", "2026-12-31", "0")
    [sheet] = exported(cast.staff, "imports")
    assert (sheet["File"], sheet["State"]) == ("members.csv", "Not read yet")
    rule = requirements.add_requirement(
        by=cast.staff,
        jurisdiction=cast.state,
        name="Yearly test",
        effective_from=datetime.date(2026, 1, 1),
        source="A rule of these tests, section 4",
        rhythm="interval",
        interval_months=12,
    )
    [line] = exported(cast.owner, "rules")
    assert (line["Jurisdiction"], line["Rule"]) == ("Calloway", rule.name)
    assert line["Source"] == rule.versions.get().source


def test_what_was_searched_for_is_what_comes(cast: Cast, approval):
    [row] = exported(cast.staff, "fleet", q="other creek")
    assert row["Registration"] == "XX-O01"
    page = signed_in(cast.staff).get(reverse("fleet"), {"q": "o&o", "page": "1"}).content.decode()
    assert 'href="?q=o%26o&amp;as=csv"' in page


def test_other_lists(cast: Cast, approval):
    [visit] = exported(cast.owner, "visits")
    assert (visit["Place"], visit["Tests"]) == ("Tamber Flat airstrip", "1")
    test = approval.analysis.test
    [row] = exported(cast.owner, "visit", test.visit_id)
    assert (row["Passes with a file"], row["State"]) == ("3", "Approved")
    assert row["Wind (mph)"] == "5.5923"  # 2.5 m/s
    [one] = exported(cast.owner, "approvals")
    assert (one["Aircraft"], one["State"]) == ("XX-R01", "In force")
    assert len(exported(cast.staff, "operators")) == 2
    deeds = {row["Did"] for row in exported(cast.staff, "trail")}
    assert {"added the aircraft", "approved"} <= deeds
    people = exported(cast.owner, "people")
    assert [row["Name"] for row in people] == ["Orla Owner", "Pim Pilot"]


def test_workbook_of_a_page(cast: Cast, approval):
    answer = signed_in(cast.owner).get(reverse("fleet"), {"as": "xlsx"})
    sheet = openpyxl.load_workbook(io.BytesIO(answer.content)).active
    assert sheet.title == "Fleet"
    assert sheet["H2"].value == "XX-R01"


def test_an_unknown_kind_of_file_is_said(cast: Cast):
    answer = signed_in(cast.owner).get(reverse("fleet"), {"as": "pdf"})
    assert (answer.status_code, answer.content) == (400, b"This list can be had as csv or xlsx.")
