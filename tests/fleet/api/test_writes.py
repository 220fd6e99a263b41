"""Changes and deeds: what goes in comes out again, and the rules of the services hold."""

from __future__ import annotations

import datetime
import xml.etree.ElementTree as ElementTree

import pytest
from django.utils import timezone

from fleet import tenancy
from fleet.models import AuditRow
from tests.cast import Cast, make_aircraft, make_setup, make_tested, make_visit, nozzles
from tests.fleet.api.client import signed_in
from tests.fleet.api.world import World, make_world

pytestmark = pytest.mark.django_db

SETUP = {
    "purpose": "Main season work",
    "boom_width_m": 10.5,
    "nozzles": nozzles(),
    "pressure_kpa": 276.0,
    "airspeed_m_s": 62.0,
    "release_height_m": 3.0,
    "rate_l_per_ha": 28.0,
    "manner": "back_and_forth",
}


@pytest.fixture
def world(cast: Cast, monkeypatch) -> World:
    return make_world(cast, monkeypatch)


def deeds() -> list[str]:
    with tenancy.everyone():
        return list(AuditRow.objects.order_by("-created_at").values_list("deed", flat=True))


def test_operator_changes(cast: Cast):
    client = signed_in(cast.staff)
    answer = client.patch(
        f"/api/v1/operators/{cast.operator.pk}/", {"phone": "555 0100", "left_on": "2026-03-01"}
    )
    assert answer.status_code == 200
    assert answer.json()["phone"] == "555 0100"
    assert answer.json()["left_on"] == "2026-03-01"
    back = client.patch(f"/api/v1/operators/{cast.operator.pk}/", {"left_on": None})
    assert back.json()["left_on"] is None
    twin = client.post("/api/v1/operators/", {"name": "redgrass AERIAL", "base": "x"})
    assert twin.status_code == 400


def test_person_must_fit_the_role(cast: Cast):
    new = {"email": "n@x.example", "name": "Nia New", "role": "pilot"}
    client = signed_in(cast.staff)
    answer = client.post("/api/v1/people/", new)
    assert list(answer.json()["errors"]) == ["operator"]
    weak = client.post(
        "/api/v1/people/", {**new, "operator": str(cast.operator.pk), "password": "short"}
    )
    assert list(weak.json()["errors"]) == ["password"]


def test_aircraft_changes_and_audits(cast: Cast):
    with tenancy.everyone():
        plane = make_aircraft(cast)
    client = signed_in(cast.owner)
    address = f"/api/v1/aircraft/{plane.pk}/"
    today = str(timezone.localdate())
    assert client.patch(address, {"retired_on": today}).json()["retired_on"] == today
    assert deeds()[0] == "aircraft_changed"
    before = len(deeds())
    assert client.patch(address, {"retired_on": today}).status_code == 200  # nothing differs
    assert client.patch(address, {}).status_code == 200
    assert len(deeds()) == before
    assert client.patch(address, {"operator": str(cast.operator.pk)}).status_code == 400


def test_setup_revisions_are_numbered_and_never_changed(cast: Cast):
    with tenancy.everyone():
        plane = make_aircraft(cast)
    client = signed_in(cast.owner)
    address = f"/api/v1/aircraft/{plane.pk}/setups/"
    first = client.post(address, SETUP)
    assert (first.status_code, first.json()["number"]) == (201, 1)
    assert first.json()["nozzles"][0] == SETUP["nozzles"][0]
    assert client.get(first["Location"]).json() == first.json()
    assert client.post(address, SETUP).json()["errors"] == {
        "purpose": ["Nothing differs from revision 1, in force now."]
    }
    second = client.post(address, {**SETUP, "pressure_kpa": 300})
    assert second.json()["number"] == 2
    assert client.patch(first["Location"], {"note": "x"}).status_code == 405
    far = client.post(address, {**SETUP, "nozzles": [{"place_m": 9, "size": "4010"}]})
    assert far.json()["errors"] == {"nozzles": ["Nozzle 1: its place lies beyond the boom."]}


def test_visit_rules(cast: Cast):
    client = signed_in(cast.staff)
    visit = {
        "kind": "private",
        "place": "Tamber Flat",
        "starts_on": "2026-04-02",
        "ends_on": "2026-04-01",
        "analyst": str(cast.staff.pk),
    }
    answer = client.post("/api/v1/visits/", visit)
    assert sorted(answer.json()["errors"]) == ["analyst", "ends_on", "host"]
    right = {"ends_on": "2026-04-02", "analyst": str(cast.analyst.pk)}
    made = client.post("/api/v1/visits/", {**visit, **right, "host": str(cast.operator.pk)})
    assert made.json()["host_name"] == "Redgrass Aerial"
    address = made["Location"]
    assert client.patch(address, {"place": "Long Draw"}).json()["place"] == "Long Draw"
    assert client.patch(address, {"host": None}).status_code == 400
    clinic = client.patch(address, {"host": None, "kind": "clinic"})
    assert (clinic.status_code, clinic.json()["host"]) == (200, None)


