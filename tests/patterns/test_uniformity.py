"""Uniformity curves, their companions and their bounds."""

from __future__ import annotations

from collections import Counter
from itertools import product

import numpy as np
import pytest

from patterns.errors import InputError
from patterns.grid import Grid
from patterns.overlap import MANNERS, cv_by_folding, one_period
from patterns.uniformity import resampling_weights, uniformity, weighted_bounds
from tests.patterns import oracles

TABLE_GRID = Grid(step_m=5.0, half_count=8)  # the table in feet, used as if metres
TABLE_SWATHS = [float(row.swath_ft) for row in oracles.TABLE_ROWS]


def wavy_passes(count: int, grid: Grid, seed: int = 1) -> np.ndarray:
    random = np.random.default_rng(seed)
    x = grid.position_m
    waves = 1.0 + 0.2 * np.sin(x[None, :] + random.uniform(0.0, 6.0, (count, 1)))
    return np.exp(-((x / 5.0) ** 2) / 2.0) * waves * random.normal(1.0, 0.1, (count, 1))


@pytest.mark.parametrize("count", range(1, 6))
def test_resamplings_are_all_ordered_draws_counted_together(count):
    weights, probability = resampling_weights(count)
    draws = Counter(
        tuple(np.bincount(draw, minlength=count)) for draw in product(range(count), repeat=count)
    )
    found = {
        tuple(np.rint(row * count).astype(int)): p
        for row, p in zip(weights, probability, strict=True)
    }
    assert found == pytest.approx({key: times / count**count for key, times in draws.items()})


def test_four_passes_have_thirty_five_resamplings():
    # Multisets of 4 out of 4: 7! / (4!·3!) = 35.
    weights, probability = resampling_weights(4)
    assert weights.shape == (35, 4)
    assert weights.sum(axis=1) == pytest.approx(1.0)
    assert probability.sum() == pytest.approx(1.0, abs=1e-15)


def test_many_passes_are_drawn_the_same_every_time():
    weights, probability = resampling_weights(9)
    again, _ = resampling_weights(9)
    assert np.array_equal(weights, again)
    assert weights.shape == (2000, 9)
    assert probability.sum() == pytest.approx(1.0)
    # Each pass is drawn once on average; the standard error of the mean share is 0.0024.
    assert weights.mean(axis=0) == pytest.approx(np.full(9, 1 / 9), abs=0.01)


def test_no_pass_has_no_resamplings():
    with pytest.raises(InputError, match="at least one pass"):
        resampling_weights(0)


def test_bounds_are_the_smallest_values_reached_with_the_probability():
    values = np.array([[3.0, 1.0], [1.0, 5.0], [2.0, 3.0]])
    low, high = weighted_bounds(values, [0.25, 0.25, 0.5], 0.5)
    # First column: 1, 2, 3 reached with 0.25, 0.75, 1; second: 1, 3, 5 with 0.25, 0.75, 1.
    assert low.tolist() == [1.0, 1.0]
    assert high.tolist() == [2.0, 3.0]


@pytest.mark.parametrize("manner", MANNERS)
def test_bounds_are_those_of_all_ordered_draws_folded(manner):
    grid = Grid(step_m=0.5, half_count=30)
    passes = wavy_passes(3, grid)
    swaths = [8.0, 12.0, 15.5]
    curve = getattr(uniformity(passes, grid, swaths, confidence=0.8), manner)
    for column, swath in enumerate(swaths):
        cvs = np.sort(
            [
                cv_by_folding(passes[list(draw)].mean(axis=0), 0.5, swath, 30, manner)
                for draw in product(range(3), repeat=3)
            ]
        )
        # 27 equal draws: 10 % is reached at the 3rd (3/27 = 11.1 %), 90 % at the 25th (92.6 %).
        assert curve.low_percent[column] == pytest.approx(cvs[2], rel=1e-9)
        assert curve.high_percent[column] == pytest.approx(cvs[24], rel=1e-9)


def test_curves_of_the_table_to_check_by_hand():
    # COMPUTED, see oracles.py.
    result = uniformity([oracles.TABLE_DEPOSIT], TABLE_GRID, TABLE_SWATHS)
    assert result.swath_m.tolist() == TABLE_SWATHS
    for row, one_way, back in zip(
        oracles.TABLE_ROWS,
        result.one_way.cv_percent,
        result.back_and_forth.cv_percent,
        strict=True,
    ):
        assert one_way == pytest.approx(row.one_way[0], abs=5e-5)
        assert back == pytest.approx(row.back_and_forth[0], abs=5e-5)


