"""Papers over the API: the same services as the pages, and checks that are open to anybody."""

from __future__ import annotations

import datetime
import hashlib
import json
from collections.abc import Iterator
from typing import Any

import django.test
import pytest
from django.core.cache import cache
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet import jobs, tenancy
from fleet.models import Job, Paper, PaperSlip, Season
from fleet.models.papers import SHORT
from fleet.paper_codes import grouped
from fleet.services import season as season_services
from reports.kinds import MAKERS
from reports.paper import Draft
from tests.cast import Cast, make_aircraft
from tests.fleet.api.client import Client, signed_in
from tests.reports.setting import plain

pytestmark = pytest.mark.django_db
NUMBERS, BATCHES, CHECKS = (
    f"/api/v1/{name}/" for name in ("paper-numbers", "paper-batches", "checks")
)


def broken(slip: PaperSlip) -> Draft:
    raise jobs.JobRefused("There is nothing on record to say.")


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Papers are quickly set, and nobody was slowed down before, nor is anybody after."""
    for kind in SHORT:
        monkeypatch.setitem(MAKERS, kind, plain)  # type: ignore[arg-type]
    cache.clear()
    yield
    cache.clear()


@pytest.fixture
def season(cast: Cast) -> Season:
    with tenancy.everyone():
        made = season_services.add_season(
            by=cast.staff,
            name="2026",
            starts_on=datetime.date(2026, 1, 1),
            ends_on=datetime.date(2026, 12, 31),
        )
        for operator in (cast.operator, cast.other_operator):
            season_services.join(by=cast.staff, operator=operator, season=made, kind="full")
        return made


def work() -> None:
    """Do what workers would."""
    with tenancy.everyone():
        for key in Job.objects.filter(state="queued").values_list("pk", flat=True):
            jobs.run(key)


def issued(client: Client, **asked: Any) -> dict[str, Any]:
    answer = client.post(NUMBERS, asked)
    assert answer.status_code == 202, answer.content
    work()
    told: dict[str, Any] = client.get(f"{NUMBERS}{answer.json()['subject_id']}/").json()
    return told


def statement(cast: Cast) -> dict[str, Any]:
    return issued(signed_in(cast.owner), kind="fleet_statement", operator=str(cast.operator.pk))


def test_asked_issued_read_back(cast: Cast):
    owner = signed_in(cast.owner)
    said = statement(cast)
    assert (said["state"], said["number"][:3]) == ("issued", "FS-")
    assert said["verdict"]["state"] == "valid"
    paper = owner.get(f"/api/v1/papers/{said['paper']}/").json()
    assert (paper["number"], paper["code"], paper["state"]) == (
        said["number"],
        said["code"],
        "issued",
    )
    assert (paper["analysis"], paper["title"]) == (None, said["number"])
    record = owner.get(f"/api/v1/papers/{said['paper']}/record/")
    assert hashlib.sha256(record.content).hexdigest() == paper["record_digest"]
    assert json.loads(record.content)["says"] == {"for": said["number"]}
    file = owner.get(f"/api/v1/papers/{said['paper']}/file/")
    assert hashlib.sha256(file.content).hexdigest() == paper["digest"]
    listed = owner.get("/api/v1/papers/", {"number": said["number"]}).json()
    assert [one["id"] for one in listed["results"]] == [said["paper"]]
    assert owner.get("/api/v1/papers/", {"number": "rubbish"}).json()["count"] == 0
    assert signed_in(cast.outsider).get(f"{NUMBERS}{said['id']}/").status_code == 404


def test_what_a_kind_needs_is_said(cast: Cast):
    owner, staff = signed_in(cast.owner), signed_in(cast.staff)
    missing = owner.post(NUMBERS, {"kind": "swath_card"})
    assert (missing.status_code, list(missing.json()["errors"])) == (400, ["aircraft"])
    with tenancy.everyone():
        theirs = make_aircraft(cast, cast.other_operator)
    others = owner.post(NUMBERS, {"kind": "swath_card", "aircraft": str(theirs.pk)})
    assert "not yours" in others.json()["errors"]["aircraft"][0]
    surplus = staff.post(
        NUMBERS, {"kind": "fleet_statement", "operator": str(cast.operator.pk), "giver": "Nobody"}
    )
    assert "not about that" in surplus.json()["errors"]["giver"][0]
    mixed = {"operator": str(cast.operator.pk), "aircraft": str(theirs.pk)}
    answer = staff.post(NUMBERS, {"kind": "swath_card", **mixed})
    assert "another operator" in answer.json()["errors"]["aircraft"][0]
    answer = staff.post(NUMBERS, {"kind": "participation", "operator": str(cast.operator.pk)})
    assert "the association's" in answer.json()["errors"]["operator"][0]
    refused = owner.post(NUMBERS, {"kind": "visit_summary"})
    assert refused.status_code == 403
    with tenancy.everyone():
        assert not PaperSlip.objects.exists()


def test_reissue_supersedes_and_withdrawal_stays(cast: Cast):
    owner, staff = signed_in(cast.owner), signed_in(cast.staff)
    first = statement(cast)
    assert owner.post(f"{NUMBERS}{first['id']}/reissue/", {"reason": " "}).status_code == 400
    again = owner.post(f"{NUMBERS}{first['id']}/reissue/", {"reason": "A new aircraft."})
    work()
    newer = owner.get(f"{NUMBERS}{again.json()['subject_id']}/").json()
    assert (newer["replaces"], newer["reason"]) == (first["paper"], "A new aircraft.")
    old = owner.get(f"{NUMBERS}{first['id']}/").json()
    assert (old["state"], old["verdict"]["state"]) == ("superseded", "superseded")
    assert owner.post(f"{NUMBERS}{newer['id']}/withdrawal/", {"reason": "x"}).status_code == 403
    gone = staff.post(f"{NUMBERS}{newer['id']}/withdrawal/", {"reason": "It was wrong."})
    assert (gone.json()["state"], gone.json()["verdict"]["state"]) == ("withdrawn", "withdrawn")
    assert owner.get(f"/api/v1/papers/{newer['paper']}/").json()["state"] == "withdrawn"
    states = {
        state: owner.get(NUMBERS, {"state": state}).json()["count"]
        for state in ("issued", "superseded", "withdrawn", "failed")
    }
    assert states == {"issued": 0, "superseded": 1, "withdrawn": 1, "failed": 0}


def test_what_cannot_be_made_is_tried_again_or_given_up(
    cast: Cast, monkeypatch: pytest.MonkeyPatch
):
    staff = signed_in(cast.staff)
    monkeypatch.setitem(MAKERS, "fleet_statement", broken)  # type: ignore[arg-type]
    said = statement(cast)
    assert (said["state"], said["verdict"]) == ("failed", None)
    assert said["trouble"] == "There is nothing on record to say."
    early = staff.post(f"{NUMBERS}{said['id']}/withdrawal/", {"reason": "x"})
    assert "not issued" in early.json()["errors"]["paper"][0]
    again = signed_in(cast.owner).post(f"{NUMBERS}{said['id']}/again/")
    assert again.status_code == 202
    work()
    given_up = staff.post(f"{NUMBERS}{said['id']}/give-up/", {"reason": "Nothing to say."}).json()
    assert (given_up["state"], given_up["trouble"]) == ("given_up", "Nothing to say.")
    told = Client().get(CHECKS, {"code": said["code"]}).json()
    assert (told["state"], told["number"]) == ("never_issued", None)


def test_a_seasons_papers(cast: Cast, season: Season):
    staff = signed_in(cast.staff)
    asked = {"season": str(season.pk), "kinds": ["fleet_statement"], "page_size": "a4"}
    made = staff.post(BATCHES, asked)
    assert made.status_code == 201
    address = made["Location"]
    assert made.json()["progress"] | {"share": 0} == {
        "slips": 2, "issued": 0, "given_up": 0, "in_trouble": 0, "waiting": 2, "share": 0,
    }  # fmt: skip
    assert staff.post(f"{address}bundle/").status_code == 400
    assert staff.get(f"{address}zip/").status_code == 404
    work()
    assert staff.post(f"{address}again/").json() == {"tried_again": 0}
    assert staff.post(f"{address}bundle/").status_code == 202
    assert staff.get(address).json()["bundling"]
    work()
    whole = staff.get(address).json()
    assert (whole["progress"]["issued"], whole["bundle"]["papers"]) == (2, 2)
    for form in ("zip", "pdf"):
        file = staff.get(f"{address}{form}/")
        assert hashlib.sha256(file.content).hexdigest() == whole["bundle"][f"{form}_digest"]
    numbers = staff.get(NUMBERS, {"batch": whole["id"], "kind": "fleet_statement"}).json()
    assert numbers["count"] == 2
    assert staff.get(BATCHES).json()["count"] == 1
    assert signed_in(cast.owner).get(BATCHES).status_code == 403


def test_lists_ask_no_query_for_each(cast: Cast):
    owner, counts = signed_in(cast.owner), []
    for _ in range(3):
        statement(cast)
        with CaptureQueriesContext(connection) as asked:
            owner.get(NUMBERS)
            owner.get("/api/v1/papers/")
        counts.append(len(asked))
    assert counts[1] == counts[2]


# --- Checks ---------------------------------------------------------------------------------------


def test_anybody_checks_a_paper(cast: Cast):
    said, visitor = statement(cast), Client()
    with tenancy.everyone():
        paper = Paper.objects.get(pk=said["paper"])
    for asked in (
        {"code": grouped(said["code"]).lower()},
        {"digest": paper.digest.upper()},
        {"signed": paper.signed},
    ):
        answer = visitor.get(CHECKS, asked)
        assert answer["Cache-Control"] == "no-store"
        told = answer.json()
        assert (told["state"], told["number"]) == ("valid", said["number"])
        assert set(told) == {
            "state", "why", "number", "kind", "title", "issued_on", "valid_until",
        }  # fmt: skip


def test_what_is_not_on_record_says_nothing(cast: Cast):
    visitor = Client()
    unknown = visitor.get(CHECKS, {"digest": "0" * 64}).json()
    assert (unknown["state"], unknown["number"], unknown["title"]) == ("unknown", None, None)
    assert visitor.get(CHECKS, {"signed": "A" * 100}).json()["state"] == "forged"
    mistyped = visitor.get(CHECKS, {"code": "ABCD"})
    assert "twelve letters" in mistyped.json()["errors"]["code"][0]
    assert visitor.get(CHECKS, {"code": "0", "digest": "0" * 64}).status_code == 400
    assert visitor.get(CHECKS, {"cods": "0"}).status_code == 400


def test_guessing_is_slowed_down_together_with_the_page(cast: Cast):
    """The limit of the settings, 30 a minute, counted over both."""
    visitor, pages = Client(), django.test.Client()
    page = [pages.get("/check/0000-0000-0000/").status_code for _ in range(15)]
    assert set(page) == {200}
    codes = [visitor.get(CHECKS, {"code": "000000000000"}).status_code for _ in range(16)]
    assert codes == [200] * 15 + [429]
    assert pages.get("/check/0000-0000-0000/").status_code == 429
