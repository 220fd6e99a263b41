"""Problem answers: the exact document for one of each kind (RFC 9457), and nothing that leaks."""

from __future__ import annotations

import json

import pytest
from django.db import IntegrityError
from django.test import override_settings

from fleet import storage, tenancy
from fleet.api.views import aircraft as aircraft_views
from fleet.models import Aircraft
from tests.cast import Cast, make_aircraft, make_tested
from tests.fleet.api.client import Client, signed_in

pytestmark = pytest.mark.django_db

NEW = {"registration": "XX-NEW", "model": "Sower", "kind": "fixed_wing", "span_m": 15}


def problem(answer, status: int) -> dict:
    """Return what a problem answer says beside its head, which must be right."""
    assert answer["Content-Type"] == "application/problem+json"
    assert answer.status_code == status
    body = answer.json()
    assert body.pop("type") == "about:blank"
    assert body.pop("status") == status
    return body


def test_400_values(cast: Cast):
    answer = signed_in(cast.owner).post(
        "/api/v1/aircraft/", {**NEW, "kind": "balloon", "span_m": "wide"}
    )
    assert answer.content == (
        b'{"type":"about:blank","title":"The request has mistakes","status":400,'
        b'"errors":{"kind":["\\"balloon\\" is not a valid choice."],'
        b'"span_m":["A valid number is required."]}}'
    )
    assert answer["Content-Type"] == "application/problem+json"


def test_400_of_a_service_by_field(cast: Cast):
    answer = signed_in(cast.owner).post("/api/v1/aircraft/", {**NEW, "span_m": 600})
    assert problem(answer, 400) == {
        "title": "The request has mistakes",
        "errors": {"span_m": ["Ensure this value is less than or equal to 60."]},
    }


def test_400_about_the_whole(cast: Cast):
    with tenancy.everyone():
        make_aircraft(cast)
    answer = signed_in(cast.owner).post("/api/v1/aircraft/", {**NEW, "registration": "xx-r01"})
    assert problem(answer, 400)["errors"] == {
        "non_field_errors": ["An aircraft in service has this registration already."]
    }


@pytest.mark.parametrize("body", ["[]", '"x"', "7"])
def test_400_body_that_is_no_object(cast: Cast, body: str):
    answer = signed_in(cast.owner).post("/api/v1/aircraft/", body, content_type="application/json")
    assert list(problem(answer, 400)["errors"]) == ["non_field_errors"]


@pytest.mark.parametrize("body", ["{", "", '{"span_m": NaN}', "\xff"])
def test_400_body_that_is_no_json(cast: Cast, body: str):
    answer = signed_in(cast.owner).post(
        "/api/v1/aircraft/", body.encode("latin-1"), content_type="application/json"
    )
    body = problem(answer, 400)
    assert body["title"] == "The request has mistakes"
    assert "errors" in body or body["detail"].startswith("JSON parse error")


def test_401(cast: Cast):
    answer = Client().get("/api/v1/aircraft/")
    assert answer["WWW-Authenticate"] == "Bearer"
    assert problem(answer, 401) == {
        "title": "Sign in first",
        "detail": "Authentication credentials were not provided.",
    }


@pytest.mark.parametrize("header", ["Bearer nonsense", "Bearer", "Bearer a b", "Bearer \xe9"])
def test_401_wrong_token(cast: Cast, header: str):
    client = Client()
    client.credentials(HTTP_AUTHORIZATION=header)
    answer = client.get("/api/v1/aircraft/")
    assert answer["WWW-Authenticate"] == "Bearer"
    assert "oken" in problem(answer, 401)["detail"]


def test_403(cast: Cast):
    answer = signed_in(cast.pilot).post("/api/v1/aircraft/", NEW)
    assert problem(answer, 403) == {
        "title": "Not allowed",
        "detail": "Add and change aircraft, record set-ups: staff, analysts, and the operator's "
        "owner.",
    }


@pytest.mark.parametrize(
    "address",
    [
        "/api/v1/aircraft/01a211df-aab9-74ed-90a3-1b3a639c973e/",
        "/api/v1/aircraft/7/",
        "/api/v1/aircraft",
        "/api/v1/nothing/",
        "/api/",
        "/api/v2/aircraft/",
    ],
)
@pytest.mark.parametrize("method", ["get", "post", "patch", "delete"])
def test_404(cast: Cast, address: str, method: str):
    answer = getattr(signed_in(cast.staff), method)(address)
    if method in ("post", "delete") and "01a2" in address:
        problem(answer, 405)
        return
    body = problem(answer, 404)
    assert body["title"] == "Not found"
    assert body["detail"]


def test_405(cast: Cast):
    answer = signed_in(cast.staff).delete("/api/v1/aircraft/")
    assert answer["Allow"] == "GET, HEAD, POST"
    assert problem(answer, 405) == {
        "title": "Method not allowed",
        "detail": 'Method "DELETE" not allowed.',
    }


def test_options_says_no_more_than_the_schema(cast: Cast):
    client = signed_in(cast.staff)
    for address in ("aircraft/", "sign-in/", "me/", f"operators/{cast.operator.pk}/"):
        assert "OPTIONS" not in client.options(f"/api/v1/{address}")["Allow"]
        assert client.options(f"/api/v1/{address}").status_code == 405


