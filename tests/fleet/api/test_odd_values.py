"""Every field of every body with values that nobody means: an answer, never a fault."""

from __future__ import annotations

import datetime
import json

import pytest
from django.utils import timezone

from tests.cast import Cast, nozzles
from tests.fleet.api.client import schema, signed_in
from tests.fleet.api.world import World, make_world

pytestmark = pytest.mark.django_db

NOBODY = "00000000-0000-0000-0000-000000000000"
ODD = [
    None,
    True,
    0,
    1e308,
    2**70,
    "",
    "x" * 300,
    "a\x00b",
    "\ud800",
    "🛩",
    [],
    {"a": [1]},
    "0001-01-01",
    "9999-12-31",
    "0001-01-01T00:00:00Z",
    "9999-12-31T23:59:59-12:00",
    "2026-11-01T01:30:00",  # twice on the clocks of the demo's zone
    NOBODY,
]


def fields_of(path: str, method: str) -> list[str]:
    operation = schema()["paths"][path][method]
    body = operation["requestBody"]["content"]["application/json"]["schema"]
    name = body["$ref"].rsplit("/", 1)[1]
    return sorted(schema()["components"]["schemas"][name]["properties"])


def bodies(cast: Cast, world: World) -> dict[tuple[str, str], dict]:
    """A body that is right, for each address that takes one."""
    until = str(timezone.localdate() + datetime.timedelta(days=10))
    setup = {
        "purpose": "Edges",
        "boom_width_m": 10.5,
        "nozzles": nozzles(2),
        "pressure_kpa": 276.0,
        "airspeed_m_s": 62.0,
        "release_height_m": 3.0,
        "rate_l_per_ha": 28.0,
        "manner": "one_way",
    }
    visit = {
        "kind": "clinic",
        "place": "Tamber Flat",
        "starts_on": "2026-04-14",
        "ends_on": "2026-04-14",
        "analyst": str(cast.analyst.pk),
    }
    test = {"visit": str(world.visit.pk), "setup": str(world.setup.pk), "flown_on": "2026-04-14"}
    plane = {
        "operator": str(cast.operator.pk),
        "registration": "XX-NEW",
        "model": "Sower",
        "kind": "fixed_wing",
        "span_m": 15,
    }
    person = {"email": "n@x.example", "name": "Nia New", "role": "pilot"}
    approval = {"swath_m": 12, "manner": "one_way", "valid_until": until}
    return {
        ("post", "sign-in/"): {"email": cast.owner.email, "password": "no"},
        ("patch", "me/"): {},
        ("post", "operators/"): {"name": "New", "base": "New"},
        ("patch", "operators/{operator}/"): {},
        ("post", "people/"): {**person, "operator": str(cast.operator.pk)},
        ("post", "aircraft/"): plane,
        ("patch", "aircraft/{aircraft}/"): {},
        ("post", "aircraft/{aircraft}/setups/"): setup,
        ("post", "visits/"): visit,
        ("patch", "visits/{visit}/"): {},
        ("post", "tests/"): test,
        ("patch", "tests/{test}/"): {},
        ("post", "tests/{test}/passes/aborted/"): {"aborted_reason": "Bird"},
        ("post", "tests/{test}/analyses/"): {},
        ("patch", "passes/{flight_pass}/"): {},
        ("post", "passes/{flight_pass}/overrule/"): {"overrule": "", "overrule_reason": "Gust"},
        ("post", "card-scans/{card_scan}/confirmation/"): {
            "measurement": str(world.card_run.pk),
            "not_cards": [{"number": 1, "reason": "A shadow"}],
        },
        ("post", "card-scans/{card_scan}/places/"): {
            "places": [{"number": 1, "position_m": -2.5, "left_out_reason": ""}]
        },
        ("post", "card-scans/{card_scan}/measurements/"): {},
        ("post", "analyses/{analysis}/approvals/"): approval,
        ("post", "analyses/{analysis}/papers/"): {},
        ("post", "approvals/{approval}/withdrawal/"): {"reason": "Bent"},
    }


def test_every_body_is_tried(cast: Cast, monkeypatch):
    world = make_world(cast, monkeypatch)
    tried = {(method, _template(address, world)) for method, address in bodies(cast, world)}
    announced = {
        (method, path)
        for path, methods in schema()["paths"].items()
        for method, operation in methods.items()
        if "application/json" in operation.get("requestBody", {}).get("content", {})
    }
    assert tried == announced


def _template(address: str, world: World) -> str:
    names = dict.fromkeys(World.__dataclass_fields__, "{id}")
    return "/api/v1/" + address.format(**names)


def test_odd_values_get_an_answer(cast: Cast, monkeypatch):
    world = make_world(cast, monkeypatch)
    keys = {name: getattr(world, name).pk for name in World.__dataclass_fields__}
    office, analyst = signed_in(cast.staff), signed_in(cast.analyst)
    for (method, address), right in bodies(cast, world).items():
        client = office if address.startswith(("operators", "people")) else analyst
        for field in fields_of(_template(address, world), method):
            for value in ODD:
                body = json.dumps({**right, field: value})
                answer = getattr(client, method)(
                    f"/api/v1/{address.format(**keys)}", body, content_type="application/json"
                )
                # 409 would be a row that the checks let through and the database did not.
                assert answer.status_code in (200, 201, 202, 400, 401), (address, field, value)
