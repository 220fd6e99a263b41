"""The whole road over HTTP with a token: from a new operator to the approved swath and its paper.

Plain requests as a program at an airstrip would send them; the worker's part is done in between.
"""

from __future__ import annotations

import datetime
import hashlib

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.utils import timezone

from fleet import jobs, storage, tenancy
from fleet.models import AuditRow
from tests.cast import PASSWORD, Cast, nozzles, trace_file
from tests.fleet.api.client import Client

pytestmark = pytest.mark.django_db

DAY = "2026-04-14"


def sign_in(person) -> Client:
    client = Client()
    answer = client.post("/api/v1/sign-in/", {"email": person.email, "password": PASSWORD})
    assert answer.status_code == 200
    client.credentials(HTTP_AUTHORIZATION=f"Bearer {answer.json()['token']}")
    return client


def created(client: Client, address: str, body: dict, status: int = 201) -> dict:
    answer = client.post(address, body)
    assert answer.status_code == status, answer.content
    if "Location" in answer:
        assert client.get(answer["Location"]).json() == answer.json()
    return answer.json()


def make_fleet(office: Client, analyst: Client, cast: Cast) -> dict:
    """Operator, its owner, aircraft, set-up, visit, test; the last one comes back."""
    operator = created(office, "/api/v1/operators/", {"name": "Long Draw Air", "base": "Long Draw"})
    created(
        office,
        "/api/v1/people/",
        {
            "name": "Nia New",
            "email": "nia@longdraw.example",
            "role": "owner",
            "operator": operator["id"],
            "password": PASSWORD,
        },
    )
    plane = created(
        office,
        "/api/v1/aircraft/",
        {
            "operator": operator["id"],
            "registration": "xx-k41",
            "model": "Sower 400",
            "kind": "fixed_wing",
            "span_m": 15.24,
        },
    )
    setup = created(
        office,
        f"/api/v1/aircraft/{plane['id']}/setups/",
        {
            "purpose": "Main season work",
            "boom_width_m": 10.5,
            "nozzles": nozzles(),
            "pressure_kpa": 276.0,
            "airspeed_m_s": 62.0,
            "release_height_m": 3.0,
            "rate_l_per_ha": 28.0,
            "manner": "back_and_forth",
        },
    )
    visit = created(
        office,
        "/api/v1/visits/",
        {
            "kind": "clinic",
            "place": "Tamber Flat airstrip",
            "starts_on": DAY,
            "ends_on": DAY,
            "analyst": str(cast.analyst.pk),
        },
    )
    return created(
        analyst,
        "/api/v1/tests/",
        {
            "visit": visit["id"],
            "setup": setup["id"],
            "flown_on": DAY,
            "line_heading_deg": 180,
            "wind_speed_m_s": 2.5,
            "wind_from_deg": 190,
        },
    )


def run_job(client: Client, job: dict) -> dict:
    """Do the worker's part, then poll as a program would."""
    assert client.get(f"/api/v1/jobs/{job['id']}/").json()["state"] == "queued"
    jobs.run(job["id"])
    polled = client.get(f"/api/v1/jobs/{job['id']}/").json()
    assert (polled["state"], polled["has_ended"], polled["share"]) == ("done", True, 1.0)
    return polled