def test_head_is_get_without_its_body(cast: Cast):
    answer = signed_in(cast.staff).head(f"/api/v1/operators/{cast.operator.pk}/")
    assert (answer.status_code, answer.content) == (200, b"")


def test_406(cast: Cast):
    client = signed_in(cast.staff)
    answer = client.get("/api/v1/aircraft/", headers={"Accept": "text/csv"})
    assert answer.status_code == 406


def test_409_when_somebody_was_faster(cast: Cast, monkeypatch, caplog):
    def lost_the_race(**values):
        raise IntegrityError("UNIQUE constraint failed: fleet_aircraft.secret")

    monkeypatch.setattr(aircraft_views.services, "add_aircraft", lost_the_race)
    answer = signed_in(cast.owner).post("/api/v1/aircraft/", NEW)
    body = problem(answer, 409)
    assert body["title"] == "Conflict"
    assert "secret" not in answer.content.decode()
    assert "UNIQUE constraint failed" in caplog.text


def test_413_document(cast: Cast):
    with override_settings(DATA_UPLOAD_MAX_MEMORY_SIZE=1_000_000):
        answer = signed_in(cast.owner).post("/api/v1/aircraft/", {**NEW, "make": "x" * 1_200_000})
    assert problem(answer, 413) == {
        "title": "Too large",
        "detail": "At most 1.0 MB may be sent, beside files.",
    }


def test_415(cast: Cast):
    answer = signed_in(cast.owner).post(
        "/api/v1/aircraft/", "registration=XX-NEW", content_type="application/x-www-form-urlencoded"
    )
    assert problem(answer, 415) == {
        "title": "Unsupported media type",
        "detail": 'Unsupported media type "application/x-www-form-urlencoded" in request.',
    }


def test_500_says_nothing_of_its_cause(cast: Cast, monkeypatch, caplog):
    def broken(person):
        raise RuntimeError("secret: /place/on/disk")

    monkeypatch.setattr(aircraft_views.AircraftList, "rows_of", staticmethod(broken))
    client = signed_in(cast.owner)
    answer = client.get("/api/v1/aircraft/")
    assert problem(answer, 500) == {
        "title": "Something went wrong on our side",
        "detail": "It has been noted in the service's log. Please try again.",
    }
    assert "secret" in caplog.text
    assert "GET /api/v1/aircraft/" in caplog.text


def test_damaged_file_is_not_handed_out(cast: Cast):
    with tenancy.everyone():
        test = make_tested(cast, passes=1)
        flight_pass = test.passes.get()
        digest = flight_pass.raw_file.digest
    kept = storage.fetch(digest)
    place = storage._place(digest)
    storage.default_storage.delete(place)
    try:
        answer = signed_in(cast.owner).get(f"/api/v1/passes/{flight_pass.pk}/file/")
        assert "missing from the store" in problem(answer, 500)["detail"]
        quality = signed_in(cast.owner).get(f"/api/v1/tests/{test.pk}/quality/").json()
        assert quality[0]["state"] == "failed"
    finally:
        storage.keep(kept)


def test_nested_errors_have_their_place(cast: Cast):
    with tenancy.everyone():
        plane = make_aircraft(cast)
    setup = {
        "purpose": "Main",
        "boom_width_m": 10,
        "nozzles": [
            {"place_m": 0, "size": "4010"},
            {"place_m": "left", "size": "4010", "colour": 1},
            {"size": "4010", "place_m": "left"},
        ],
        "pressure_kpa": 276,
        "airspeed_m_s": True,
        "release_height_m": "Infinity",
        "rate_l_per_ha": 28,
        "manner": "one_way",
    }
    answer = signed_in(cast.owner).post(f"/api/v1/aircraft/{plane.pk}/setups/", setup)
    assert problem(answer, 400)["errors"] == {
        "nozzles[1].colour": [
            "There is no such field here. Known: deflection_deg, place_m, size, type."
        ],
        "nozzles[2].place_m": ["A valid number is required."],
        "airspeed_m_s": ["A valid number is required."],
        "release_height_m": ["A valid number is required."],
    }


def test_misspelt_field_is_not_left_out_silently(cast: Cast):
    answer = signed_in(cast.owner).post("/api/v1/aircraft/", {**NEW, "wingspan": 3, "owner": 1})
    assert list(problem(answer, 400)["errors"]) == ["wingspan", "owner"]
    with tenancy.everyone():
        assert not Aircraft.objects.exists()


@pytest.mark.parametrize(
    "value", ["nan", "-inf", True, [], {}, None, "", "9" * 2000, 10**400, 1e999]
)
def test_no_number_gets_through_that_is_none(cast: Cast, value: object):
    body = json.dumps({**NEW, "span_m": value})
    answer = signed_in(cast.owner).post("/api/v1/aircraft/", body, content_type="application/json")
    body = problem(answer, 400)
    assert "span_m" in body.get("errors", {}) or "JSON parse error" in body["detail"]


def test_format_in_the_address_changes_nothing(cast: Cast):
    answer = signed_in(cast.owner).get("/api/v1/aircraft/", {"format": "xml"})
    assert list(problem(answer, 400)["errors"]) == ["format"]
