"""Droplet cards over the API: scans in, measured, placed, and what they say together.

What the cards were drawn with stands beside the checks; the arithmetic of the parts is checked in
tests/patterns/cards.
"""

from __future__ import annotations

import hashlib
import io
import json
import math

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext
from PIL import Image

from fleet import jobs, storage, tenancy
from fleet.models import CardRun, CardScan, Job, RawFile, Test
from fleet.services import cards as services
from patterns.cards.document import from_document
from tests.cast import (
    Cast,
    card_file,
    make_aircraft,
    make_cards,
    make_setup,
    make_test,
    make_tested,
)
from tests.fleet.api.client import signed_in

pytestmark = pytest.mark.django_db

NOBODY = "00000000-0000-0000-0000-000000000000"


@pytest.fixture
def test(cast: Cast) -> Test:
    with tenancy.everyone():
        return make_test(cast, make_setup(cast, make_aircraft(cast)))


@pytest.fixture
def scan(cast: Cast, test: Test) -> CardScan:
    """Three cards at −3, 0 and 3 m, drawn with 3 % of cover."""
    with tenancy.everyone():
        return make_cards(cast, test)


def upload(cast: Cast, test: Test, *files: tuple[str, bytes], **fields):
    sent = [SimpleUploadedFile(name, data) for name, data in files]
    body = {**({"file": sent} if sent else {}), **fields}
    return signed_in(cast.analyst).post(
        f"/api/v1/tests/{test.pk}/card-scans/", body, format="multipart"
    )


def kept() -> tuple[int, int, int]:
    with tenancy.everyone():
        return CardScan.objects.count(), RawFile.objects.count(), Job.objects.count()


# --- scans in


def test_scan_from_file_to_figures(cast: Cast, test: Test):
    data = card_file(1, cards=3)
    answer = upload(cast, test, ("bed.png", data))
    assert answer.status_code == 201
    [one] = answer.json()["results"]
    assert one["error"] == ""
    assert one["scan"]["file_digest"] == hashlib.sha256(data).hexdigest()
    assert (one["scan"]["measurement"], one["scan"]["job"]) == (None, one["job"]["id"])
    assert (one["job"]["state"], one["job"]["kind"]) == ("queued", "cards")

    jobs.run(one["job"]["id"])
    client = signed_in(cast.analyst)
    job = client.get(f"/api/v1/jobs/{one['job']['id']}/").json()
    assert (job["state"], job["has_ended"]) == ("done", True)
    found = client.get(f"/api/v1/card-scans/{one['scan']['id']}/").json()
    assert (found["measurement"], found["job_state"]) == (job["card_measurement"], "done")
    assert [card["number"] for card in found["cards"]] == [1, 2, 3]
    for card in found["cards"]:
        assert 2.0 < card["coverage_percent"]["value"] < 4.0
        assert card["drops"]["dv10_um"]["value"] < card["drops"]["dv50_um"]["value"]
        assert card["size_class"]["table"] == "ag_aviation_2014"
        assert (card["position_m"], card["counts"]) == (None, False)
    assert (found["awaits_confirmation"], found["confirmation"]) == (True, None)
    asked = "/api/v1/card-scans/?awaits_confirmation="
    assert [row["id"] for row in client.get(f"{asked}true").json()["results"]] == [found["id"]]
    body = {"measurement": found["measurement"]}
    confirmed = client.post(
        f"/api/v1/card-scans/{found['id']}/confirmation/", body, format="json"
    ).json()
    assert confirmed["awaits_confirmation"] is False
    word = confirmed["confirmation"]
    assert (word["by"], word["by_name"]) == (str(cast.analyst.pk), cast.analyst.name)
    assert (word["measurement"], bool(word["at"])) == (found["measurement"], True)
    assert client.get(f"{asked}true").json()["results"] == []
    [row] = client.get(f"/api/v1/tests/{test.pk}/cards/").json()["scans"]
    assert (row["cards"], row["awaits_confirmation"]) == (3, False)
    raw = client.get(f"/api/v1/card-scans/{found['id']}/file/")
    assert raw.content == data
    assert 'filename="bed.png"' in raw["Content-Disposition"]


def test_mixed_keeps_the_good_ones_in_the_order_sent(cast: Cast, test: Test):
    answer = upload(
        cast,
        test,
        ("words.png", b"no picture"),
        ("good.png", card_file(1)),
        ("empty.png", b""),
        ("again.png", card_file(1)),
        ("fine.jpg", card_file(2, kind="JPEG")),
    )
    assert answer.status_code == 207
    results = answer.json()["results"]
    assert [one["scan"] and one["scan"]["number"] for one in results] == [None, 1, None, None, 2]
    assert [bool(one["job"]) for one in results] == [False, True, False, False, True]
    assert results[3]["error"] == "again.png: the same file is scan 1 already."
    assert results[2]["error"].startswith("empty.png")
    assert kept() == (2, 2, 2)


