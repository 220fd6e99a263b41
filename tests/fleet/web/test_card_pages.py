"""Scans of cards coming in, being measured, placed and looked at."""

from __future__ import annotations

import io
import json
import re

import numpy as np
import pytest
from django.core.files.storage import default_storage
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import override_settings
from django.urls import reverse
from PIL import Image

from fleet import jobs, storage
from fleet.models import CardConfirmation, CardRun, CardScan, Job, Test
from fleet.queries.cards import scans_seen
from fleet.services import cards as services
from tests.cast import Cast, card_file, make_analysis, make_cards, make_tested
from tests.fleet.web.asking import HTMX, queries_of, signed_in, words_of

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("everyone")]


@pytest.fixture
def flown(cast: Cast) -> Test:
    return make_tested(cast)


@pytest.fixture
def scan(cast: Cast, flown: Test) -> CardScan:
    """Three cards, measured, at −3, 0 and 3 m."""
    return make_cards(cast, flown)


def page(test: Test) -> str:
    return reverse("cards", args=[test.pk])


def upload(more: dict[str, str] | None = None, **contents: bytes):
    files = [SimpleUploadedFile(name, data) for name, data in contents.items()]
    return {"files": files, **(more or {})}


# --- outlines confirmed


def test_outlines_are_confirmed_with_one_press(cast: Cast, flown: Test):
    bed = card_file(1, cards=3)
    [added] = services.add_scans(flown, by=cast.analyst, files=[("bed.png", bed)])
    jobs.run(added.job.pk)
    client = signed_in(cast.analyst)
    answer = client.get(page(flown))
    assert answer.content.count(b'class="primary"') == 1
    assert "These are the cards" in words_of(answer)
    assert "Outlines not confirmed" in words_of(signed_in(cast.owner).get(page(flown)))
    assert "These are the cards" not in words_of(signed_in(cast.owner).get(page(flown)))
    elsewhere = (("visits", []), ("visit", [flown.visit_id]), ("test", [flown.pk]))
    for name, key in elsewhere:
        assert f"{page(flown)}#scan-1" in client.get(reverse(name, args=key)).content.decode(), name
    address = reverse("card-confirm", args=[added.scan.pk])
    assert client.post(address, {"run": "9"}).status_code == 302
    assert not CardConfirmation.objects.exists()
    answer = client.post(address, {"run": "1", "not_3": "A shadow"}, follow=True)
    words = words_of(answer)
    assert f"Outlines confirmed {cast.analyst.name}" in words
    assert "No card A shadow" in words
    assert CardConfirmation.objects.get().not_cards == {"3": "A shadow"}
    for name, key in elsewhere:
        assert "#scan-1" not in client.get(reverse(name, args=key)).content.decode(), name


def test_a_pass_tells_of_its_cards(cast: Cast, flown: Test):
    flight_pass = flown.passes.first()
    [added] = services.add_scans(
        flown, by=cast.analyst, files=[("bed.png", card_file(1, cards=3))], flight_pass=flight_pass
    )
    jobs.run(added.job.pk)
    address = reverse("pass", args=[flight_pass.pk])
    told = "Scan 1 bed.png ◌ Outlines not confirmed"
    assert told in words_of(signed_in(cast.owner).get(address))
    services.confirm_cards(added.scan.runs.get(), by=cast.analyst)
    words = words_of(signed_in(cast.owner).get(address))
    assert "Scan 1 bed.png" in words
    assert told not in words


# --- scans coming in


def test_good_and_bad_files_are_answered_beside_their_names(cast: Cast, flown: Test):
    sent = upload(**{"one.png": card_file(1), "not.png": b"words", "again.png": card_file(1)})
    answer = signed_in(cast.analyst).post(page(flown), sent)
    words = words_of(answer)
    assert "one.png is scan 1" in words
    assert "not.png Not added. This is no picture" in words
    assert "again.png Not added. The same file is scan 1 already." in words
    assert CardScan.objects.count() == 1


def test_nothing_chosen_and_too_big(cast: Cast, flown: Test):
    client = signed_in(cast.analyst)
    assert "Choose one or more files first." in words_of(client.post(page(flown), {}))
    with override_settings(SCAN_LIMIT_BYTES=1000):
        answer = client.post(page(flown), upload(**{"big.png": card_file()}), **HTMX)
    assert "big.png Not added. The file has" in words_of(answer)
    assert not answer.content.lstrip().startswith(b"<!doctype")
    assert not CardScan.objects.exists()


