"""Every field of every body with values that nobody means: an answer, never a fault."""

from __future__ import annotations

import datetime
import itertools
import json
import re
from typing import Any

import pytest
from django.utils import timezone

from tests.cast import Cast, nozzles
from tests.fleet.api.client import schema, signed_in
from tests.fleet.one_of_each import make_one_of_each

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


@pytest.fixture
def world(cast: Cast) -> dict[str, Any]:
    """One of each record, all of them our operator's."""
    return make_one_of_each(cast)


def fields_of(path: str, method: str) -> list[str]:
    operation = schema()["paths"][path][method]
    body = operation["requestBody"]["content"]["application/json"]["schema"]
    name = body["$ref"].rsplit("/", 1)[1]
    return sorted(schema()["components"]["schemas"][name]["properties"])


def bodies(cast: Cast, world: dict[str, Any]) -> dict[tuple[str, str], dict]:
    """A body that is right, for each address that takes one."""
    return {**bodies_of_tests(cast, world), **bodies_of_seasons(world), **bodies_of_papers(world)}


def bodies_of_seasons(world: dict[str, Any]) -> dict[tuple[str, str], dict]:
    """What the office and the days of a season take."""
    today = str(timezone.localdate())
    says = {"effective_from": today, "source": "Invented", "rhythm": "once"}
    about = {name: str(world[name].pk) for name in ("operator", "aircraft", "season", "visit")}
    gift = {"amount": 2, "given_on": today, "giver": "Field Days", "kind": "hours"}
    plan = {
        "analyst": str(world["visit"].analyst_id),
        "starts_on": today,
        "ends_on": today,
        "start_latitude_deg": 46.1,
        "start_longitude_deg": -99.2,
        "start_place": "Tamber Flat",
    }
    return {
        ("post", "seasons/"): {"name": "2031", "starts_on": "2031-01-01", "ends_on": "2031-12-31"},
        ("patch", "seasons/{season}/"): {},
        ("post", "memberships/"): {**_some(about, "operator", "season"), "kind": "full"},
        ("patch", "memberships/{membership}/"): {},
        ("post", "invitations/"): {
            **_some(about, "operator"),
            "email": "o@x.example",
            "name": "Odd",
            "role": "pilot",
        },
        ("patch", "people/{pilot}/"): {},
        ("post", "imports/{import}/apply/"): {"mark": "x"},
        ("post", "gifts/"): gift,
        ("patch", "gifts/{gift}/"): {},
        ("post", "jurisdictions/"): {"name": "Somewhere"},
        ("patch", "jurisdictions/{jurisdiction}/"): {},
        ("post", "requirements/"): {
            **says,
            "jurisdiction": str(world["jurisdiction"].pk),
            "name": "Other",
        },
        ("post", "requirements/{rule}/versions/"): says,
        ("post", "requirements/{rule}/end/"): {"ended_on": today},
        ("post", "waivers/"): {
            **_some(about, "aircraft"),
            "requirement": str(world["rule"].pk),
            "reason": "Hail",
            "from_on": today,
            "until_on": today,
        },
        ("post", "waivers/{waiver}/end/"): {"reason": "Mended"},
        ("post", "works-under/"): {
            **_some(about, "aircraft"),
            "jurisdiction": str(world["jurisdiction"].pk),
            "from_on": today,
        },
        ("post", "works-under/{under}/end/"): {"until_on": today},
        ("patch", "me/reminders/"): {},
        ("post", "visits/{visit}/sign-ups/"): _some(about, "aircraft"),
        ("post", "visits/{visit}/supplies/"): {"amount": 2, "what": "dye"},
        ("post", "visits/{visit}/order/"): {"day": "2026-04-14", "order": []},
        ("post", "visits/{visit}/cancellation/"): {"reason": "Storm"},
        ("post", "sign-ups/{sign_up}/move/"): {},
        ("post", "sign-ups/{sign_up}/state/"): {"state": "absent"},
        ("post", "plans/"): plan,
        ("post", "plans/{plan}/days/"): {"day": today, "blocked": True},
        ("post", "plans/{plan}/words/"): {"aircraft": [about["aircraft"]], "word": "drop"},
        ("post", "proposals/{proposal}/visits/"): {**_some(about, "operator"), "day": today},
        ("post", "wishes/"): {**_some(about, "aircraft"), "from_on": today, "until_on": today},
    }


