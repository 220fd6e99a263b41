"""Droplet cards in the test report: what stands in it is what the cards gave, and no more.

The figures are checked against the stored results and exact conversions; the file against the rules
of PDF/A-3a and PDF/UA-1 by a validator of others.
"""

from __future__ import annotations

import hashlib
import io
import json
from dataclasses import dataclass
from itertools import product
from typing import Any

import pytest
from PIL import Image

from fleet import jobs, storage
from fleet.measures import said
from fleet.models import AnalysisRun, AuditRow, CardScan, Paper, Test
from fleet.queries.cards import CardsOfTest
from fleet.services import cards as card_services
from fleet.services import papers, passes
from fleet.services.cards_together import cards_of_test
from reports import test_report
from tests import cast as casting
from tests.cast import Cast
from tests.reports.reading import broken_rules, elements, opened, overprinted, text_of
from tests.reports.setting import pdf_of, undone

pytestmark = pytest.mark.usefixtures("everyone")

# NIST Handbook 44, appendix C: a gallon has 3.785411784 L, an acre 4046.8564224 m².
GAL_PER_ACRE_L_PER_HA = 3.785411784 / 0.40468564224


@pytest.fixture
def flown(cast: Cast) -> Test:
    return casting.make_tested(cast, passes=4)


@pytest.fixture
def analysis(cast: Cast, flown: Test) -> AnalysisRun:
    return casting.make_analysis(cast, flown)


def seen_by(cast: Cast, test: Test) -> CardsOfTest:
    seen = cards_of_test(cast.owner, test)
    assert seen is not None
    return seen


def printed(
    analysis: AnalysisRun,
    cards: CardsOfTest | None,
    system: str = "metric",
    page_size: str = "letter",
) -> bytes:
    approval = test_report.shown_approval(analysis, None)
    draft = test_report.drafted(
        analysis,
        approval,
        system=system,  # type: ignore[arg-type]
        page_size=page_size,
        cards=cards,
    )
    return pdf_of(draft)


def _kinds(pdf: bytes) -> list[str]:
    with opened(pdf) as document:
        return [str(one.S) for one in elements(document)]


def pages_of(pdf: bytes) -> int:
    with opened(pdf) as document:
        return len(document.pages)


@dataclass(frozen=True)
class Usual:
    """Cards of a test, and its report in metres and in feet."""

    cards: CardsOfTest
    pdf: dict[str, bytes]
    text: dict[str, str]


@pytest.fixture(scope="module")
def usual(django_db_setup: None, django_db_blocker: Any) -> Usual:
    """Made once for all tests that only read it."""
    with undone(django_db_blocker):
        cast = casting.make_cast()
        test = casting.make_tested(cast, passes=4)
        analysis = casting.make_analysis(cast, test)
        casting.make_cards(cast, test)
        cards = seen_by(cast, test)
        pdf = {system: printed(analysis, cards, system) for system in ("metric", "us")}
        pdf["without"] = printed(analysis, None)
    return Usual(cards, pdf, {system: text_of(one) for system, one in pdf.items()})


def bare_scan(cast: Cast, test: Test) -> CardScan:
    """A yellow card on which nothing fell, at 2 m."""
    out = io.BytesIO()
    Image.new("RGB", (472, 708), (250, 235, 110)).save(out, "PNG", dpi=(600, 600))
    [added] = card_services.add_scans(test, by=cast.analyst, files=[("bare.png", out.getvalue())])
    assert added.scan is not None
    assert added.job is not None
    jobs.run(added.job.pk)
    card_services.place_cards(added.scan, by=cast.analyst, places={1: (2.0, "")})
    return added.scan


# --- What stands in it ----------------------------------------------------------------------------