def test_companions_of_the_table_to_check_by_hand():
    # The period at 40 ft back and forth (COMPUTED) is 8 9 13 14 12 14 13 9 8 10 10 9 8 9 10 10,
    # mean 10.375: 80 % is 8.3, 120 % is 12.45.
    curve = uniformity([oracles.TABLE_DEPOSIT], TABLE_GRID, [40.0]).back_and_forth
    assert curve.below_percent[0] == pytest.approx(100 * 3 / 16)
    assert curve.above_percent[0] == pytest.approx(100 * 4 / 16)
    assert curve.lowest_percent[0] == pytest.approx(100 * 8 / 10.375)
    assert curve.highest_percent[0] == pytest.approx(100 * 14 / 10.375)


def test_deposit_on_an_edge_of_the_band_lies_within_it():
    # One repeat of 8 12 10 10: exactly 80 and 120 % of the mean.
    grid = Grid(step_m=1.0, half_count=2)
    curve = uniformity([[10.0, 10.0, 8.0, 12.0, 0.0]], grid, [4.0]).one_way
    assert one_period([10.0, 10.0, 8.0, 12.0, 0.0], 1.0, 4.0, 2, "one_way").tolist() == [
        8.0,
        12.0,
        10.0,
        10.0,
    ]
    assert (curve.below_percent[0], curve.above_percent[0]) == (0.0, 0.0)
    narrow = uniformity([[10.0, 10.0, 8.0, 12.0, 0.0]], grid, [4.0], band_percent=(81.0, 119.0))
    assert narrow.one_way.below_percent[0] == narrow.one_way.above_percent[0] == 25.0
    assert narrow.band_percent == (81.0, 119.0)


def test_one_pass_has_no_bounds():
    result = uniformity([oracles.TABLE_DEPOSIT], TABLE_GRID, TABLE_SWATHS)
    for curve in (result.one_way, result.back_and_forth):
        assert np.all(np.isnan(curve.low_percent))
        assert np.all(np.isnan(curve.high_percent))
        assert np.all(np.isfinite(curve.cv_percent))


def test_equal_passes_have_bounds_on_the_curve():
    result = uniformity([oracles.TABLE_DEPOSIT] * 4, TABLE_GRID, TABLE_SWATHS)
    for curve in (result.one_way, result.back_and_forth):
        assert curve.low_percent == pytest.approx(curve.cv_percent, rel=1e-9)
        assert curve.high_percent == pytest.approx(curve.cv_percent, rel=1e-9)


def test_wider_confidence_has_wider_bounds():
    grid = Grid(step_m=0.1, half_count=200)
    swaths = np.arange(8.0, 20.0, 0.5)
    passes = wavy_passes(4, grid)
    half, most = (uniformity(passes, grid, swaths, confidence) for confidence in (0.5, 0.95))
    for manner in MANNERS:
        inner, outer = getattr(half, manner), getattr(most, manner)
        assert np.all(outer.low_percent <= inner.low_percent)
        assert np.all(outer.high_percent >= inner.high_percent)
        assert np.any(outer.high_percent > inner.high_percent + 1.0)
        assert np.all(inner.lowest_percent <= 100.0)
        assert np.all(inner.highest_percent >= 100.0)


def test_input_is_neither_kept_nor_changed():
    grid = Grid(step_m=0.5, half_count=30)
    passes, swaths = wavy_passes(3, grid), np.array([8.0, 12.0])
    before = passes.copy()
    result = uniformity(passes, grid, swaths)
    swaths[0] = 1.0
    assert np.array_equal(passes, before)
    assert result.swath_m.tolist() == [8.0, 12.0]


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        ({"passes": np.ones((2, 5))}, r"\(2, 5\) does not fit a grid of 17 places"),
        ({"passes": np.ones(17)}, "does not fit"),
        ({"passes": np.stack([np.ones(17), np.zeros(17)])}, "deposit of pass 2 adds up to 0"),
        ({"swaths_m": []}, "not in ascending order"),
        ({"swaths_m": [10.0, 10.0]}, "not in ascending order"),
        ({"swaths_m": [15.0, 10.0]}, "not in ascending order"),
        ({"swaths_m": [12.0]}, "not a whole number of grid steps"),
        ({"confidence": 0.0}, "confidence: 0 is out of range"),
        ({"confidence": 1.0}, "confidence: 1 is out of range"),
        ({"band_percent": (100.0, 120.0)}, "does not enclose the mean"),
        ({"band_percent": (80.0, 90.0)}, "does not enclose the mean"),
    ],
)
def test_bad_input_is_refused(change, problem):
    arguments = {"passes": np.ones((2, 17)), "grid": TABLE_GRID, "swaths_m": [10.0]} | change
    with pytest.raises(InputError, match=problem):
        uniformity(**arguments)