def test_all_refused_is_a_problem_with_a_sentence_for_each(cast: Cast, test: Test):
    answer = upload(cast, test, ("a.png", b"\x00\x01"), ("b.png", card_file(1)[:40]))
    assert answer.status_code == 400
    assert [one[:5] for one in answer.json()["errors"]["file"]] == ["a.png", "b.png"]
    assert kept() == (0, 0, 0)


def test_settings_and_pass_go_with_the_scan(cast: Cast):
    with tenancy.everyone():
        flown = make_tested(cast, passes=1)
        flight_pass = flown.passes.get()
    settings = {"dpi": "600", "spread_a": "1", "spread_b": "1", "table": "ag_aviation_2014"}
    answer = upload(
        cast, flown, ("a.png", card_file(1)), flight_pass=str(flight_pass.pk), **settings
    )
    assert answer.status_code == 201
    [one] = answer.json()["results"]
    assert one["scan"]["flight_pass"] == str(flight_pass.pk)
    assert one["scan"]["pass_number"] == 1
    jobs.run(one["job"]["id"])
    with tenancy.everyone():
        run = CardRun.objects.get()
    told = signed_in(cast.owner).get(f"/api/v1/card-measurements/{run.pk}/").json()["settings"]
    assert (told["dpi"], told["spread_a"], told["spread_b"]) == (600.0, 1.0, 1.0)
    [card] = run.cards
    assert card["stain_um"]["dv50_um"] == pytest.approx(card["drops"]["dv50_um"]["value"], rel=1e-6)


@pytest.mark.parametrize(
    ("fields", "place"),
    [
        ({"dpi": "5"}, "dpi"),
        ({"dpi": "nan"}, "dpi"),
        ({"dpi": "many"}, "dpi"),
        ({"spread": "snake_oil"}, "spread"),
        ({"table": "nobody's"}, "table"),
        ({"spread_a": "1"}, "settings"),
        ({"spread_a": "1e9", "spread_b": "1"}, "settings"),
        ({"flight_pass": NOBODY}, "flight_pass"),
        ({"flight_pass": "7"}, "flight_pass"),
        ({"colour": "red"}, "colour"),
    ],
)
def test_settings_that_cannot_be_refuse_the_whole(cast: Cast, test: Test, fields: dict, place: str):
    answer = upload(cast, test, ("a.png", card_file(1)), **fields)
    assert answer.status_code == 400
    assert list(answer.json()["errors"]) == [place]
    assert kept() == (0, 0, 0)


def test_pass_of_another_test_is_refused(cast: Cast, test: Test):
    with tenancy.everyone():
        setup = make_setup(cast, make_aircraft(cast, number=2))
        other = make_tested(cast, setup, passes=1).passes.get()
    before = kept()
    answer = upload(cast, test, ("a.png", card_file(1)), flight_pass=str(other.pk))
    assert answer.json()["errors"] == {"flight_pass": ["This pass belongs to another test."]}
    assert kept() == before


def test_nothing_sent_and_part_that_is_no_file(cast: Cast, test: Test):
    assert list(upload(cast, test).json()["errors"]) == ["file"]
    assert upload(cast, test, file="not a file").status_code == 400
    client = signed_in(cast.analyst)
    address = f"/api/v1/tests/{test.pk}/card-scans/"
    assert client.post(address, {"file": "x"}, format="json").status_code == 415


def test_too_big_one_and_too_big_all(cast: Cast, test: Test, settings):
    good = card_file(1)
    settings.SCAN_LIMIT_BYTES = len(good) + 1
    answer = upload(cast, test, ("big.png", b"1" * 2 * len(good)), ("good.png", good))
    assert answer.status_code == 207
    big, fine = answer.json()["results"]
    assert big["error"].startswith("big.png: the file has")
    assert fine["scan"]["file"] == "good.png"
    settings.SCAN_LIMIT_BYTES = 100
    answer = upload(cast, test, ("one.png", b"1" * 300), ("two.png", b"1" * 300))
    assert answer.status_code == 413
    assert "together" in answer.json()["detail"]


# --- places