def test_test_stays_on_its_visit(cast: Cast):
    with tenancy.everyone():
        setup, visit = make_setup(cast, make_aircraft(cast)), make_visit(cast)
    client = signed_in(cast.analyst)
    new = {"visit": str(visit.pk), "setup": str(setup.pk), "flown_on": "2026-04-15"}
    answer = client.post("/api/v1/tests/", new)
    assert list(answer.json()["errors"]) == ["flown_on"]
    made = client.post("/api/v1/tests/", {**new, "flown_on": "2026-04-14", "temperature_c": 18})
    assert made.json()["temperature_c"] == 18
    assert made.json()["pass_count"] == 0
    changed = client.patch(made["Location"], {"humidity_percent": 55, "file_unit": "m"})
    assert (changed.json()["humidity_percent"], changed.json()["file_unit"]) == (55, "m")
    wild = client.patch(made["Location"], {"wind_speed_m_s": 400})
    assert wild.json()["errors"] == {"wind_speed_m_s": ["Must be a number from 0 to 40 m/s."]}
    assert client.get(made["Location"]).json()["wind_speed_m_s"] is None


def test_passes_change_and_are_overruled(cast: Cast):
    with tenancy.everyone():
        test = make_tested(cast, passes=2)
        flight_pass = test.passes.first()
    client = signed_in(cast.analyst)
    address = f"/api/v1/passes/{flight_pass.pk}/"
    changed = client.patch(
        address, {"flown_at": "2026-04-14T09:30:00Z", "heading_deg": 181.5}
    ).json()
    moment = datetime.datetime.fromisoformat(changed["flown_at"])
    assert moment == datetime.datetime(2026, 4, 14, 9, 30, tzinfo=datetime.UTC)
    assert client.patch(address, {"flown_at": None}).json()["flown_at"] is None
    assert client.patch(address, {"number": 7}).status_code == 400
    silent = client.post(f"{address}overrule/", {"overrule": "leave_out"})
    assert list(silent.json()["errors"]) == ["overrule_reason"]
    said = client.post(f"{address}overrule/", {"overrule": "leave_out", "overrule_reason": "Gust"})
    assert (said.json()["overrule"], said.json()["overrule_reason"]) == ("leave_out", "Gust")
    quality = client.get(f"/api/v1/tests/{test.pk}/quality/").json()
    assert [one["state"] for one in quality] == ["left_out", "accepted"]
    taken_back = client.post(f"{address}overrule/", {"overrule": ""}).json()
    assert (taken_back["overrule"], taken_back["overrule_reason"]) == ("", "")


def test_aborted_pass_has_no_file(cast: Cast):
    with tenancy.everyone():
        test = make_tested(cast, passes=1)
    client = signed_in(cast.analyst)
    made = client.post(
        f"/api/v1/tests/{test.pk}/passes/aborted/", {"aborted_reason": "Bird in the line"}
    )
    assert (made.status_code, made.json()["number"], made.json()["file"]) == (201, 2, None)
    assert client.get(f"{made['Location']}file/").status_code == 404
    silent = client.post(f"/api/v1/tests/{test.pk}/passes/aborted/", {"aborted_reason": " "})
    assert list(silent.json()["errors"]) == ["aborted_reason"]


def test_analysis_settings(cast: Cast):
    with tenancy.everyone():
        test = make_tested(cast, passes=1)
        bare = make_tested(cast, make_setup(cast, make_aircraft(cast, number=2)), passes=0)
    client = signed_in(cast.analyst)
    address = f"/api/v1/tests/{test.pk}/analyses/"
    wide = client.post(address, {"cv_limit_percent": 90})
    assert wide.json()["errors"] == {"cv_limit_percent": ["Must be a number from 5 to 60 %."]}
    odd = client.post(address, {"sweep": "leagues"})
    assert list(odd.json()["errors"]) == ["sweep"]
    none = client.post(f"/api/v1/tests/{bare.pk}/analyses/", {})
    assert none.json()["errors"] == {"passes": ["There is no pass with a file yet."]}


def test_approval_outside_the_evidence_needs_a_reason(cast: Cast, world: World):
    client = signed_in(cast.analyst)
    address = f"/api/v1/analyses/{world.analysis.pk}/approvals/"
    until = str(timezone.localdate() + datetime.timedelta(days=100))
    wide = {"swath_m": 35, "manner": "back_and_forth", "valid_until": until}
    answer = client.post(address, wide)
    assert list(answer.json()["errors"]) == ["outside_reason"]
    made = client.post(address, {**wide, "outside_reason": "Trial plot only."})
    assert made.status_code == 201
    assert made.json()["supersedes"] == str(world.approval.pk)
    earlier = client.get(f"/api/v1/approvals/{world.approval.pk}/").json()
    assert (earlier["state"], earlier["superseded_by"]) == ("superseded", made.json()["id"])
    past = client.post(address, {**wide, "valid_until": "2020-01-01"})
    assert list(past.json()["errors"]) == ["valid_until"]