def test_settings_and_pass_go_with_the_scans(cast: Cast, flown: Test):
    flight_pass = flown.passes.first()
    more = {"flight_pass": str(flight_pass.pk), "spread_a": "1", "spread_b": "0.9", "dpi": "300"}
    signed_in(cast.analyst).post(page(flown), upload(more, **{"a.png": card_file()}))
    [scan] = CardScan.objects.all()
    assert scan.flight_pass == flight_pass
    chosen = Job.objects.get(kind="cards").parameters
    assert (chosen["spread_a"], chosen["spread_b"], chosen["dpi"]) == (1.0, 0.9, 300.0)


def test_half_a_spread_factor_is_refused_and_said(cast: Cast, flown: Test):
    answer = signed_in(cast.analyst).post(
        page(flown), upload({"spread_a": "1"}, **{"a.png": card_file()})
    )
    assert "give both A and B" in words_of(answer)
    assert not CardScan.objects.exists()


def test_pass_of_another_test_is_no_choice(cast: Cast, flown: Test):
    other = make_tested(cast, setup=flown.setup)
    more = {"flight_pass": str(other.passes.first().pk)}
    signed_in(cast.analyst).post(page(flown), upload(more, **{"a.png": card_file()}))
    assert not CardScan.objects.exists()


def test_progress_runs_without_reload_and_ends_with_the_scan(cast: Cast, flown: Test):
    client = signed_in(cast.analyst)
    sent = upload(**{"a.png": card_file(1), "b.png": card_file(2)})
    assert "2 scans being measured" in words_of(client.post(page(flown), sent))
    first, second = Job.objects.filter(kind="cards").order_by("created_at")
    jobs.run(first.pk)
    answer = client.get(page(flown), {"waiting": "1,2"}, **HTMX)
    text = answer.content.decode()
    assert "?waiting=2" in text
    assert 'id="progress-2" hx-swap-oob="true"' in text
    assert 'id="scan-1"' in text
    assert 'id="scan-2"' not in text
    jobs.run(second.pk)
    text = client.get(page(flown), {"waiting": "2"}, **HTMX).content.decode()
    assert "hx-trigger" not in text.split('id="scan-2"')[0]
    assert 'id="scan-2"' in text
    assert "being measured" not in words_of(client.get(page(flown)))


def test_scan_that_failed_says_why(cast: Cast, flown: Test):
    client = signed_in(cast.analyst)
    client.post(page(flown), upload(**{"cut.png": card_file()[:-4000]}))
    jobs.run(Job.objects.get(kind="cards").pk)
    words = words_of(client.get(page(flown)))
    assert "Could not be done cut.png: the picture is cut short" in words


# --- where the cards lay


def test_places_in_feet(cast: Cast, scan: CardScan):
    client = signed_in(cast.analyst)
    data = {"position_1": "-10", "position_2": "0", "position_3": "10", "reason_3": "Stepped on"}
    answer = client.post(reverse("card-places", args=[scan.pk]), data)
    assert answer.url == page(scan.test) + "#scan-1"
    places = [(row.number, row.position_m, row.left_out_reason) for row in scan.places.all()]
    assert places == [(1, -3.048, ""), (2, 0.0, ""), (3, 3.048, "Stepped on")]
    words = words_of(client.get(page(scan.test)))
    assert "−10.00 ft" in words
    assert "Left out Stepped on" in words
    assert "2 of 3" in words


def test_places_at_even_distances(cast: Cast, scan: CardScan):
    services.place_cards(scan, by=cast.analyst, places={2: (0.0, "Wet")})
    address = reverse("card-places", args=[scan.pk])
    signed_in(cast.analyst).post(address, {"first_m": "-10", "every_m": "10"})
    rows = scan.places.order_by("number")
    assert [row.position_m for row in rows] == pytest.approx([-3.048, 0.0, 3.048], abs=1e-6)
    assert [row.left_out_reason for row in rows] == ["", "Wet", ""]


def test_place_beyond_reason_is_said_on_the_page(cast: Cast, scan: CardScan):
    client = signed_in(cast.analyst)
    answer = client.post(reverse("card-places", args=[scan.pk]), {"position_1": "900"})
    assert answer.status_code == 200
    assert "Card 1: its place must be within" in words_of(answer)
    assert scan.places.get(number=1).position_m == -3.0
    assert client.post(reverse("card-places", args=[scan.pk]), {"every_m": "x"}).status_code == 200


# --- what they say


