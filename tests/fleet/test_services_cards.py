"""Droplet cards through the services: scans in, measured by the worker, placed by people."""

from __future__ import annotations

import io
from importlib import import_module
from types import SimpleNamespace

import pytest
from django.apps import apps
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import connection
from PIL import Image

from fleet import jobs, storage
from fleet.models import (
    AuditRow,
    CardConfirmation,
    CardRun,
    CardScan,
    CardsTogether,
    RawFile,
)
from fleet.queries import progress
from fleet.queries.cards import scans_seen, scans_to_confirm
from fleet.services import cards as services
from fleet.services.cards_together import cards_of_test
from patterns.cards.classes import DEFAULT_TABLE, class_table, class_table_names
from patterns.plain import plain
from tests.cast import Cast, card_file, make_cards, make_tested

pytestmark = [pytest.mark.django_db, pytest.mark.service, pytest.mark.usefixtures("everyone")]


@pytest.fixture
def flown(cast: Cast):
    return make_tested(cast)


def test_many_scans_each_for_itself(cast: Cast, flown):
    added = services.add_scans(
        flown,
        by=cast.analyst,
        files=[
            ("one.png", card_file(1)),
            ("broken.png", b"no picture at all"),
            ("again.png", card_file(1)),
            ("two.jpg", card_file(2, kind="JPEG")),
        ],
    )
    assert [one.scan.number if one.scan else None for one in added] == [1, None, None, 2]
    assert added[1].error.startswith("broken.png: this is no picture")
    assert added[2].error == "again.png: the same file is scan 1 already."
    assert CardScan.objects.count() == RawFile.objects.filter(name__contains=".").count() - 3


def test_worker_finds_measures_and_keeps(cast: Cast, flown):
    data = card_file(cards=4)
    [added] = services.add_scans(flown, by=cast.analyst, files=[("bed.png", data)])
    jobs.run(added.job.pk)
    run = CardRun.objects.get()
    assert [card["number"] for card in run.cards] == [1, 2, 3, 4]
    assert storage.fetch(added.scan.raw_file.digest) == data
    for card in run.cards:
        assert card["stains"] > 50
        assert 2.0 < card["coverage_percent"]["value"] < 4.0  # drawn with 3 %
        with Image.open(io.BytesIO(storage.fetch(card["picture"]))) as picture:
            assert max(picture.size) <= 2400
    with Image.open(io.BytesIO(storage.fetch(run.preview_digest))) as picture:
        assert max(picture.size) <= 1600


def test_same_settings_same_bytes_and_other_settings_beside(cast: Cast, flown):
    scan = make_cards(cast, flown)
    first = scan.runs.get()
    jobs.run(services.measure_again(scan, by=cast.analyst).pk)
    own = services.CardSettings(spread_a=1.0, spread_b=1.0)
    jobs.run(services.measure_again(scan, by=cast.analyst, settings=own).pk)
    third, second, _ = scan.runs.all()
    assert second.document == first.document
    assert third.document != first.document
    assert [row.number for row in scan.runs.all()] == [3, 2, 1]


def test_asking_twice_gives_the_job_under_way(cast: Cast, flown):
    [added] = services.add_scans(flown, by=cast.analyst, files=[("a.png", card_file())])
    assert services.measure_again(added.scan, by=cast.analyst) == added.job


def test_scan_cut_short_fails_in_words(cast: Cast, flown):
    data = card_file()[:-4000]
    [added] = services.add_scans(flown, by=cast.analyst, files=[("cut.png", data)])
    jobs.run(added.job.pk)
    added.job.refresh_from_db()
    assert added.job.state == "failed"
    assert added.job.reason.startswith("cut.png: the picture is cut short")
    assert not CardRun.objects.exists()


@pytest.mark.parametrize(
    "settings",
    [
        services.CardSettings(spread="snake_oil"),
        services.CardSettings(table="nobody's"),
        services.CardSettings(spread_a=1.0),
        services.CardSettings(spread_a=1e9, spread_b=1.0),
    ],
)
def test_bad_settings_refused(cast: Cast, flown, settings):
    with pytest.raises(ValidationError):
        services.add_scans(
            flown, by=cast.analyst, files=[("a.png", card_file())], settings=settings
        )
    assert not CardScan.objects.exists()


def test_only_an_analyst(cast: Cast, flown):
    with pytest.raises(PermissionDenied):
        services.add_scans(flown, by=cast.owner, files=[("a.png", card_file())])
    scan = make_cards(cast, flown)
    with pytest.raises(PermissionDenied):
        services.place_cards(scan, by=cast.staff, places={1: (0.0, "")})
    with pytest.raises(PermissionDenied):
        services.measure_again(scan, by=cast.owner)


def make_bed(cast: Cast, flown, cards: int = 3) -> CardScan:
    """A bed measured and placed, its outlines not confirmed."""
    data = card_file(1, cards=cards)
    [added] = services.add_scans(flown, by=cast.analyst, files=[("bed.png", data)])
    jobs.run(added.job.pk)
    places = {number: (3.0 * number - 6.0, "") for number in range(1, cards + 1)}
    services.place_cards(added.scan, by=cast.analyst, places=places)
    return added.scan


