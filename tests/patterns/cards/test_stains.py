"""Stains of drawn cards: as many and as large as drawn, and as scikit-image sees them."""

from __future__ import annotations

from dataclasses import fields
from functools import cache
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from skimage.measure import label, regionprops_table

from fixtures.cards import CardPlan, DrawnCard, draw_card
from patterns.cards._bits import Bits
from patterns.cards._runs import find_runs
from patterns.cards.decode import CardImage
from patterns.cards.separate import Separation, separate
from patterns.cards.stains import (
    Flag,
    StainParameters,
    Stains,
    measure_all,
    measure_stains,
)
from patterns.errors import InputError
from tests.patterns.cards.truth import errors

Floats = NDArray[np.float64]


@cache
def card(**changes: object) -> tuple[DrawnCard, Separation, Stains]:
    drawn = draw_card(CardPlan(**changes))  # type: ignore[arg-type]
    separation = separate(CardImage("card", "", drawn.dpi, drawn.pixels))
    return drawn, separation, measure_stains(separation, drawn.dpi)


@pytest.mark.parametrize("paper", ["yellow", "white_pink", "white_red", "grey"])
def test_plain_cards_at_1200_dpi_are_exact_within_the_bounds(paper: str) -> None:
    drawn, _, stains = card(paper=paper)
    median, cover, count = errors(drawn, stains)
    assert abs(median) < 2.0
    assert abs(cover) < 2.0
    assert abs(count) < 1.0
    assert stains.split_percent == 0.0


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("cover_percent", [2.0, 5.0, 10.0])
def test_plain_cards_of_other_covers_and_seeds(cover_percent: float, seed: int) -> None:
    drawn, _, stains = card(cover_percent=cover_percent, seed=seed)
    median, cover, count = errors(drawn, stains)
    assert abs(median) < 2.0
    assert abs(cover) < 2.0
    assert abs(count) < 1.0


@pytest.mark.parametrize(
    "changes",
    [{"shading": 0.3}, {"noise": 8.0}, {"blur_px": 1.0}, {"grain": 0.03}, {"cover_percent": 10.0}],
    ids=str,
)
def test_light_noise_blur_and_grain_do_not_matter(changes: dict[str, float]) -> None:
    drawn, _, stains = card(**changes)
    median, cover, count = errors(drawn, stains)
    assert abs(median) < 2.0
    assert abs(cover) < 2.0
    assert abs(count) < 1.0


@pytest.mark.parametrize("cover_percent", [2.0, 5.0, 10.0])
def test_stains_that_touch_by_chance(cover_percent: float) -> None:
    drawn, _, stains = card(cover_percent=cover_percent, touching=True, seed=12)
    median, cover, count = errors(drawn, stains)
    assert abs(median) < 5.0
    assert abs(cover) < 2.0
    assert abs(count) < 6.0
    assert stains.split_percent > cover_percent


