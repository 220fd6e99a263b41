"""The schema: valid, without warnings, open to all, and complete."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from django.core.management import call_command
from django.test import Client
from django.urls import get_resolver
from drf_spectacular.validation import validate_schema

from fleet.api.filters import PAGING
from tests.fleet.api.client import schema

OPEN = {"/api/v1/sign-in/", "/api/v1/checks/"}
UNDOCUMENTED = {"unknown", "schema"}


def test_schema_without_warnings(tmp_path: Path):
    place = tmp_path / "schema.json"
    call_command(
        "spectacular", "--validate", "--fail-on-warn", "--format=openapi-json", f"--file={place}"
    )
    made = json.loads(place.read_text())
    validate_schema(made)
    assert made["info"]["title"] == "Swathbook"


@pytest.mark.django_db
def test_schema_is_public_and_the_same():
    answer = Client().get("/api/schema/", headers={"Accept": "application/vnd.oai.openapi+json"})
    assert answer.status_code == 200
    assert set(answer.json()["paths"]) == set(schema()["paths"])


def routes() -> dict[str, str]:
    """Name and route of every address below /api/."""
    found = {}
    for top in get_resolver().url_patterns:
        if getattr(top, "namespace", None) != "api":
            continue
        for inner in top.url_patterns:
            for pattern in getattr(inner, "url_patterns", [inner]):
                found[pattern.name] = f"{inner.pattern}{pattern.pattern}"
    return found


def test_every_address_has_a_name_and_is_described():
    found = routes()
    assert None not in found
    assert set(found) >= UNDOCUMENTED
    described = {
        path.removeprefix("/api/v1/")
        .replace("{id}", "<uuid:pk>")
        .replace("{number}", "<int:number>")
        for path in schema()["paths"]
    }
    ours = {
        pattern.removeprefix("v1/v1/").removeprefix("v1/")
        for name, pattern in found.items()
        if name not in UNDOCUMENTED
    }
    assert described == ours


def test_operations_have_words_and_distinct_names():
    operations = [
        operation for methods in schema()["paths"].values() for operation in methods.values()
    ]
    names = [operation["operationId"] for operation in operations]
    assert len(set(names)) == len(names) > 40
    assert all(name.isidentifier() for name in names)
    assert all(operation.get("description") for operation in operations)


def test_lists_announce_pages_and_filters():
    for path, methods in schema()["paths"].items():
        operation = methods.get("get", {})
        if not operation.get("operationId", "").endswith("_list") or "{id}" in path:
            continue
        names = {parameter["name"] for parameter in operation["parameters"]}
        assert names > set(PAGING), path


def test_everything_but_signing_in_asks_for_a_token():
    for path, methods in schema()["paths"].items():
        for method, operation in methods.items():
            asks = {"tokenAuth": []} in operation.get("security", [])
            assert asks != (path in OPEN), (method, path)
    assert schema()["components"]["securitySchemes"]["tokenAuth"]["scheme"] == "bearer"


# Shares and counts have none, and `dpi` is one. Figures stand under names that carry theirs; for a
# spread factor and a drift statement the unit is told beside the number.
NO_UNIT = {
    "share",
    "count",
    "confidence",
    "dpi",
    "spread_a",
    "spread_b",
    "value",
    "limit",
    "amount",
    "detour_factor",
}
BOUNDS = {"low", "high"}


def test_lengths_speeds_and_rates_carry_their_unit():
    """SI always: a bare `swath` or `speed` would leave the unit to the reader's guess."""
    for name, component in schema()["components"]["schemas"].items():
        for field, described in component.get("properties", {}).items():
            if described.get("type") == "number" and field not in NO_UNIT | BOUNDS:
                units = ("_m", "_m_s", "_kpa", "_l_per_ha", "_deg", "_c", "_percent")
                assert field.endswith((*units, "_line", "_um", "_cm2")), (name, field)