def test_figures_of_the_whole_and_of_each_place(usual: Usual):
    seen, text = usual.cards, usual.text["metric"]
    whole, across = seen.across.whole, seen.across
    for name, figure in (("0.1", whole.dv10_um), ("0.9", whole.dv90_um)):
        bounds = f"({figure.low:.0f} to {figure.high:.0f})"
        assert f"Dv{name} {figure.value:.0f} µm {bounds}" in text
    assert f"Dv0.5 (VMD) {whole.dv50_um.value:.0f} µm" in text
    assert f"Relative span {whole.relative_span.value:.2f}" in text
    assert [one.cut_off_um for one in whole.volume_below] == [100.0, 141.0, 150.0, 200.0]
    for one in whole.volume_below:
        assert f"Below {one.cut_off_um:g} µm {one.percent.value:.1f} %" in text
    assert f"Mean coverage {across.mean_coverage_percent:.1f} %" in text
    assert f"Mean deposit {across.mean_deposit_l_per_ha:.1f} L/ha" in text
    assert f"Drops per cm² {whole.per_cm2.value:.1f}" in text
    assert f"Stains counted {whole.stains}" in text
    for at, place in enumerate(("3 left", "0", "3 right")):
        row = f"{place} 1 {across.coverage_percent[at]:.1f} {across.per_cm2[at]:.1f}"
        assert f"{row} {across.deposit_l_per_ha[at]:.1f} (" in text
    kinds, plain = _kinds(usual.pdf["metric"]), _kinds(usual.pdf["without"])
    # Droplets and drift; two charts; sizes, amounts and places.
    for kind, more in (("/H2", 2), ("/Figure", 2), ("/Table", 3)):
        assert kinds.count(kind) == plain.count(kind) + more, kind


def test_deposit_in_gallons_per_acre(usual: Usual):
    seen, text = usual.cards, usual.text["us"]
    gallons = seen.across.mean_deposit_l_per_ha / GAL_PER_ACRE_L_PER_HA
    assert f"Mean deposit {gallons:.2f} gal/acre" in text
    assert "9.8 left 1 " in text  # 3 m / 0.3048
    assert "9.8 right 1 " in text


def test_class_with_its_table_and_standard(usual: Usual):
    seen, text = usual.cards, usual.text["metric"]
    found = seen.size_class
    assert f"Size class {found.letters}, {found.name}" in text
    assert f"Size class by: {found.table_name} (standard: {found.standard};" in text
    assert "ASABE S641" in text
    assert found.note in text


@pytest.mark.parametrize("system", ["us", "metric"])
def test_drift_in_words_that_say_some_is_left(usual: Usual, system: str):
    seen, text = usual.cards, usual.text[system]
    for one in seen.drift.statements:
        assert said(one.text, system) in text, one.code
    assert ("Delta T 9.4 °F" if system == "us" else "Delta T 5.2 °C") in text
    wind = "6 mph" if system == "us" else "2.5 m/s (6 mph)"
    assert f"Wind of {wind} is under the 10 mph" in text
    assert "There is always some potential for drift" in text
    [raising] = seen.drift.raising
    assert f"Beyond the limit. {raising.text}" in text


def test_what_it_rests_on(cast: Cast, flown: Test, analysis: AnalysisRun):
    scan = casting.make_cards(cast, flown)
    other = casting.make_cards(cast, flown, cards=1, seed=30)
    card_services.place_cards(scan, by=cast.analyst, places={2: (0.0, "Stepped on by the crew.")})
    pdf = printed(analysis, seen_by(cast, flown))
    text = text_of(pdf)
    assert "3 of 4 cards on 2 scans count, at 3 places across the swath" in text
    assert "Card 2 of scan 1 left out: Stepped on by the crew." in text
    assert "method cards-3, spread factor Water on water-sensitive paper (drop = " in text
    with opened(pdf) as document:
        files = {
            name: document.attachments[name].get_file().read_bytes()
            for name in document.attachments
        }
        assert {str(one.AFRelationship) for one in document.Root.AF} == {"/Data"}
    assert set(files) == {
        "inputs.json",
        "result.json",
        "cards-1.json",
        "cards-2.json",
        "cards.json",
        "record.json",
        "signed.txt",
    }
    for one in (scan, other):
        assert files[f"cards-{one.number}.json"].decode() == one.runs.get().document
        assert one.raw_file.digest in text
    assert files.pop("signed.txt")  # printed as the square code
    for data in files.values():
        assert hashlib.sha256(data).hexdigest() in text
    together = json.loads(files["cards.json"])
    assert together["scans"][0]["places"][1] == {
        "number": 2,
        "position_m": 0.0,
        "left_out_reason": "Stepped on by the crew.",
        "outlines_confirmed": True,
        "not_card_reason": "",
    }
    assert together["across"]["position_m"] == [-3.0, 0.0, 3.0]


