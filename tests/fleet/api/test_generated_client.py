"""A client made from the schema by another program (openapi-python-client) speaks to the service.

That program and httpx are independent readers of OpenAPI: what they cannot make sense of, or what
the service answers otherwise than the schema says, fails here.
"""

from __future__ import annotations

import importlib
import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from django.core.cache import cache

from fleet import tenancy
from fleet.api.schema import ApiGenerator
from fleet.models import Aircraft
from tests.cast import PASSWORD, Cast, make_aircraft, make_cast

NAME = "made_client"
FILES = ("application/pdf", "application/zip", "image/jpeg", "image/svg+xml")
CONFIG = {
    "package_name_override": NAME,
    "post_hooks": [],  # no tidying up afterwards: what is made is run, not read
    "content_type_overrides": dict.fromkeys(FILES, "application/octet-stream"),
}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """The package that is made of the schema, put where it can be imported."""
    place = tmp_path_factory.mktemp("client")
    (place / "schema.json").write_text(json.dumps(ApiGenerator().get_schema(public=True)))
    (place / "config.json").write_text(json.dumps(CONFIG))
    command = [
        *(sys.executable, "-m", "openapi_python_client", "generate"),
        *("--path", "schema.json", "--config", "config.json", "--meta", "none"),
        *("--output-path", NAME, "--fail-on-warning"),
    ]
    done = subprocess.run(command, cwd=place, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    sys.path.insert(0, str(place))
    yield place / NAME
    sys.path.remove(str(place))
    for name in [name for name in sys.modules if name.split(".")[0] == NAME]:
        del sys.modules[name]


def part(path: str) -> ModuleType:
    return importlib.import_module(f"{NAME}.{path}")


def call(path: str, **given: Any) -> Any:
    """Call an operation and return what was made of the answer, which must be a success."""
    answer = part(f"api.{path}").sync_detailed(**given)
    assert answer.status_code < 300, answer.content
    return answer.parsed


@pytest.mark.django_db(transaction=True)
def test_signs_in_reads_and_writes(made: Path, live_server: Any):
    cache.clear()  # nobody was slowed down before
    cast: Cast = make_cast()
    with tenancy.everyone():
        aircraft = make_aircraft(cast)
        make_aircraft(cast, cast.other_operator)
    server, speak = live_server.url, part("client")
    with speak.Client(base_url=server) as anybody:
        signed_in = call(
            "sign_in.sign_in_create",
            client=anybody,
            body=part("models").SignInInRequest(email=cast.owner.email, password=PASSWORD),
        )
        with speak.AuthenticatedClient(base_url=server, token=signed_in.token) as client:
            works(anybody, client, cast, aircraft)


def works(anybody: Any, client: Any, cast: Cast, aircraft: Aircraft) -> None:
    """Read a list and a row, change it, ask for a paper, check it, be refused."""
    models = part("models")
    listed = call("aircraft.aircraft_list", client=client, limit=5)
    assert listed.count == 1
    assert [one.registration for one in listed.results] == [aircraft.registration]
    one = call("aircraft.aircraft_retrieve", client=client, id=aircraft.pk)
    assert (one.id, one.span_m) == (aircraft.pk, 15.0)
    changed = call(
        "aircraft.aircraft_partial_update",
        client=client,
        id=aircraft.pk,
        body=models.PatchedAircraftChangeRequest(model="Sower 500"),
    )
    assert changed.model == "Sower 500"
    with tenancy.everyone():
        assert Aircraft.objects.get(pk=aircraft.pk).model == "Sower 500"
    job = call(
        "paper_numbers.paper_numbers_create",
        client=client,
        body=models.PaperAskRequest(
            kind=models.PaperKindEnum.FLEET_STATEMENT, operator=cast.operator.pk
        ),
    )
    number = call("paper_numbers.paper_numbers_retrieve", client=client, id=job.subject_id)
    assert number.state == models.PaperNumberStateEnum.BEING_MADE
    told = call("checks.checks_retrieve", client=anybody, code=number.code)
    assert told.state == models.CheckStateEnum.BEING_MADE
    refused = part("api.paper_numbers.paper_numbers_create").sync_detailed(
        client=client, body=models.PaperAskRequest(kind=models.PaperKindEnum.SWATH_CARD)
    )
    assert refused.status_code == 400
    assert "aircraft" in refused.parsed.errors.to_dict()
