"""Who gets in, and what each may do: not signed in 401, not yours 404, not allowed 403."""

from __future__ import annotations

import pytest
from django.core.cache import cache
from django.test import Client as DjangoClient
from rest_framework.authtoken.models import Token
from rest_framework.throttling import ScopedRateThrottle

from fleet import tenancy
from fleet.models import Aircraft
from tests.cast import PASSWORD, Cast, make_aircraft, make_visit
from tests.fleet.api.client import Client, signed_in
from tests.fleet.api.world import World, make_world

pytestmark = pytest.mark.django_db

STAFF = {"staff"}
ANALYST = {"analyst"}
OFFICE = {"staff", "analyst"}
FLEET = {"staff", "analyst", "owner"}
ALL = {"staff", "analyst", "owner", "pilot"}

# method, address, whose key stands in it, and who may
READS = [
    ("operators", "operator"),
    ("aircraft", "aircraft"),
    ("setups", "setup"),
    ("tests", "test"),
    ("passes", "flight_pass"),
    ("card-scans", "card_scan"),
    ("card-measurements", "card_run"),
    ("analyses", "analysis"),
    ("approvals", "approval"),
    ("papers", "paper"),
    ("jobs", "job"),
    ("visits", "visit"),
]
DEEPER = [
    ("tests/{}/quality/", "test"),
    ("passes/{}/file/", "flight_pass"),
    ("tests/{}/cards/", "test"),
    ("card-scans/{}/file/", "card_scan"),
    ("card-measurements/{}/cards/1/", "card_run"),
    ("card-measurements/{}/cards/1/picture/", "card_run"),
    ("papers/{}/file/", "paper"),
    ("analyses/{}/evidence/?swath_m=15&manner=one_way", "analysis"),
    ("analyses/{}/charts/passes.svg", "analysis"),
    ("analyses/{}/charts/cv.svg", "analysis"),
    ("analyses/{}/charts/field.svg?swath_m=15", "analysis"),
]
WRITES = [
    ("post", "operators/", None, STAFF),
    ("patch", "operators/{}/", "operator", STAFF),
    ("post", "people/", None, STAFF),
    ("post", "aircraft/", None, FLEET),
    ("patch", "aircraft/{}/", "aircraft", FLEET),
    ("post", "aircraft/{}/setups/", "aircraft", FLEET),
    ("post", "visits/", None, OFFICE),
    ("patch", "visits/{}/", "visit", OFFICE),
    ("post", "tests/", None, ANALYST),
    ("patch", "tests/{}/", "test", ANALYST),
    ("post", "tests/{}/passes/", "test", ANALYST),
    ("post", "tests/{}/passes/aborted/", "test", ANALYST),
    ("post", "tests/{}/analyses/", "test", ANALYST),
    ("post", "tests/{}/card-scans/", "test", ANALYST),
    ("post", "card-scans/{}/confirmation/", "card_scan", ANALYST),
    ("post", "card-scans/{}/places/", "card_scan", ANALYST),
    ("post", "card-scans/{}/measurements/", "card_scan", ANALYST),
    ("patch", "passes/{}/", "flight_pass", ANALYST),
    ("post", "passes/{}/overrule/", "flight_pass", ANALYST),
    ("post", "analyses/{}/approvals/", "analysis", ANALYST),
    ("post", "approvals/{}/withdrawal/", "approval", ANALYST),
    ("post", "analyses/{}/papers/", "analysis", ALL),
]


@pytest.fixture
def world(cast: Cast, monkeypatch) -> World:
    return make_world(cast, monkeypatch)


def address_of(world: World, address: str, subject: str | None) -> str:
    return "/api/v1/" + (address.format(getattr(world, subject).pk) if subject else address)


# --- signing in and out


def test_sign_in_and_out(cast: Cast):
    client = Client()
    answer = client.post(
        "/api/v1/sign-in/", {"email": cast.owner.email.upper(), "password": PASSWORD}
    )
    token = answer.json()["token"]
    client.credentials(HTTP_AUTHORIZATION=f"Bearer {token}")
    assert client.get("/api/v1/me/").json()["email"] == cast.owner.email
    assert client.post("/api/v1/sign-out/").status_code == 204
    assert client.get("/api/v1/me/").status_code == 401
    assert not Token.objects.exists()


@pytest.mark.parametrize("password", ["wrong", PASSWORD + " "])
def test_sign_in_wrong_password(cast: Cast, password: str):
    answer = Client().post("/api/v1/sign-in/", {"email": cast.owner.email, "password": password})
    assert answer.status_code == 401
    assert answer["WWW-Authenticate"] == "Bearer"
    assert "do not belong together" in answer.json()["detail"]


def test_closed_account_gets_no_token_and_keeps_none(cast: Cast):
    client = signed_in(cast.owner)
    cast.owner.is_active = False
    cast.owner.save()
    assert client.get("/api/v1/aircraft/").status_code == 401
    answer = Client().post("/api/v1/sign-in/", {"email": cast.owner.email, "password": PASSWORD})
    assert answer.status_code == 401


def test_sign_in_is_throttled_whatever_the_forwarded_header_says(cast: Cast, monkeypatch):
    monkeypatch.setattr(ScopedRateThrottle, "THROTTLE_RATES", {"sign-in": "2/min"})
    cache.clear()
    client = Client()
    answers = [
        client.post(
            "/api/v1/sign-in/",
            {"email": "x@y.example", "password": "no"},
            headers={"X-Forwarded-For": f"192.0.2.{number}"},
        )
        for number in range(3)
    ]
    cache.clear()
    assert [answer.status_code for answer in answers] == [401, 401, 429]
    assert int(answers[2]["Retry-After"]) > 0
    assert answers[2].json()["title"] == "Too many requests"