@pytest.mark.parametrize("at_once", [500_000, 5_000_000])
def test_cards_measured_together_are_as_measured_alone(
    at_once: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("patterns.cards.stains._AT_ONCE_PX", at_once)
    plan: dict[str, Any] = {"touching": True, "height_mm": 30.0, "dpi": 600.0}
    covers = (0.0, 3.0, 9.0, 0.2, 14.0)
    cards = [card(cover_percent=cover, seed=seed, **plan) for seed, cover in enumerate(covers)]
    together = measure_all((one, drawn.dpi) for drawn, one, _ in cards)
    for (_, _, alone), one in zip(cards, together, strict=True):
        for field in fields(Stains):
            # To the last digit: the same card gives the same figures, whatever lies beside it.
            np.testing.assert_array_equal(getattr(one, field.name), getattr(alone, field.name))


def test_much_cover_is_warned_of() -> None:
    drawn, _, stains = card(cover_percent=25.0, touching=True, height_mm=25.0)
    warned = {remark.code for remark in stains.remarks if remark.weight == "warning"}
    assert "crowded" in warned
    assert abs(errors(drawn, stains)[1]) < 2.0


def test_regions_are_those_of_scikit_image() -> None:
    _, separation, _ = card(cover_percent=5.0, touching=True, height_mm=30.0)
    runs = find_runs(separation.stain)
    regions = label(separation.mask, connectivity=2)
    assert runs.regions == regions.max()
    # The same pixels under the same number, whatever the number.
    theirs = regions[runs.row, runs.first]
    pairs = np.unique(np.stack([runs.region, theirs], axis=1), axis=0)
    assert pairs.shape[0] == runs.regions
    area = np.bincount(runs.region, weights=runs.after - runs.first)
    table = regionprops_table(regions, properties=("area",))
    assert np.array_equal(np.sort(area), np.sort(table["area"]))


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("share", [0.02, 0.3, 0.5, 0.9])
def test_regions_of_random_masks_are_those_of_scikit_image(seed: int, share: float) -> None:
    mask = np.random.default_rng(seed).random((41, 37)) < share
    runs, regions = find_runs(Bits.of(mask)), label(mask, connectivity=2)
    assert runs.regions == regions.max()
    area = np.bincount(runs.region, weights=runs.after - runs.first, minlength=runs.regions)
    assert np.array_equal(np.sort(area), np.sort(np.bincount(regions.ravel())[1:]))


def test_centres_axes_and_angles_are_close_to_scikit_image() -> None:
    _, separation, stains = card()
    names = ("area", "centroid", "axis_major_length", "axis_minor_length", "orientation")
    table = regionprops_table(label(separation.mask, connectivity=2), properties=names)
    tree = cKDTree(np.stack([table["centroid-1"], table["centroid-0"]], axis=1))
    away, theirs = tree.query(stains.centre_px)
    large = (stains.area_um2 > 100 * (25_400 / 1200) ** 2) & ~stains.touches_edge
    assert np.count_nonzero(large) > 500
    assert np.max(away[large]) < 0.25
    ratio = (
        stains.axes_px[large]
        / np.stack(
            [table["axis_major_length"][theirs], table["axis_minor_length"][theirs]], axis=1
        )[large]
    )
    assert np.median(ratio) == pytest.approx(1.0, abs=0.01)
    assert np.percentile(np.abs(ratio - 1.0), 99) < 0.06
    # Pixels of the mask against parts of pixels and the loss to blur.
    area = stains.area_um2[large] / (25_400 / 1200) ** 2
    assert np.median(area / table["area"][theirs][large]) == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize("dpi", [600.0, 1200.0])
def test_small_stains_are_measured_without_bias(dpi: float) -> None:
    drawn, _, stains = card(dpi=dpi, height_mm=38.0, blur_px=0.6)
    away, mine = cKDTree(stains.centre_px).query(drawn.centre_px)
    pixels = drawn.diameter_um / (25_400 / dpi)
    ratio = stains.diameter_um[mine] / drawn.diameter_um
    inside = (away < 1.0) & ~stains.touches_edge[mine]
    for low, high in ((3.0, 4.0), (4.0, 6.0), (6.0, 10.0), (10.0, 20.0)):
        chosen = inside & (pixels >= low) & (pixels < high)
        assert np.count_nonzero(chosen) > 20
        assert np.mean(ratio[chosen]) == pytest.approx(1.0, abs=0.015)


def discs(*places: tuple[float, float, float], shape: tuple[int, int] = (220, 260)) -> Separation:
    """Grey card at 1200 dpi with discs of x, y, radius in pixels."""
    y, x = np.mgrid[: shape[0] * 4, : shape[1] * 4] / 4.0 - 0.375
    ink = np.zeros(x.shape, dtype=bool)
    for column, row, radius in places:
        ink |= (x - column) ** 2 + (y - row) ** 2 <= radius**2
    share = ink.reshape(shape[0], 4, shape[1], 4).mean(axis=(1, 3))
    pixels = np.rint(220.0 - 160.0 * share).astype(np.uint8)
    return separate(CardImage("discs", "", 1200.0, pixels))


def radii(stains: Stains) -> Floats:
    counted = stains.counted
    return np.sort(stains.diameter_um[counted]) / (25_400 / 1200) / 2.0


@pytest.mark.parametrize("apart", [1.95, 1.7, 1.4, 1.15])
@pytest.mark.parametrize("small", [1.0, 0.6])
def test_two_stains_that_overlap_are_split_to_their_sizes(apart: float, small: float) -> None:
    other = 20.0 * small
    distance = apart * (20.0 + other) / 2.0
    stains = measure_stains(discs((90.3, 100.6, 20.0), (90.3 + distance, 104.1, other)), 1200.0)
    assert radii(stains) == pytest.approx(sorted([20.0, other]), rel=0.04)
    assert np.all(stains.flag == Flag.SPLIT)
    assert stains.split_percent == 100.0


def test_three_stains_in_a_row_and_three_in_a_heap() -> None:
    row = measure_stains(discs((60, 100, 20), (92, 100, 18), (120, 100, 14)), 1200.0)
    assert radii(row) == pytest.approx([14, 18, 20], rel=0.05)
    heap = measure_stains(discs((90, 90, 20), (120, 92, 20), (104, 118, 20)), 1200.0)
    assert radii(heap) == pytest.approx([20, 20, 20], rel=0.06)


@pytest.mark.parametrize("ratio", [1.2, 1.6, 2.5])
def test_an_oblique_drop_is_one_stain(ratio: float) -> None:
    y, x = np.mgrid[:200, :200] - 100.0
    turned = np.deg2rad(25.0)
    u = (x * np.cos(turned) + y * np.sin(turned)) / (15.0 * np.sqrt(ratio))
    v = (y * np.cos(turned) - x * np.sin(turned)) / (15.0 / np.sqrt(ratio))
    share = np.clip((1.0 - np.hypot(u, v)) * 15.0 + 0.5, 0.0, 1.0)
    pixels = np.rint(220.0 - 160.0 * share).astype(np.uint8)
    stains = measure_stains(separate(CardImage("oblique", "", 1200.0, pixels)), 1200.0)
    assert stains.flag.tolist() == [Flag.OK]
    length, breadth = stains.axes_px[0]
    assert length / breadth == pytest.approx(ratio, rel=0.03)
    assert stains.angle_deg[0] == pytest.approx(25.0, abs=1.5)
    assert stains.area_um2[0] == pytest.approx(np.pi * 15.0**2 * (25_400 / 1200) ** 2, rel=0.02)


def test_the_edge_rule_favours_no_size() -> None:
    # Windows of a wider field of small and large stains, none touching: the weighted numbers must
    # be those of the field, though the edge cuts half of the large stains and few of the small.
    weights = {5.0: 0.0, 22.0: 0.0}
    across, down = np.arange(-40.0, 180.0, 13.7), np.arange(-40.0, 160.0, 12.3)
    for radius in weights:
        for x in across.tolist():
            for y in down.tolist():
                stains = measure_stains(discs((x, y, radius), shape=(120, 140)), 1200.0)
                weights[radius] += float(stains.weight.sum())
    expected = 140.0 * 120.0 / (13.7 * 12.3)
    for weight in weights.values():
        assert weight == pytest.approx(expected, rel=0.08)


def test_stains_cut_by_the_edge_weigh_nothing_and_cover_counts_them() -> None:
    stains = measure_stains(discs((2.0, 100.0, 20.0), (130.0, 110.0, 20.0)), 1200.0)
    cut = int(np.argmin(stains.centre_px[:, 0]))
    assert stains.touches_edge[cut]
    assert stains.weight[cut] == 0.0
    other = 1 - cut
    assert stains.weight[other] == pytest.approx(260 * 220 / ((260 - 39) * (220 - 39)), rel=0.01)
    seen = np.pi * 20.0**2 * (1.0 + 0.5 + 2.5 / 20.0 * 2.0 / np.pi)
    assert stains.coverage_percent == pytest.approx(100.0 * seen / (260 * 220), rel=0.02)


def test_scratches_fingerprints_and_clips_are_left_out_and_said() -> None:
    drawn, _, stains = card(scratches=3, fingerprints=1, clip=True)
    codes = {remark.code for remark in stains.remarks}
    assert {"odd_shapes", "clips"} <= codes
    assert np.count_nonzero(stains.flag == Flag.ODD_SHAPE) >= 3
    assert np.all(stains.weight[stains.flag >= Flag.TOO_SMALL] == 0.0)
    assert stains.valid_area_cm2 < 2.6 * 7.6 - 0.2
    # What lies under them is lost, and little of what does not; no ridge is taken for drops.
    median, _, count = errors(drawn, stains)
    assert abs(median) < 2.0
    assert -6.0 < count < 0.0


def test_stains_under_the_smallest_are_not_counted() -> None:
    _, separation, stains = card()
    small = stains.flag == Flag.TOO_SMALL
    assert small.any()
    assert np.all(stains.diameter_um[small] < stains.smallest_um)
    assert np.all(stains.weight[small] == 0.0)
    assert stains.smallest_um == pytest.approx(3.0 * 25_400 / 1200, rel=0.1)
    stricter = measure_stains(separation, 1200.0, StainParameters(smallest_um=150.0))
    assert stricter.smallest_um == 150.0
    assert np.all(stricter.diameter_um[stricter.counted] >= 150.0)


def test_no_stain_at_all_measures_as_nothing() -> None:
    pixels = np.full((100, 100), 230, dtype=np.uint8)
    stains = measure_stains(separate(CardImage("empty", "", 600.0, pixels)), 600.0)
    assert stains.area_um2.size == 0
    assert (stains.coverage_percent, stains.split_percent) == (0.0, 0.0)
    assert stains.valid_area_cm2 == pytest.approx((100 / 600 * 2.54) ** 2)


@pytest.mark.parametrize(
    ("dpi", "parameters", "error"),
    [
        (0.0, StainParameters(), "dpi: 0 is no resolution"),
        (float("nan"), StainParameters(), "dpi: nan is no resolution"),
        (600.0, StainParameters(smallest_px=1.0), "smallest stain: 1 px is out of range"),
        (600.0, StainParameters(smallest_um=-1.0), "smallest stain: -1 µm"),
    ],
)
def test_settings_without_sense_are_refused(
    dpi: float, parameters: StainParameters, error: str
) -> None:
    _, separation, _ = card()
    with pytest.raises(InputError, match=error):
        measure_stains(separation, dpi, parameters)