def test_withdrawal_stays_beside_the_approval(cast: Cast, world: World):
    client = signed_in(cast.analyst)
    address = f"/api/v1/approvals/{world.approval.pk}/"
    silent = client.post(f"{address}withdrawal/", {"reason": " "})
    assert list(silent.json()["errors"]) == ["reason"]
    made = client.post(f"{address}withdrawal/", {"reason": "The boom was bent."})
    assert (made.status_code, made.json()["state"]) == (201, "withdrawn")
    assert made.json()["withdrawal"]["reason"] == "The boom was bent."
    assert made.json()["withdrawal"]["withdrawn_by"] == str(cast.analyst.pk)
    twice = client.post(f"{address}withdrawal/", {"reason": "Again"})
    assert list(twice.json()["errors"]) == ["approval"]
    assert client.delete(address).status_code == 405


def test_analysis_no_longer_current_after_an_overrule(cast: Cast, world: World):
    client = signed_in(cast.analyst)
    address = f"/api/v1/analyses/{world.analysis.pk}/"
    assert client.get(address).json()["current"] is True
    client.post(
        f"/api/v1/passes/{world.flight_pass.pk}/overrule/",
        {"overrule": "leave_out", "overrule_reason": "Gust"},
    )
    assert client.get(address).json()["current"] is False


def test_paper_of_a_size_nobody_has(cast: Cast, world: World):
    answer = signed_in(cast.pilot).post(
        f"/api/v1/analyses/{world.analysis.pk}/papers/", {"page_size": "a3"}
    )
    assert list(answer.json()["errors"]) == ["page_size"]


# --- charts and evidence


@pytest.mark.parametrize("chart", ["passes", "cv", "field"])
@pytest.mark.parametrize("size", ["wide", "compact", "paper"])
def test_charts_are_svg_in_the_readers_units(cast: Cast, world: World, chart: str, size: str):
    client = signed_in(cast.owner)
    address = f"/api/v1/analyses/{world.analysis.pk}/charts/{chart}.svg"
    for system, unit in (("us", "ft"), ("metric", " m")):
        answer = client.get(
            address,
            {"system": system, "size": size, "swath_m": 15, "manner": "one_way"},
            headers={"Accept": "image/svg+xml"},
        )
        assert answer["Content-Type"] == "image/svg+xml"
        assert ElementTree.fromstring(answer.content).tag == "{http://www.w3.org/2000/svg}svg"
        assert unit in answer.content.decode()
    own = client.get(address, {"size": size, "swath_m": 15, "manner": "one_way"})
    us = client.get(address, {"system": "us", "size": size, "swath_m": 15, "manner": "one_way"})
    assert own.content == us.content  # the owner reads feet


def test_field_chart_stands_at_the_recommended_swath(cast: Cast, world: World):
    client = signed_in(cast.owner)
    address = f"/api/v1/analyses/{world.analysis.pk}/charts/field.svg"
    chosen = {"swath_m": world.analysis.back_and_forth_swath_m, "manner": "back_and_forth"}
    assert client.get(address).content == client.get(address, chosen).content
    assert client.get(address).content != client.get(address, {"swath_m": 12}).content


@pytest.mark.parametrize(
    "query",
    [
        {"swath_m": "wide"},
        {"swath_m": "nan"},
        {"swath_m": "0"},
        {"swath_m": "600"},
        {"manner": "sideways"},
        {"system": "imperial"},
        {"size": "huge"},
        {"colour": "red"},
    ],
)
def test_chart_of_what_cannot_be(cast: Cast, world: World, query: dict):
    for chart in ("passes", "cv", "field"):
        answer = signed_in(cast.owner).get(
            f"/api/v1/analyses/{world.analysis.pk}/charts/{chart}.svg", query
        )
        assert answer.status_code == 400
        assert list(answer.json()["errors"]) == list(query)


def test_evidence_outside_says_how(cast: Cast, world: World):
    client = signed_in(cast.pilot)
    address = f"/api/v1/analyses/{world.analysis.pk}/evidence/"
    found = client.get(address, {"swath_m": 35, "manner": "one_way"}).json()
    assert "recommends no more than" in found["gap"]
    missing = client.get(address)
    assert sorted(missing.json()["errors"]) == ["manner", "swath_m"]


def test_moments_carry_their_zone(cast: Cast, world: World):
    row = signed_in(cast.owner).get(f"/api/v1/aircraft/{world.aircraft.pk}/").json()
    moment = datetime.datetime.fromisoformat(row["created_at"])
    assert moment == world.aircraft.created_at
    assert moment.tzinfo is not None