def bodies_of_papers(world: dict[str, Any]) -> dict[tuple[str, str], dict]:
    """What the paperwork takes."""
    return {
        ("post", "filings/{filing}/steps/"): {
            "kind": "sent",
            "happened_on": str(timezone.localdate()),
        },
        ("post", "paper-batches/"): {
            "kinds": ["fleet_statement"],
            "season": str(world["season"].pk),
        },
        ("post", "paper-numbers/"): {"kind": "swath_card", "aircraft": str(world["aircraft"].pk)},
        ("post", "paper-numbers/{slip}/reissue/"): {"reason": "Spelt wrongly"},
        ("post", "paper-numbers/{slip}/give-up/"): {"reason": "Not wanted"},
        ("post", "paper-numbers/{slip}/withdrawal/"): {"reason": "Bent"},
        # What stands in `values` is tried in test_service_records.py.
        ("post", "purges/"): {"word": "remove", "seen": "no such mark"},
        ("post", "service-records/"): {"jurisdiction": str(world["jurisdiction"].pk), "values": {}},
        ("post", "service-records/{service}/corrections/"): {"reason": "Misread", "values": {}},
        ("post", "service-records/{service}/strike/"): {"reason": "Rain"},
        ("post", "webhooks/"): {
            "address": "https://hooks.redgrass.example/odd",
            "events": ["approval.granted"],
        },
    }


def _some(about: dict[str, str], *names: str) -> dict[str, str]:
    return {name: about[name] for name in names}


def bodies_of_tests(cast: Cast, world: dict[str, Any]) -> dict[tuple[str, str], dict]:
    """What fleet and tests take."""
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
    test = {
        "visit": str(world["visit"].pk),
        "setup": str(world["setup"].pk),
        "flown_on": "2026-04-14",
    }
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
        ("patch", "passes/{pass}/"): {},
        ("post", "passes/{pass}/overrule/"): {"overrule": "", "overrule_reason": "Gust"},
        ("post", "card-scans/{scan}/confirmation/"): {
            "measurement": str(world["measurement"].pk),
            "not_cards": [{"number": 1, "reason": "A shadow"}],
        },
        ("post", "card-scans/{scan}/places/"): {
            "places": [{"number": 1, "position_m": -2.5, "left_out_reason": ""}]
        },
        ("post", "card-scans/{scan}/measurements/"): {},
        ("post", "analyses/{analysis}/approvals/"): approval,
        ("post", "analyses/{analysis}/papers/"): {},
        ("post", "approvals/{approval}/withdrawal/"): {"reason": "Bent"},
    }


# Bodies that come as a form with a file are tried in test_uploads.py.
def announced() -> set[tuple[str, str]]:
    return {
        (method, path)
        for path, methods in schema()["paths"].items()
        for method, operation in methods.items()
        if "application/json" in operation.get("requestBody", {}).get("content", {})
    }


def _template(address: str) -> str:
    return "/api/v1/" + re.sub(r"\{\w+\}", "{id}", address)


def test_odd_values_get_an_answer(cast: Cast, world: dict[str, Any]):
    """Every body announced is tried, with every value in the fields of tests and fleet.

    The other fields take every third of them, in turn.
    """
    assert {(method, _template(address)) for method, address in bodies(cast, world)} == announced()
    keys = {"pilot": cast.pilot.pk, **{n: getattr(one, "pk", None) for n, one in world.items()}}
    office, analyst, owner = map(signed_in, (cast.staff, cast.analyst, cast.owner))
    of_tests = bodies_of_tests(cast, world)
    turn = itertools.cycle(range(3))
    wrong = []
    for (method, address), right in bodies(cast, world).items():
        client = analyst if (method, address) in of_tests else office
        client = office if address.startswith(("operators", "people")) else client
        client = owner if address.startswith("service-records") else client
        for field in fields_of(_template(address), method):
            for value in ODD if (method, address) in of_tests else ODD[next(turn) :: 3]:
                body = json.dumps({**right, field: value})
                answer = getattr(client, method)(
                    f"/api/v1/{address.format(**keys)}", body, content_type="application/json"
                )
                # 409 would be a row that the checks let through and the database did not.
                if answer.status_code not in (200, 201, 202, 204, 400, 401):
                    wrong.append((answer.status_code, method, address, field, value))
    assert not wrong, "\n".join(map(str, wrong))