def test_warnings_on_cards_stand_once(cast: Cast, flown: Test, analysis: AnalysisRun):
    data = casting.card_file(3, cards=3, paper="white_red")
    [added] = card_services.add_scans(flown, by=cast.analyst, files=[("dyed.png", data)])
    jobs.run(added.job.pk)
    card_services.confirm_cards(added.scan.runs.get(), by=cast.analyst)
    places = {number: (float(number), "") for number in (1, 2, 3)}
    card_services.place_cards(added.scan, by=cast.analyst, places=places)
    text = text_of(printed(analysis, seen_by(cast, flown)))
    assert text.count("but the spread factor is for") == 1
    assert "Cards 1.1, 1.2, 1.3 (scan.card): The card was read as" in text


def test_outlines_nobody_has_confirmed_are_told(cast: Cast, flown: Test, analysis: AnalysisRun):
    data = casting.card_file(7, cards=2)
    [added] = card_services.add_scans(flown, by=cast.analyst, files=[("bed.png", data)])
    jobs.run(added.job.pk)
    alone = text_of(printed(analysis, seen_by(cast, flown)))
    told = "Nobody has confirmed that the outlines found on scan 1 are cards: nothing on it counts"
    assert told in alone
    assert "cards.json" not in alone
    casting.make_cards(cast, flown)
    pdf = printed(analysis, seen_by(cast, flown))
    assert "3 of 5 cards on 2 scans count" in text_of(pdf)
    assert told in text_of(pdf)
    assert broken_rules(pdf) == []
    card_services.confirm_cards(added.scan.runs.get(), by=cast.analyst)
    assert "Nobody has confirmed" not in text_of(printed(analysis, seen_by(cast, flown)))


# --- Every state ----------------------------------------------------------------------------------


def test_four_passes_and_a_dozen_cards_fill_three_pages(cast: Cast, flown: Test):
    passes.add_aborted_pass(flown, by=cast.analyst, reason="Gust before the string; flown again.")
    analysis = casting.make_analysis(cast, flown)
    casting.make_approval(cast, analysis, note="Keep to lines of even height.")
    casting.make_cards(cast, flown, cards=9)
    scan = casting.make_cards(cast, flown, cards=3, seed=40)
    card_services.place_cards(scan, by=cast.analyst, places={2: (0.0, "Stepped on.")})
    for system, page_size in product(("us", "metric"), ("letter", "a4")):
        pdf = printed(analysis, seen_by(cast, flown), system, page_size)
        assert pages_of(pdf) == 3, (system, page_size)
        assert broken_rules(pdf) == [], (system, page_size)
        assert overprinted(pdf) == [], (system, page_size)


def test_without_cards_that_count_the_paper_is_the_same(
    cast: Cast, flown: Test, analysis: AnalysisRun
):
    before = printed(analysis, None)
    assert cards_of_test(cast.owner, flown) is None
    scan = casting.make_cards(cast, flown)
    places = dict.fromkeys((1, 2, 3), (None, ""))
    card_services.place_cards(scan, by=cast.analyst, places=places)
    seen = seen_by(cast, flown)
    assert len(seen.cards) == 3
    assert printed(analysis, seen) == before
    assert "Droplets" not in text_of(before)