def test_me_changes_units_only(cast: Cast):
    client = signed_in(cast.pilot)
    assert client.patch("/api/v1/me/", {"unit_system": "metric"}).json()["unit_system"] == "metric"
    assert client.patch("/api/v1/me/", {"role": "staff"}).status_code == 400
    cast.pilot.refresh_from_db()
    assert (cast.pilot.role, cast.pilot.unit_system) == ("pilot", "metric")


# --- scopes


def test_token_decides_over_the_session_and_the_scope_closes(cast: Cast):
    with tenancy.everyone():
        make_aircraft(cast)
    client = signed_in(cast.outsider)
    client.force_login(cast.analyst)
    assert client.get("/api/v1/aircraft/").json()["count"] == 0
    assert tenancy.current() is None


def test_session_reads_and_writes_with_csrf(cast: Cast):
    client = DjangoClient(enforce_csrf_checks=True)
    client.force_login(cast.owner)
    new = {"registration": "XX-NEW", "model": "Sower", "kind": "fixed_wing", "span_m": 15}
    assert client.get("/api/v1/aircraft/").status_code == 200
    refused = client.post("/api/v1/aircraft/", new, content_type="application/json")
    assert refused.status_code == 403
    assert "CSRF" in refused.json()["detail"]
    client.get("/me/")
    token = client.cookies["csrftoken"].value
    answer = client.post(
        "/api/v1/aircraft/", new, content_type="application/json", headers={"X-CSRFToken": token}
    )
    assert answer.status_code == 201
    with tenancy.everyone():
        assert Aircraft.objects.get().operator == cast.operator


# --- whose


def test_nobody_signed_in_is_told_to(world: World):
    client = Client()
    reads = [(f"{name}/{{}}/", subject) for name, subject in READS]
    lists = [(f"{name}/", None) for name, _ in READS]
    more = [("standings/", None), ("audit/", None), ("people/", None), ("me/", None)]
    for address, subject in [*reads, *lists, *more, *DEEPER]:
        answer = client.get(address_of(world, address, subject))
        assert answer.status_code == 401, address
        assert answer["WWW-Authenticate"] == "Bearer"
    for method, address, subject, _ in WRITES:
        answer = getattr(client, method)(address_of(world, address, subject), {})
        assert answer.status_code == 401, (method, address)


def test_own_is_read_by_all_and_not_found_by_others(cast: Cast, world: World):
    reads = [(f"{name}/{{}}/", subject) for name, subject in READS] + DEEPER
    for role, person in cast.everybody.items():
        client = signed_in(person)
        for address, subject in reads:
            answer = client.get(address_of(world, address, subject))
            assert answer.status_code == (200 if role in ALL else 404), (role, address)


def test_lists_show_nothing_of_others(cast: Cast, world: World):
    client = signed_in(cast.outsider)
    keys = [str(getattr(world, subject).pk) for _, subject in READS]
    keys += [str(cast.owner.pk), str(cast.analyst.pk)]
    for name in [*(name for name, _ in READS), "people", "standings"]:
        answer = client.get(f"/api/v1/{name}/")
        assert answer.status_code == 200
        text = answer.content.decode()
        assert not [key for key in keys if key in text], name
        mine = signed_in(cast.owner).get(f"/api/v1/{name}/").json()
        assert mine["count"] >= 1, name


def test_writes_by_role(cast: Cast, world: World):
    for role, person in cast.everybody.items():
        client = signed_in(person)
        for method, address, subject, may in WRITES:
            answer = getattr(client, method)(address_of(world, address, subject), {})
            if role in ("outsider", "checker"):
                # An outsider's rights are an owner's; what is not theirs they cannot see.
                open_to_owners = "owner" in may and role == "outsider"
                expected = {404} if subject else {400} if open_to_owners else {403}
            else:
                expected = {200, 201, 202, 400, 415} if role in may else {403}
            assert answer.status_code in expected, (role, method, address, answer.content)


def test_audit_is_for_staff(cast: Cast, world: World):
    for role, person in cast.everybody.items():
        answer = signed_in(person).get("/api/v1/audit/")
        assert answer.status_code == (200 if role == "staff" else 403), role


def test_people_detail_is_ones_own_operators(cast: Cast):
    address = f"/api/v1/people/{cast.pilot.pk}/"
    assert signed_in(cast.owner).get(address).json()["operator_name"] == "Redgrass Aerial"
    assert signed_in(cast.outsider).get(address).status_code == 404
    assert "password" not in signed_in(cast.staff).get(address).json()


def test_bodies_cannot_name_rows_of_others(cast: Cast):
    new = {"registration": "XX-NEW", "model": "Sower", "kind": "fixed_wing", "span_m": 15}
    answer = signed_in(cast.owner).post(
        "/api/v1/aircraft/", {**new, "operator": str(cast.other_operator.pk)}
    )
    assert answer.status_code == 400
    assert list(answer.json()["errors"]) == ["operator"]
    with tenancy.everyone():
        assert not Aircraft.objects.exists()


def test_visit_shows_an_operator_only_its_own_tests(cast: Cast, world: World, monkeypatch):
    with tenancy.everyone():
        empty = make_visit(cast)
    client = signed_in(cast.owner)
    assert client.get(f"/api/v1/visits/{empty.pk}/").status_code == 404
    make_world(cast, monkeypatch, cast.other_operator, number=2)
    found = client.get("/api/v1/visits/").json()["results"]
    assert [(one["id"], one["test_count"]) for one in found] == [(str(world.visit.pk), 1)]