def test_a_bed_does_not_count_before_its_outlines_are_confirmed(cast: Cast, flown):
    scan = make_bed(cast, flown)
    seen = cards_of_test(cast.owner, flown)
    assert seen.scans[0].awaits_confirmation
    assert (seen.counting, seen.across, seen.drift) == ([], None, None)
    with pytest.raises(PermissionDenied):
        services.confirm_cards(scan.runs.get(), by=cast.staff)
    row = services.confirm_cards(
        scan.runs.get(), by=cast.analyst, not_cards={2: " A business card "}
    )
    assert (row.cards, row.not_cards) == ([1, 3], {"2": "A business card"})
    seen = cards_of_test(cast.owner, flown)
    assert not seen.scans[0].awaits_confirmation
    assert list(seen.across.position_m) == [-3.0, 3.0]
    deed = AuditRow.objects.get(deed="cards_confirmed")
    assert (deed.person, deed.after["not_cards"]) == (cast.analyst, {"2": "A business card"})


def test_confirming_again_the_newer_word_stands(cast: Cast, flown):
    run = make_bed(cast, flown).runs.get()
    first = services.confirm_cards(run, by=cast.analyst, not_cards={2: "Shadow"})
    assert services.confirm_cards(run, by=cast.analyst, not_cards={2: "Shadow"}) == first
    services.confirm_cards(run, by=cast.analyst)
    assert len(cards_of_test(cast.owner, flown).counting) == 3
    assert AuditRow.objects.filter(deed="cards_confirmed").count() == 2


@pytest.mark.parametrize(
    ("said", "error"), [({4: "Shadow"}, "has no card 4"), ({1: "  "}, "say why it is no card")]
)
def test_what_cannot_be_confirmed(cast: Cast, flown, said, error):
    run = make_bed(cast, flown).runs.get()
    with pytest.raises(ValidationError, match=error):
        services.confirm_cards(run, by=cast.analyst, not_cards=said)
    assert not CardConfirmation.objects.exists()


def test_confirmed_outlines_hold_for_a_measurement_that_finds_the_same(cast: Cast, flown):
    scan = make_bed(cast, flown)
    first = scan.runs.get()
    services.confirm_cards(first, by=cast.analyst)
    own = services.CardSettings(spread_a=1.0, spread_b=1.0)
    jobs.run(services.measure_again(scan, by=cast.analyst, settings=own).pk)
    assert len(cards_of_test(cast.owner, flown).counting) == 3
    other = services.CardSettings(dpi=450.0)  # the edges are looked for elsewhere
    jobs.run(services.measure_again(scan, by=cast.analyst, settings=other).pk)
    if scan.runs.first().outlines_digest != first.outlines_digest:
        assert cards_of_test(cast.owner, flown).counting == []
        with pytest.raises(ValidationError, match="measured again meanwhile"):
            services.confirm_cards(first, by=cast.analyst)


def test_a_picture_of_one_card_needs_no_confirmation(cast: Cast, flown):
    [added] = services.add_scans(flown, by=cast.analyst, files=[("one.png", card_file(1))])
    jobs.run(added.job.pk)
    services.place_cards(added.scan, by=cast.analyst, places={1: (0.0, "")})
    assert len(cards_of_test(cast.owner, flown).counting) == 1


def test_nobody_confirmed_measurements_from_before(cast: Cast, flown):
    scan = make_bed(cast, flown)
    # What the migration before wrote of every measurement that was there, in nobody's name.
    import_module("fleet.migrations.0004_cards_confirmed").confirm_what_is_there(apps, None)
    assert CardConfirmation.objects.get().confirmed_by is None
    assert cards_of_test(cast.owner, flown).unconfirmed == [scan.number]
    assert list(scans_to_confirm(cast.analyst)) == [scan]
    services.confirm_cards(scan.runs.get(), by=cast.analyst)
    assert len(cards_of_test(cast.owner, flown).counting) == 3


def test_migration_reads_the_outlines_of_measurements_that_are_there(cast: Cast, flown):
    make_bed(cast, flown)
    [whole] = services.add_scans(flown, by=cast.analyst, files=[("one.png", card_file(1))])
    jobs.run(whole.job.pk)
    names = ("scan__number", "outlines_digest", "asks_confirmation")
    before = list(CardRun.objects.order_by("pk").values_list(*names))
    assert [asks for *_, asks in before] == [True, False]
    migration = import_module("fleet.migrations.0014_cards_together")
    migration.open_seal(apps, SimpleNamespace(connection=connection))
    CardRun.objects.update(outlines_digest="", asks_confirmation=False)
    migration.read_outlines(apps, None)
    assert list(CardRun.objects.order_by("pk").values_list(*names)) == before


