"""Separating stain from paper on drawn cards of every kind, in every light."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.filters import threshold_otsu

from fixtures.cards import CardPlan, DrawnCard, draw_card
from patterns.cards.decode import CardImage
from patterns.cards.separate import SeparateParameters, Separation, separate
from patterns.errors import InputError

# A third of a card is enough here.
SMALL = {"height_mm": 20.0, "dpi": 600.0, "median_um": 300.0}


def drawn(**changes: object) -> tuple[DrawnCard, CardImage]:
    card = draw_card(CardPlan(**{**SMALL, **changes}))  # type: ignore[arg-type]
    return card, CardImage("card", "", card.dpi, card.pixels)


def separated(**changes: object) -> tuple[DrawnCard, Separation]:
    card, image = drawn(**changes)
    return card, separate(image)


@pytest.mark.parametrize(
    ("paper", "kind", "channel"),
    [
        ("yellow", "water_sensitive", "red"),
        ("white_pink", "dyed", "green"),
        ("white_red", "dyed", ""),
        ("grey", "grey", ""),
    ],
)
def test_each_kind_of_card_is_told_by_its_colours(paper: str, kind: str, channel: str) -> None:
    card, found = separated(paper=paper)
    assert found.paper == kind
    assert f"In the {channel} channel" in found.why or not channel
    assert 100.0 * found.mask.mean() == pytest.approx(card.coverage_percent, rel=0.03)
    assert found.mask.dtype == np.bool_
    assert found.channel.dtype == np.uint8
    assert found.remarks == ()


@pytest.mark.parametrize("shading", [0.0, 0.2, 0.4])
@pytest.mark.parametrize("paper", ["yellow", "white_pink", "grey"])
def test_uneven_light_moves_the_threshold_along(paper: str, shading: float) -> None:
    card, found = separated(paper=paper, shading=shading)
    assert 100.0 * found.mask.mean() == pytest.approx(card.coverage_percent, rel=0.03)
    assert found.paper_level.max() / found.paper_level.min() >= 1.0 + 0.6 * shading


@pytest.mark.parametrize("noise", [0.0, 6.0, 12.0])
def test_noise_makes_no_stains(noise: float) -> None:
    card, found = separated(paper="white_pink", noise=noise)
    assert 100.0 * found.mask.mean() == pytest.approx(card.coverage_percent, rel=0.04)


def test_a_card_in_black_and_white_of_which_most_is_dark_is_told_as_dark() -> None:
    """All paper stands at the lightest level there is, and is less than half of the card."""
    random = np.random.default_rng(3)
    dark = np.repeat(np.repeat(random.random((60, 40)) < 0.6, 8, axis=0), 8, axis=1)
    found = separate(CardImage("card", "", 600.0, np.where(dark, 0, 255).astype(np.uint8)))
    assert [remark.code for remark in found.remarks] == ["too_dark"]
    assert found.mask.mean() == pytest.approx(dark.mean(), abs=0.02)


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("noise", [14.0, 18.0, 22.0])
def test_a_channel_without_stain_is_not_taken_for_one_full_of_noise(
    noise: float, seed: int
) -> None:
    """Pink stains hardly show in red, where nothing but noise is darker than the paper."""
    card, found = separated(paper="white_pink", noise=noise, seed=seed)
    assert 100.0 * found.mask.mean() == pytest.approx(card.coverage_percent, rel=0.15)


def test_a_scan_full_of_noise_is_smoothed_and_says_so() -> None:
    _, found = separated(paper="white_pink", noise=20.0)
    assert found.why.endswith("The scan is noisy and was smoothed first.")


@pytest.mark.parametrize("cover", [0.3, 3.0, 20.0])
def test_faint_and_dense_cover_are_found_alike(cover: float) -> None:
    card, found = separated(cover_percent=cover, touching=True)
    assert 100.0 * found.mask.mean() == pytest.approx(card.coverage_percent, rel=0.05)


def test_on_an_even_card_the_mask_is_close_to_that_of_otsu() -> None:
    # N. Otsu, IEEE Trans. Systems, Man and Cybernetics 9, 1979, as scikit-image computes it.
    _, image = drawn(shading=0.0, cover_percent=8.0)
    red = image.pixels[..., 0]
    other = red <= threshold_otsu(red)
    mask = separate(image).mask
    assert np.count_nonzero(mask != other) < 0.03 * np.count_nonzero(mask)


def test_strength_runs_from_paper_to_ink() -> None:
    card, found = separated(noise=0.0, grain=0.0, ink_spread=0.0)
    largest = np.rint(card.centre_px[0]).astype(int)
    row, column = np.array([largest[1]]), np.array([largest[0]])
    assert found.strength_at(row, column)[0] == pytest.approx(1.0, abs=0.03)
    assert found.mask[row, column].all()
    bare = np.argwhere(~found.mask)[::5000]
    assert np.median(found.strength_at(bare[:, 0], bare[:, 1])) == pytest.approx(0.0, abs=0.02)


def test_a_card_without_stain_has_an_empty_mask_and_a_warning() -> None:
    image = CardImage("card", "", 600.0, np.full((300, 200), 220, dtype=np.uint8))
    found = separate(image)
    assert not found.mask.any()
    assert [(remark.code, remark.weight) for remark in found.remarks] == [("no_stain", "warning")]


def test_dark_edges_are_cut_away_and_said() -> None:
    _, image = drawn()
    pixels = image.pixels.copy()
    pixels[:20], pixels[:, -13:] = 15, 15
    found = separate(CardImage("card", "", 600.0, pixels))
    top, left, bottom, right = found.valid_px
    assert (top, left) == (21, 0)
    assert (bottom, right) == (pixels.shape[0], pixels.shape[1] - 14)
    assert not found.mask[:21].any()
    assert "edge_cut" in [remark.code for remark in found.remarks]


def test_too_much_stain_is_warned_of() -> None:
    _, found = separated(cover_percent=90.0, touching=True)
    assert "too_dark" in [remark.code for remark in found.remarks]


def test_a_higher_threshold_leaves_less_stain() -> None:
    _, image = drawn()
    areas = [
        separate(image, SeparateParameters(threshold_percent=share)).mask.sum()
        for share in (30.0, 50.0, 70.0)
    ]
    assert areas[0] > areas[1] > areas[2]


def test_a_kind_that_is_given_is_said() -> None:
    _, image = drawn()
    assert "dye (taken as given)" in separate(image, SeparateParameters(paper="dyed")).why


@pytest.mark.parametrize(
    ("parameters", "error"),
    [
        (SeparateParameters(threshold_percent=5.0), "threshold: 5 % is out of range"),
        (SeparateParameters(threshold_percent=float("nan")), "threshold: nan % is out of range"),
        (SeparateParameters(paper="blotting"), "paper: 'blotting' is not known"),  # type: ignore[arg-type]
    ],
)
def test_settings_without_sense_are_refused(parameters: SeparateParameters, error: str) -> None:
    image = CardImage("card", "", 600.0, np.full((300, 200), 220, dtype=np.uint8))
    with pytest.raises(InputError, match=error):
        separate(image, parameters)
