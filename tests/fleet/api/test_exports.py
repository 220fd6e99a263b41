"""All records of an operator over the API: asked for, waited for, fetched."""

from __future__ import annotations

import io
import json
import zipfile

import pytest

from fleet import jobs, storage, tenancy
from tests.cast import Cast, make_aircraft, make_setup
from tests.fleet.api.client import signed_in

pytestmark = pytest.mark.django_db
EXPORTS = "/api/v1/exports/"


def test_asked_made_fetched(cast: Cast):
    owner = signed_in(cast.owner)
    with tenancy.everyone():
        make_setup(cast, make_aircraft(cast))
    asked = owner.post(f"/api/v1/operators/{cast.operator.pk}/exports/")
    assert asked.status_code == 202
    assert (asked.json()["kind"], asked.json()["export"]) == ("export", None)
    jobs.run(asked.json()["id"])
    job = owner.get(asked["Location"]).json()
    assert job["state"] == "done"
    made = owner.get(f"{EXPORTS}{job['export']}/").json()
    assert (made["has_expired"], made["operator"]) == (False, str(cast.operator.pk))
    file = owner.get(f"{EXPORTS}{job['export']}/file/")
    assert (file["Content-Type"], file["Cache-Control"]) == ("application/zip", "no-store")
    data = b"".join(file.streaming_content)
    assert (len(data), storage.digest_of(data)) == (made["size"], made["digest"])
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        manifest = json.loads(archive.read("manifest.json"))
    assert manifest["operator"] == {"id": str(cast.operator.pk), "name": "Redgrass Aerial"}
    assert sum(manifest["rows"].values()) == made["rows"]
    assert signed_in(cast.staff).get(EXPORTS, {"operator": str(cast.operator.pk)}).json()["count"]
    assert signed_in(cast.outsider).get(EXPORTS).json()["count"] == 0