def test_the_whole_comes_first_with_bounds_and_cautions(cast: Cast, scan: CardScan):
    make_analysis(cast, scan.test)
    answer = signed_in(cast.pilot).get(page(scan.test))
    words, text = words_of(answer), answer.content.decode()
    found = re.search(r"Dv0\.5, volume median diameter (\d+) µm (\d+) to (\d+) µm", words)
    assert found
    median, low, high = map(int, found.groups())
    assert low <= median <= high
    assert "Ag aviation trade article 2014" in words
    assert "There is always some potential for drift" in words
    assert "not permission to spray" in words
    assert 'id="cards-deposit-desk"' in text
    assert 'id="cards-spectrum-phone"' in text
    assert text.count("<polygon") == 3
    assert "Where the cards lay" not in words  # the pilot only reads


def test_metric_readers_see_metres_and_litres(cast: Cast, scan: CardScan):
    cast.owner.unit_system = "metric"
    cast.owner.save(update_fields=["unit_system"])
    words = words_of(signed_in(cast.owner).get(page(scan.test)))
    assert "L/ha" in words
    assert "−3.00 m" in words
    assert "gal/acre" not in words


def test_pages_of_the_test_lead_to_its_cards(cast: Cast, scan: CardScan):
    client = signed_in(cast.owner)
    run = make_analysis(cast, scan.test)
    for address in (reverse("test", args=[scan.test_id]), reverse("analysis", args=[run.pk])):
        assert page(scan.test) in client.get(address).content.decode()


def test_measured_again_stands_beside(cast: Cast, scan: CardScan):
    client = signed_in(cast.analyst)
    answer = client.post(reverse("card-again", args=[scan.pk]), {"spread_a": "1", "spread_b": "1"})
    assert answer.url == page(scan.test) + "#scan-1"
    assert "1 scan being measured" in words_of(client.get(page(scan.test)))
    jobs.run(Job.objects.filter(kind="cards").latest("created_at").pk)
    assert CardRun.objects.count() == 2
    assert "2 measurements" in words_of(client.get(page(scan.test)))
    address = reverse("card", args=[scan.pk, 1])
    newest, earlier = client.get(address), client.get(address, {"run": "1"})
    assert "drop = 1 · stain^1" in words_of(newest)
    assert "This is measurement 1. Measurement 2 is newer" in words_of(earlier)
    assert newest.context["result"].drops.dv50_um != earlier.context["result"].drops.dv50_um


def test_bad_settings_of_measuring_again_are_said(cast: Cast, scan: CardScan):
    answer = signed_in(cast.analyst).post(reverse("card-again", args=[scan.pk]), {"spread_b": "1"})
    assert "give both A and B" in words_of(answer)
    assert Job.objects.filter(kind="cards").count() == 1


def test_cards_without_a_drop(cast: Cast, flown: Test):
    data = card_file(5, cover_percent=0.0)
    [added] = services.add_scans(flown, by=cast.analyst, files=[("bare.png", data)])
    jobs.run(added.job.pk)
    services.place_cards(added.scan, by=cast.analyst, places={1: (0.0, "")})
    client = signed_in(cast.owner)
    assert "no drop counted" in words_of(client.get(page(flown)))
    assert "no drop counted" in words_of(client.get(reverse("card", args=[added.scan.pk, 1])))
    assert client.get(reverse("card-stains", args=[added.scan.pk, 1])).json()["counted"] == []


# --- one card


def test_card_with_its_figures(cast: Cast, scan: CardScan):
    words = words_of(signed_in(cast.owner).get(reverse("card", args=[scan.pk, 1])))
    result = scans_seen(cast.owner, scan.test)[0].cards[0].result()
    assert "Card 1 9.84 ft left of the flight line" in words
    assert f"Dv0.5 {result.drops.dv50_um.value:.0f} µm" in words
    assert f"Stains {result.stains} " in words


def test_stains_for_the_viewer_are_those_of_the_kept_document(cast: Cast, scan: CardScan):
    client = signed_in(cast.owner)
    shown = client.get(reverse("card-stains", args=[scan.pk, 2])).json()
    card = scan.runs.get().cards[1]
    kept = json.loads(storage.fetch(card["result"]))["found"]
    with Image.open(io.BytesIO(storage.fetch(card["picture"]))) as picture:
        assert shown["size_px"] == list(picture.size)
    scale = shown["size_px"][0] / card["image_px"][0]
    assert shown["x"] == pytest.approx([(x + 0.5) * scale for x in kept["x_px"]], abs=0.06)
    assert shown["length"] == pytest.approx([d * scale for d in kept["length_px"]], abs=0.06)
    assert shown["counted"] == [int(weight > 0) for weight in kept["weight"]]
    assert sum(shown["counted"]) == card["stains"]
    for counted, why, drop in zip(shown["counted"], shown["why"], shown["drop_um"], strict=True):
        assert counted == (not shown["reasons"][why].startswith("left out"))
        assert bool(counted) == (drop is not None)