def test_places_are_said_and_corrected(cast: Cast, scan: CardScan):
    client = signed_in(cast.analyst)
    address = f"/api/v1/card-scans/{scan.pk}/places/"
    answer = client.post(
        address, {"places": [{"number": 2, "position_m": 1.5, "left_out_reason": "Stepped on"}]}
    )
    assert answer.status_code == 200
    one, two, three = answer.json()["cards"]
    assert (two["position_m"], two["left_out_reason"], two["counts"]) == (1.5, "Stepped on", False)
    assert (one["position_m"], three["position_m"]) == (-3.0, 3.0)  # not named: as they were
    again = client.post(address, {"places": [{"number": 2, "position_m": None}]})
    two = again.json()["cards"][1]
    assert (two["position_m"], two["left_out_reason"], two["counts"]) == (None, "", False)
    assert client.get(f"/api/v1/card-scans/{scan.pk}/").json() == again.json()


@pytest.mark.parametrize(
    ("places", "at"),
    [
        ([], "places"),
        ([{"number": 9, "position_m": 0}], "places"),
        ([{"number": 1, "position_m": 600}], "places"),
        ([{"number": 1, "position_m": 0}, {"number": 1, "position_m": 1}], "places"),
        ([{"number": 0, "position_m": 0}], "places[0].number"),
        ([{"number": 1}], "places[0].position_m"),
        ([{"number": 1, "position_m": 0, "side": "left"}], "places[0].side"),
        ([{"number": 1, "position_m": 0, "left_out_reason": "x" * 201}], "left_out_reason"),
    ],
)
def test_places_that_cannot_be(cast: Cast, scan: CardScan, places: list, at: str):
    answer = signed_in(cast.analyst).post(
        f"/api/v1/card-scans/{scan.pk}/places/", {"places": places}
    )
    assert answer.status_code == 400
    assert list(answer.json()["errors"]) == [at]


# --- measurements


def test_measured_again_stands_beside(cast: Cast, scan: CardScan):
    client = signed_in(cast.analyst)
    address = f"/api/v1/card-scans/{scan.pk}/measurements/"
    answer = client.post(address, {"spread": "none"})
    assert answer.status_code == 202
    assert answer["Location"] == f"/api/v1/jobs/{answer.json()['id']}/"
    assert client.post(address, {"spread": "none"}).json()["id"] == answer.json()["id"]
    jobs.run(answer.json()["id"])
    listed = client.get("/api/v1/card-measurements/", {"scan": str(scan.pk)}).json()["results"]
    assert [one["number"] for one in listed] == [2, 1]
    assert listed[0]["id"] == client.get(answer["Location"]).json()["card_measurement"]
    found = client.get(f"/api/v1/card-scans/{scan.pk}/").json()
    assert found["measurement"] == listed[0]["id"]
    # Without a spread factor a drop is as large as its stain.
    for card in found["cards"]:
        stain_um = card["stain_um"]["dv50_um"]
        assert card["drops"]["dv50_um"]["value"] == pytest.approx(stain_um, rel=1e-6)
    odd = client.post(address, {"dpi": 20})
    assert odd.json()["errors"] == {"dpi": ["Must be a number from 50 to 9600 dpi."]}


def test_whole_document_result_and_picture(cast: Cast, scan: CardScan):
    client = signed_in(cast.pilot)
    with tenancy.everyone():
        run = scan.runs.get()
    address = f"/api/v1/card-measurements/{run.pk}/"
    whole = client.get(address).json()
    assert whole["document"] == json.loads(run.document)
    entry = whole["document"]["cards"][1]
    answer = client.get(f"{address}cards/2/")
    assert answer["Content-Type"] == "application/json"
    assert hashlib.sha256(answer.content).hexdigest() == entry["result"]
    result = from_document(answer.json())
    assert result.number == 2
    assert result.stains == entry["stains"] == int((result.found.weight > 0).sum())
    picture = client.get(f"{address}cards/2/picture/", headers={"Accept": "image/*"})
    assert picture["Content-Type"] == "image/jpeg"
    with Image.open(io.BytesIO(picture.content)) as opened:
        assert opened.format == "JPEG"
    for missing in ("0", "4", "99999999999999999999"):
        for name in ("", "picture/"):
            assert client.get(f"{address}cards/{missing}/{name}").status_code == 404, missing


def test_kept_file_that_is_gone_is_our_fault(cast: Cast, scan: CardScan, monkeypatch):
    def gone(digest: str) -> bytes:
        raise storage.KeptFileError("A kept file is missing.")

    monkeypatch.setattr(storage, "fetch", gone)
    client = signed_in(cast.owner)
    client.raise_request_exception = False
    answer = client.get(f"/api/v1/card-scans/{scan.pk}/file/")
    assert answer.status_code == 500
    assert answer.json()["detail"] == "A kept file is missing."