def test_scans_that_await_a_look(cast: Cast, flown):
    scan = make_bed(cast, flown)
    make_cards(cast, flown, seed=20)  # confirmed
    [whole] = services.add_scans(flown, by=cast.analyst, files=[("one.png", card_file(1))])
    assert list(scans_to_confirm(cast.analyst)) == [scan]  # `whole` is not measured yet
    jobs.run(whole.job.pk)
    assert list(scans_to_confirm(cast.owner)) == [scan]
    assert list(scans_to_confirm(cast.outsider)) == []
    [row] = progress.tests_on(cast.analyst, flown.visit)
    assert row.unconfirmed == (scan.number,)
    services.confirm_cards(scan.runs.get(), by=cast.analyst)
    assert not scans_to_confirm(cast.analyst).exists()


# --- Together, worked out once --------------------------------------------------------------------


def test_what_cards_say_together_is_worked_out_once(cast: Cast, flown, monkeypatch):
    make_cards(cast, flown)
    first = cards_of_test(cast.owner, flown)
    row = CardsTogether.objects.get()
    assert row.document_digest == storage.digest_of(row.document.encode())
    assert row.inputs["cards"] == [[one.entry["result"], one.position_m] for one in first.cards]

    def read(digest: str) -> bytes:
        raise AssertionError("a card was read again")

    with monkeypatch.context() as patched:
        patched.setattr(storage, "fetch", read)
        again = cards_of_test(cast.analyst, flown)
    assert plain(again.across) == plain(first.across)
    told = [
        (one.across, one.size_class, one.ways, one.remarks, one.drift) for one in (first, again)
    ]
    assert plain(told[0]) == plain(told[1])
    assert CardsTogether.objects.get() == row


def test_other_places_have_other_figures_and_the_old_ones_come_back(cast: Cast, flown):
    scan = make_cards(cast, flown)
    first = cards_of_test(cast.owner, flown).across
    services.place_cards(scan, by=cast.analyst, places={3: (6.0, "")})
    assert list(cards_of_test(cast.owner, flown).across.position_m) == [-3.0, 0.0, 6.0]
    services.place_cards(scan, by=cast.analyst, places={3: (3.0, "")})
    assert plain(cards_of_test(cast.owner, flown).across) == plain(first)
    assert CardsTogether.objects.count() == 2
    services.confirm_cards(scan.runs.get(), by=cast.analyst, not_cards={1: "Shadow"})
    assert list(cards_of_test(cast.owner, flown).across.position_m) == [0.0, 3.0]


def test_places_of_cards(cast: Cast, flown):
    scan = make_cards(cast, flown)
    with pytest.raises(ValidationError, match="has no card 4"):
        services.place_cards(scan, by=cast.analyst, places={4: (0.0, "")})
    with pytest.raises(ValidationError, match="within 60 m"):
        services.place_cards(scan, by=cast.analyst, places={1: (600.0, "")})
    assert not services.place_cards(scan, by=cast.analyst, places={1: (-3.0, "")})
    assert services.place_cards(scan, by=cast.analyst, places={2: (0.0, "Stepped on")})
    row = AuditRow.objects.filter(deed="cards_placed").first()
    assert row.before == {"2": [0.0, ""]}
    assert row.after == {"2": [0.0, "Stepped on"]}


def test_whole_test_from_the_cards_that_count(cast: Cast, flown):
    scan = make_cards(cast, flown)
    seen = cards_of_test(cast.owner, flown)
    assert seen is not None
    assert seen.across is not None
    assert list(seen.across.position_m) == [-3.0, 0.0, 3.0]
    assert seen.across.whole.dv50_um.value > 100.0
    assert "always" in [one.code for one in seen.drift.statements]
    assert seen.size_class.table == "ag_aviation_2014"
    assert "few_large" in [one.code for one in seen.remarks]
    services.place_cards(scan, by=cast.analyst, places={2: (0.0, "Stepped on")})
    assert list(cards_of_test(cast.owner, flown).across.position_m) == [-3.0, 3.0]


def test_cards_measured_in_different_ways_are_not_classed_together(cast: Cast, flown):
    make_cards(cast, flown, cards=2)
    other = make_cards(cast, flown, cards=2, seed=9)
    table = next(name for name in class_table_names() if name != DEFAULT_TABLE)
    own = services.CardSettings(table=table, spread="none")
    jobs.run(services.measure_again(other, by=cast.analyst, settings=own).pk)
    seen = cards_of_test(cast.owner, flown)
    assert seen.size_class is None
    said = {one.code: one.text for one in seen.remarks}
    assert "different spread factors" in said["mixed_spread_factors"]
    assert class_table(table).name in said["mixed_class_tables"]
    assert "mixed_method_versions" not in said


def test_cards_of_others_are_not_seen(cast: Cast, flown):
    make_cards(cast, flown)
    assert scans_seen(cast.outsider, flown) == []
    assert cards_of_test(cast.outsider, flown) is None


def test_queries_do_not_grow_with_scans(cast: Cast, flown, django_assert_num_queries):
    for number in (1, 2, 3):
        make_cards(cast, flown, cards=2, seed=10 * number)
        with django_assert_num_queries(5):  # scans, runs, places, confirmations, jobs
            scans_seen(cast.analyst, flown)