def test_many_cards_and_long_reasons_lose_nothing(cast: Cast, flown: Test, analysis: AnalysisRun):
    reason = (
        "The crew stepped on it while the next pass was already on its way; its left half "
        "is smeared, its right half wet, and the wind turned it over twice before noon. "
    )
    for seed in (1, 50):
        scan = casting.make_cards(cast, flown, cards=12, seed=seed)
        places = {number: (float(number) + seed / 10, reason) for number in (1, 2)}
        card_services.place_cards(scan, by=cast.analyst, places=places)
    pdf = printed(analysis, seen_by(cast, flown), "us")
    text = text_of(pdf)
    assert broken_rules(pdf) == []
    assert overprinted(pdf) == []
    assert "20 of 24 cards on 2 scans count" in text
    assert text.count(reason.strip()) == 4
    assert text.count("for which the spread factor") <= 1  # told of one, with the names of all
    for row in seen_by(cast, flown).across.coverage_percent:
        assert f" {row:.1f} " in text


def test_cards_on_which_nothing_fell(cast: Cast, flown: Test, analysis: AnalysisRun):
    bare_scan(cast, flown)
    pdf = printed(analysis, seen_by(cast, flown))
    text = text_of(pdf)
    assert broken_rules(pdf) == []
    assert "1 of 1 card on 1 scan count" in text
    assert "Drops Not a single one was counted." in text
    assert "Mean deposit 0.0 L/ha" in text
    assert "2 right 1 0.0 0.0 0.0 –" in text  # no bounds where nothing fell
    assert "Size class by" not in text
    assert "Not known. The share of fine drops is not known" in text


def test_one_card_claims_nothing_across(cast: Cast, flown: Test, analysis: AnalysisRun):
    casting.make_cards(cast, flown, cards=1)
    pdf = printed(analysis, seen_by(cast, flown))
    assert broken_rules(pdf) == []
    assert "nothing can be said of the swath across" in text_of(pdf)


def test_reasons_cannot_write_markup(cast: Cast, flown: Test, analysis: AnalysisRun):
    scan = casting.make_cards(cast, flown)
    sly = '</p><img src="file:///etc/hostname" alt="x"><script>&amp;'
    card_services.place_cards(scan, by=cast.analyst, places={2: (0.0, sly)})
    assert sly in text_of(printed(analysis, seen_by(cast, flown)))


# --- From the rows to the paper -------------------------------------------------------------------


def issued(cast: Cast, analysis: AnalysisRun) -> Paper:
    job = papers.request_report(analysis, by=cast.owner)
    jobs.run(job.pk)
    job.refresh_from_db()
    assert (job.state, job.reason) == ("done", "")
    return Paper.objects.get(job=job)


@pytest.mark.service
def test_a_paper_holds_what_stood_when_it_was_made(cast: Cast, flown: Test, analysis: AnalysisRun):
    plain = issued(cast, analysis)
    scan = casting.make_cards(cast, flown)
    with_cards = issued(cast, analysis)
    assert "3 of 3 cards" in text_of(storage.fetch(with_cards.digest))
    card_services.place_cards(scan, by=cast.analyst, places={3: (3.0, "Wet")})
    corrected = issued(cast, analysis)
    assert len({plain.digest, with_cards.digest, corrected.digest}) == 3
    assert "2 of 3 cards" in text_of(storage.fetch(corrected.digest))
    assert "Droplets" not in text_of(storage.fetch(plain.digest))


def test_its_date_is_that_of_the_last_place(cast: Cast, flown: Test, analysis: AnalysisRun):
    scan = casting.make_cards(cast, flown)
    card_services.place_cards(scan, by=cast.analyst, places={1: (-4.0, "")})
    placed = AuditRow.objects.filter(deed="cards_placed").latest("created_at")
    with opened(printed(analysis, seen_by(cast, flown))) as document:
        assert document.docinfo.ModDate == f"{placed.created_at:D:%Y%m%d%H%M%SZ}"