def test_whole_road(cast: Cast):
    office, analyst = sign_in(cast.staff), sign_in(cast.analyst)
    test = make_fleet(office, analyst, cast)
    assert test["registration"] == "XX-K41"

    files = [SimpleUploadedFile(f"pass{n}.csv", trace_file(seed=n)) for n in (1, 2, 3)]
    answer = analyst.post(
        f"/api/v1/tests/{test['id']}/passes/", {"file": files}, format="multipart"
    )
    assert answer.status_code == 201
    added = [one["flight_pass"] for one in answer.json()["results"]]
    assert [one["number"] for one in added] == [1, 2, 3]
    assert added[0]["file_digest"] == hashlib.sha256(trace_file(seed=1)).hexdigest()
    raw = analyst.get(f"/api/v1/passes/{added[0]['id']}/file/")
    assert raw.content == trace_file(seed=1)
    assert raw["Content-Disposition"] == 'attachment; filename="pass1.csv"'

    quality = analyst.get(f"/api/v1/tests/{test['id']}/quality/").json()
    assert [one["state"] for one in quality] == ["accepted"] * 3

    job = created(
        analyst, f"/api/v1/tests/{test['id']}/analyses/", {"cv_limit_percent": 20}, status=202
    )
    done = run_job(analyst, job)
    analysis = analyst.get(f"/api/v1/analyses/{done['analysis']}/").json()
    assert analysis["accepted_passes"] == 3
    assert analysis["settings"]["cv_limit_percent"] == 20
    assert analysis["current"] is True
    assert [one["file"] for one in analysis["result"]["passes"]] == [
        f"pass{n}.csv" for n in (1, 2, 3)
    ]
    swath_m = analysis["back_and_forth_swath_m"]
    assert analysis["result"]["recommended"]["back_and_forth"]["swath_m"] == pytest.approx(swath_m)

    evidence = analyst.get(
        f"/api/v1/analyses/{analysis['id']}/evidence/",
        {"swath_m": swath_m, "manner": "back_and_forth"},
    ).json()
    assert evidence["gap"] == ""
    assert evidence["cv_percent"] == pytest.approx(analysis["back_and_forth_cv_percent"])

    until = timezone.localdate() + datetime.timedelta(days=300)
    approval = created(
        analyst,
        f"/api/v1/analyses/{analysis['id']}/approvals/",
        {"swath_m": swath_m, "manner": "back_and_forth", "valid_until": str(until)},
    )
    assert approval["state"] == "in_force"

    with tenancy.everyone():
        person = cast.owner.__class__.objects.get(email="nia@longdraw.example")
    owner = sign_in(person)
    (standing,) = owner.get("/api/v1/standings/").json()["results"]
    assert (standing["state"], standing["due_on"]) == ("approved", str(until))
    assert standing["swath_m"] == pytest.approx(swath_m)
    assert standing["manner"] == "back_and_forth"

    make_paper(owner, analysis)
    with tenancy.everyone():
        deeds = list(AuditRow.objects.order_by("created_at", "id").values_list("deed", flat=True))
    assert deeds[-2:] == ["paper_asked", "paper_issued"]


def make_paper(owner: Client, analysis: dict) -> None:
    """The report, asked for by the owner and drawn by the worker's own handler."""
    job = created(owner, f"/api/v1/analyses/{analysis['id']}/papers/", {"page_size": "a4"}, 202)
    done = run_job(owner, job)
    paper = owner.get(f"/api/v1/papers/{done['paper']}/").json()
    assert (paper["page_size"], paper["analysis"]) == ("a4", analysis["id"])
    answer = owner.get(f"/api/v1/papers/{paper['id']}/file/", headers={"Accept": "application/pdf"})
    assert answer["Content-Type"] == "application/pdf"
    name = f"TR-{timezone.localdate().year}-00001 Test report XX-K41, 14 April 2026.pdf"
    assert answer["Content-Disposition"] == f'attachment; filename="{name}"'
    assert answer.content.startswith(b"%PDF-")
    assert hashlib.sha256(answer.content).hexdigest() == paper["digest"]
    assert len(answer.content) == paper["size"]


def test_asked_twice_is_one_analysis(cast: Cast):
    office, analyst = sign_in(cast.staff), sign_in(cast.analyst)
    test = make_fleet(office, analyst, cast)
    file = SimpleUploadedFile("pass1.csv", trace_file(seed=1))
    analyst.post(f"/api/v1/tests/{test['id']}/passes/", {"file": [file]}, format="multipart")
    asked = [
        created(analyst, f"/api/v1/tests/{test['id']}/analyses/", {}, status=202) for _ in (1, 2)
    ]
    assert asked[0]["id"] == asked[1]["id"]


def test_failed_job_says_why(cast: Cast):
    office, analyst = sign_in(cast.staff), sign_in(cast.analyst)
    test = make_fleet(office, analyst, cast)
    file = SimpleUploadedFile("pass1.csv", trace_file(seed=77))
    answer = analyst.post(
        f"/api/v1/tests/{test['id']}/passes/", {"file": [file]}, format="multipart"
    )
    digest = answer.json()["results"][0]["flight_pass"]["file_digest"]
    job = created(analyst, f"/api/v1/tests/{test['id']}/analyses/", {}, status=202)
    storage.default_storage.delete(storage._place(digest))
    jobs.run(job["id"])
    polled = analyst.get(f"/api/v1/jobs/{job['id']}/").json()
    assert (polled["state"], polled["analysis"]) == ("failed", None)
    assert "pass1.csv" in polled["reason"]
    assert "missing from the store" in polled["reason"]
