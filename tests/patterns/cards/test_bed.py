"""Finding cards on drawn beds: every card, in order, none made up."""

from __future__ import annotations

import numpy as np
import pytest

from fixtures.cards import CardPlan, draw_bed, draw_card
from patterns.cards.bed import FoundCard, cut, find_cards
from patterns.cards.decode import CardImage
from patterns.cards.separate import separate
from patterns.cards.stains import measure_stains
from patterns.errors import InputError


def plans(count: int, **changes: object) -> list[CardPlan]:
    covers = np.linspace(0.5, 10.0, count).tolist()
    return [
        CardPlan(**{"dpi": 600.0, "touching": True, **changes}, cover_percent=cover, seed=index + 1)  # type: ignore[arg-type]
        for index, cover in enumerate(covers)
    ]


def test_twenty_cards_at_600_dpi_are_all_found_in_order() -> None:
    angles = np.random.default_rng(1).uniform(-4.0, 4.0, 20).tolist()
    bed = draw_bed(plans(20), across=5, angles_deg=angles, lid="black", pitch_mm=(38.0, 88.0))
    found = find_cards(CardImage("bed", "", bed.dpi, bed.pixels))
    assert [card.number for card in found] == list(range(1, 21))
    for card, corners, angle in zip(found, bed.corners_px, angles, strict=True):
        # A quarter of a pixel is 10 µm.
        assert np.max(np.abs(card.corners_px - corners)) < 0.25
        assert card.angle_deg == pytest.approx(angle, abs=0.03)
        assert card.width_mm == pytest.approx(26.0, abs=0.05)
        assert card.height_mm == pytest.approx(76.0, abs=0.05)


@pytest.mark.parametrize(
    ("lid", "paper"),
    [("white", "yellow"), ("black", "white_pink"), ("grey", "white_red"), ("black", "yellow")],
)
def test_cards_stand_out_from_lids_of_other_colours(lid: str, paper: str) -> None:
    bed = draw_bed(
        plans(4, paper=paper, dpi=300.0), across=2, angles_deg=[3.0, -7.0, 0.0, 12.0], lid=lid
    )
    found = find_cards(CardImage("bed", "", bed.dpi, bed.pixels))
    assert len(found) == 4
    assert np.max(np.abs([card.corners_px for card in found] - bed.corners_px)) < 0.5


def test_dust_hairs_and_scraps_are_no_cards() -> None:
    bed = draw_bed(plans(2, dpi=300.0), across=2, angles_deg=[1.0, -1.0], lid="black")
    pixels = bed.pixels.copy()
    pixels[20:60, 30:70] = 250  # a scrap of 3 mm
    pixels[10:13, :] = 250  # a hair over the whole bed
    pixels[-40:-38, 100:600] = 200
    found = find_cards(CardImage("bed", "", bed.dpi, pixels))
    assert len(found) == 2
    assert all(card.filled_percent > 95.0 for card in found)


def test_two_cards_that_touch_are_shown_as_one_to_be_looked_at() -> None:
    pixels = np.full((1500, 1200, 3), 20, dtype=np.uint8)
    pixels[100:900, 100:400] = 235
    pixels[600:1400, 380:680] = 235
    pixels[100:900, 800:1100] = 235
    touching, single = find_cards(CardImage("bed", "", 300.0, pixels))
    assert touching.filled_percent < 80.0
    assert single.filled_percent > 95.0
    assert single.width_mm == pytest.approx(25.4, abs=0.1)


def test_a_scan_of_one_card_is_the_whole_image() -> None:
    card = draw_card(CardPlan(dpi=600.0, height_mm=30.0, touching=True))
    image = CardImage("card", "", card.dpi, card.pixels)
    (found,) = find_cards(image)
    assert (found.number, found.angle_deg) == (1, 0.0)
    assert found.width_mm == pytest.approx(26.0, abs=0.05)
    assert cut(image, found) is image


def test_an_empty_bed_is_one_whole_image() -> None:
    image = CardImage("bed", "", 300.0, np.full((900, 700, 3), 250, dtype=np.uint8))
    (found,) = find_cards(image)
    assert found.corners_px.tolist() == [[-0.5, -0.5], [699.5, -0.5], [699.5, 899.5], [-0.5, 899.5]]


@pytest.mark.parametrize("angle", [0.0, 2.0, -10.0, 30.0])
def test_a_turned_card_measures_as_it_was_drawn(angle: float) -> None:
    plan = CardPlan(dpi=1200.0, height_mm=30.0, cover_percent=4.0, seed=5)
    bed = draw_bed([plan], across=1, angles_deg=[angle], lid="black", pitch_mm=(48.0, 48.0))
    image = CardImage("bed", "", bed.dpi, bed.pixels)
    (found,) = find_cards(image)
    straight = cut(image, found)
    stains = measure_stains(separate(straight), straight.dpi)
    assert stains.coverage_percent == pytest.approx(bed.cards[0].coverage_percent, rel=0.03)
    drawn = bed.cards[0].diameter_um
    seen = np.sort(stains.diameter_um)[-12:-2]
    assert seen == pytest.approx(np.sort(drawn)[-12:-2], rel=0.06)


def test_a_cut_card_keeps_its_file_and_loses_a_few_pixels_at_its_edges() -> None:
    bed = draw_bed(plans(2, dpi=300.0), across=2, angles_deg=[0.0, 5.0])
    image = CardImage("bed", "digest", bed.dpi, bed.pixels)
    for card in find_cards(image):
        straight = cut(image, card)
        assert (straight.source, straight.digest, straight.dpi) == ("bed", "digest", 300.0)
        rows, columns = straight.pixels.shape[:2]
        assert card.height_mm / 25.4 * 300 - rows == pytest.approx(6.0, abs=1.5)
        assert card.width_mm / 25.4 * 300 - columns == pytest.approx(6.0, abs=1.5)


@pytest.mark.parametrize(
    ("corners", "error"),
    [
        ([(0, 0), (500, 0), (500, 50), (0, 50)], "beyond the scan"),
        ([(5, 5), (5, 5), (5, 5), (5, 5)], "no area"),
        ([(5, 5), (50, 5), (50, 50)], "not four places"),
        ([(float("nan"), 5), (50, 5), (50, 50), (5, 50)], "not four places"),
    ],
)
def test_corners_that_are_no_card_are_refused(
    corners: list[tuple[float, float]], error: str
) -> None:
    image = CardImage("bed", "", 300.0, np.full((100, 100, 3), 250, dtype=np.uint8))
    card = FoundCard(1, np.array(corners, dtype=np.float64), 0.0, 10.0, 10.0)
    with pytest.raises(InputError, match=error):
        cut(image, card)