def test_stains_lie_where_the_picture_is_stained(cast: Cast, scan: CardScan):
    """The largest counted stains are darker in the middle than the paper of the card."""
    client = signed_in(cast.owner)
    shown = client.get(reverse("card-stains", args=[scan.pk, 1])).json()
    answer = client.get(reverse("card-picture", args=[scan.pk, 1]))
    with Image.open(io.BytesIO(answer.content)) as picture:
        red = np.asarray(picture.convert("RGB"))[:, :, 0].astype(float)
    order = np.argsort(
        [-size if c else 0 for size, c in zip(shown["stain_um"], shown["counted"], strict=True)]
    )
    for at in order[:20]:
        assert red[int(shown["y"][at]), int(shown["x"][at])] < 0.7 * np.median(red)


def test_pictures_of_scan_and_card_and_without_script(cast: Cast, scan: CardScan):
    client = signed_in(cast.owner)
    whole = client.get(reverse("card-picture", args=[scan.pk, 0]))
    plain = client.get(reverse("card-picture", args=[scan.pk, 1]), {"run": "1"})
    drawn = client.get(reverse("card-picture", args=[scan.pk, 1]), {"stains": ""})
    assert whole["Content-Type"] == plain["Content-Type"] == "image/jpeg"
    assert "max-age" in plain["Cache-Control"]
    assert "no-cache" in drawn["Cache-Control"]
    pictures = [
        np.asarray(Image.open(io.BytesIO(one.content)), dtype=float) for one in (plain, drawn)
    ]
    assert pictures[0].shape == pictures[1].shape
    assert np.mean(np.abs(pictures[0] - pictures[1]).max(axis=2) > 60) > 0.005


def test_raw_scan_comes_back_byte_for_byte(cast: Cast, scan: CardScan):
    answer = signed_in(cast.owner).get(reverse("card-scan-file", args=[scan.pk]))
    assert answer.content == card_file(1, cards=3)
    assert answer["Content-Disposition"] == 'attachment; filename="bed.png"'


def test_kept_file_that_is_gone_is_said_and_healed_by_measuring_again(cast: Cast, scan: CardScan):
    client = signed_in(cast.analyst)
    digest = scan.runs.get().cards[1]["result"]
    default_storage.delete(f"{digest[:2]}/{digest[2:4]}/{digest}")
    assert "cannot be told" in words_of(client.get(page(scan.test)))
    assert client.get(reverse("card", args=[scan.pk, 2])).url == page(scan.test)
    assert client.get(reverse("card-stains", args=[scan.pk, 2])).status_code == 404
    client.post(reverse("card-again", args=[scan.pk]), {})
    jobs.run(Job.objects.filter(kind="cards").latest("created_at").pk)
    assert "Dv0.5, volume median diameter" in words_of(client.get(page(scan.test)))


@pytest.mark.parametrize(
    ("name", "number", "run"),
    [
        ("card", 4, ""),
        ("card", 0, ""),
        ("card-stains", 0, ""),
        ("card", 1, "9"),
        ("card-picture", 1, "7"),
    ],
)
def test_what_is_not_there_is_404(cast: Cast, scan: CardScan, name: str, number: int, run: str):
    address = reverse(name, args=[scan.pk, number])
    assert signed_in(cast.owner).get(address, {"run": run}).status_code == 404


def test_outsiders_see_nothing(cast: Cast, scan: CardScan):
    client = signed_in(cast.outsider)
    for name in ("card", "card-picture", "card-stains"):
        assert client.get(reverse(name, args=[scan.pk, 1])).status_code == 404
    assert client.get(page(scan.test)).status_code == 404
    assert client.get(reverse("card-scan-file", args=[scan.pk])).status_code == 404
    assert client.post(reverse("card-places", args=[scan.pk]), {}).status_code == 404


def test_queries_do_not_grow_with_scans(cast: Cast, flown: Test):
    client = signed_in(cast.analyst)
    make_cards(cast, flown, cards=2, seed=10)
    one = queries_of(client, page(flown))
    make_cards(cast, flown, cards=2, seed=20)
    make_cards(cast, flown, cards=2, seed=30)
    assert queries_of(client, page(flown)) == one


def test_job_of_cards_leads_to_their_page(cast: Cast, scan: CardScan):
    job = Job.objects.get(kind="cards")
    answer = signed_in(cast.owner).get(reverse("job", args=[job.pk]))
    assert answer.url == page(scan.test) + "#scan-1"