# --- the test


def test_what_the_cards_say_together(cast: Cast, test: Test, scan: CardScan):
    told = signed_in(cast.owner).get(f"/api/v1/tests/{test.pk}/cards/").json()
    [rests_on] = told["scans"]
    assert (rests_on["cards"], rests_on["counting"]) == (3, 3)
    assert rests_on["scan"] == str(scan.pk)
    places = told["across"]["places"]
    assert [one["position_m"] for one in places] == [-3.0, 0.0, 3.0]
    assert [one["width_m"] for one in places] == [3.0, 3.0, 3.0]
    deposits = [one["deposit_l_per_ha"]["value"] for one in places]
    # Strips of one width: the mean is the plain one, and the centre that of three masses.
    assert told["across"]["mean_deposit_l_per_ha"] == pytest.approx(sum(deposits) / 3)
    centre_m = 3.0 * (deposits[2] - deposits[0]) / sum(deposits)
    assert told["across"]["centre_m"] == pytest.approx(centre_m)
    whole = told["spectrum"]
    span = (whole["dv90_um"]["value"] - whole["dv10_um"]["value"]) / whole["dv50_um"]["value"]
    assert whole["relative_span"]["value"] == pytest.approx(span)
    assert math.fsum(whole["distribution"]["volume_percent"]) == pytest.approx(100.0)
    assert told["size_class"]["name"]
    assert told["drift"][-1]["code"] == "always"
    with tenancy.everyone():
        cards = scan.runs.get().cards
    assert whole["stains"] == sum(card["stains"] for card in cards)


def test_cards_left_out_do_not_speak(cast: Cast, test: Test, scan: CardScan):
    with tenancy.everyone():
        services.place_cards(scan, by=cast.analyst, places={2: (0.0, "Stepped on")})
    told = signed_in(cast.owner).get(f"/api/v1/tests/{test.pk}/cards/").json()
    assert [one["position_m"] for one in told["across"]["places"]] == [-3.0, 3.0]
    assert told["scans"][0]["counting"] == 2


def test_without_cards_that_count(cast: Cast, test: Test):
    client = signed_in(cast.owner)
    empty = {
        "scans": [],
        "across": None,
        "spectrum": None,
        "size_class": None,
        "drift": [],
        "remarks": [],
    }
    assert client.get(f"/api/v1/tests/{test.pk}/cards/").json() == empty
    upload(cast, test, ("a.png", card_file(1)))
    told = client.get(f"/api/v1/tests/{test.pk}/cards/").json()
    assert {**told, "scans": []} == empty
    assert (told["scans"][0]["measurement"], told["scans"][0]["cards"]) == (None, 0)


def test_bare_cards_have_no_spectrum(cast: Cast, test: Test):
    with tenancy.everyone():
        blank = io.BytesIO()
        Image.new("RGB", (472, 708), (250, 235, 110)).save(blank, "PNG", dpi=(600, 600))
        [added] = services.add_scans(test, by=cast.analyst, files=[("bare.png", blank.getvalue())])
        jobs.run(added.job.pk)
        services.place_cards(added.scan, by=cast.analyst, places={1: (2.0, "")})
    client = signed_in(cast.owner)
    told = client.get(f"/api/v1/tests/{test.pk}/cards/").json()
    assert (told["spectrum"], told["size_class"]) == (None, None)
    [place] = told["across"]["places"]
    assert place["deposit_l_per_ha"]["value"] == 0.0
    assert place["dv50_um"] == {"value": None, "low": None, "high": None}
    assert "fines_unknown" in [one["code"] for one in told["drift"]]
    [card] = client.get(f"/api/v1/card-scans/{added.scan.pk}/").json()["cards"]
    assert (card["drops"], card["stain_um"], card["size_class"]) == (None, None, None)


def test_queries_do_not_grow(cast: Cast, test: Test):
    client = signed_in(cast.owner)
    counts: dict[str, list[int]] = {}
    for number in (1, 2, 3):
        with tenancy.everyone():
            scan = make_cards(cast, test, cards=number, seed=10 * number)
        for name, address in (
            ("together", f"tests/{test.pk}/cards/"),
            ("scan", f"card-scans/{scan.pk}/"),
        ):
            with CaptureQueriesContext(connection) as caught:
                assert client.get(f"/api/v1/{address}").status_code == 200
            counts.setdefault(name, []).append(len(caught))
    for name, numbers in counts.items():
        most = 9 if name == "together" else 7  # who looks first also keeps what it came to
        assert numbers[0] == numbers[1] == numbers[2] <= most, (name, numbers)
