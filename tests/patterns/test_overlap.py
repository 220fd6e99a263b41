"""Overlap against exact values, direct summation and the laws of the sum."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from patterns.errors import InputError
from patterns.overlap import (
    MANNERS,
    cv_by_folding,
    cv_percent,
    line_products,
    one_period,
    overlapped,
    resampled_cv,
    resampled_cv_from,
    steps_in_swath,
)
from tests.patterns import oracles

# What sampling adds to the exact integrals: of second order in the step, and about 1.5e-4 % at
# 1200 steps to the base, so 6e-6 % at 6000 (measured). A pattern that ends in a step has an error
# of first order: 0.073 % at 1200 steps, 0.0044 % at 20 000 (measured).
SLOPED = (6_000, 2e-5)
STEPPED = (20_000, 0.005)

CV_FUNCTIONS = pytest.mark.parametrize("cv", [cv_percent, cv_by_folding])
BOTH_WAYS = pytest.mark.parametrize("manner", MANNERS)


EVERY_STRAIGHT_LINED = [
    pytest.param(oracle, manner, swath, expected, id=f"{oracle.name}-{manner}-{swath:.3g}")
    for oracle in oracles.STRAIGHT_LINED
    for manner in MANNERS
    for swath, expected in oracle.cv(manner).items()
]


@CV_FUNCTIONS
@pytest.mark.parametrize(("oracle", "manner", "swath", "expected"), EVERY_STRAIGHT_LINED)
def test_cv_of_straight_lined_patterns(cv, oracle, manner, swath, expected):
    # Source and mark stand with each oracle in oracles.py (COMPUTED from the stated formulas).
    parts, sampling = STEPPED if oracle is oracles.RECTANGLE else SLOPED
    corners = oracle.corners
    steps = round(swath * parts / (corners[-1][0] - corners[0][0]))
    step = swath / steps
    half = int(max(abs(place) for place, _ in corners) / step) + 2
    deposit = oracles.sampled(corners, half, step)
    found = cv(deposit, step, swath, half, manner)
    assert found == pytest.approx(expected, abs=oracle.tolerance_percent + sampling)


@CV_FUNCTIONS
@pytest.mark.parametrize(("swath", "expected"), list(oracles.RECTANGLE.one_way.items()))
def test_cv_of_a_rectangle_of_whole_samples_is_exact(cv, swath, expected):
    # COMPUTED. Ten samples to the width; one way does not depend on where the centre is.
    found = cv(np.ones(10), 0.1, swath, 5, "one_way")
    assert found == pytest.approx(expected, abs=oracles.RECTANGLE.tolerance_percent)


@BOTH_WAYS
def test_triangle_at_three_quarters_of_its_base_has_exactly_a_quarter(manner):
    # COMPUTED: s = 1.5 gives CV² = 1 + 1.5/24 − 1 = 1/16.
    deposit = oracles.sampled(oracles.TRIANGLE.corners, 20_001, 1 / 40_000)
    found = cv_percent(deposit, 1 / 40_000, 0.75, 20_001, manner)
    assert found == pytest.approx(25.0, abs=1e-6)


@CV_FUNCTIONS
@BOTH_WAYS
@pytest.mark.parametrize(("swath", "expected"), list(oracles.GAUSSIAN_CV_BY_SWATH_IN_SIGMA.items()))
def test_cv_of_a_gaussian(cv, manner, swath, expected):
    # COMPUTED: CV = √(2 Σ exp(−4π²n²σ²/S²)), three decimals.
    x = np.arange(-1000, 1001) / 100.0
    found = cv(np.exp(-x * x / 2.0), 0.01, swath, 1000, manner)
    assert found == pytest.approx(expected, abs=6e-4)


@pytest.mark.parametrize(("limit", "widest"), list(oracles.GAUSSIAN_WIDEST_IN_SIGMA_BY_CV.items()))
def test_widest_swath_of_a_gaussian(limit, widest):
    # COMPUTED, four decimals: the CV at the swath printed is the limit within its last digit.
    x = np.arange(-1000, 1001) * (widest / 300.0)
    found = cv_percent(np.exp(-x * x / 2.0), widest / 300.0, widest, 1000, "one_way")
    assert found == pytest.approx(limit, abs=0.003)  # 0.00005 σ at up to 28 % per σ, and rounding


@CV_FUNCTIONS
@pytest.mark.parametrize("row", oracles.TABLE_ROWS, ids=lambda row: f"{row.swath_ft} ft")
def test_table_to_check_by_hand(cv, row):
    # COMPUTED. The n − 1 column follows from the number of sums; ours is the population CV.
    arguments = (oracles.TABLE_DEPOSIT, oracles.TABLE_STEP_FT, row.swath_ft, oracles.TABLE_CENTRE)
    for manner, (population, sample) in zip(
        MANNERS, (row.one_way, row.back_and_forth), strict=True
    ):
        found = cv(*arguments, manner)
        count = one_period(*arguments, manner).size
        assert found == pytest.approx(population, abs=5e-5)
        assert found * np.sqrt(count / (count - 1)) == pytest.approx(sample, abs=5e-5)
    assert tuple(one_period(*arguments, "one_way")) == row.one_way_sums


def test_back_and_forth_period_of_the_table():
    # COMPUTED: the two-swath period at 40 ft.
    period = one_period(oracles.TABLE_DEPOSIT, 5, 40, oracles.TABLE_CENTRE, "back_and_forth")
    assert tuple(period) == oracles.TABLE_BACK_AND_FORTH_AT_40_FT


def test_number_of_values_decides_at_twenty_percent():
    # COMPUTED, check of the population CV: with n − 1 these three would fail a limit of 20 %.
    rows = {row.swath_ft: row for row in oracles.TABLE_ROWS}
    assert rows[35].one_way[0] < 20.0 < rows[35].one_way[1]
    for swath, manner in ((35, "one_way"), (40, "back_and_forth"), (45, "back_and_forth")):
        assert cv_percent(oracles.TABLE_DEPOSIT, 5, swath, oracles.TABLE_CENTRE, manner) < 20.0


# ------------------------------------------------------------------------------- laws of the sum

deposits = st.lists(st.floats(0.0, 100.0, allow_nan=False, width=32), min_size=3, max_size=60).map(
    np.array
)
manners = st.sampled_from(MANNERS)


@st.composite
def patterns(draw):
    """A deposit with a flight line in it and a swath in steps."""
    deposit = draw(deposits)
    assume(deposit.sum() > 1.0)
    return deposit, draw(st.integers(0, deposit.size - 1)), draw(st.integers(1, 80))


def close(one, other):
    """Squared CVs as fractions within 1e-12 of each other (of their size where that is larger).

    The root makes more of a rounding where the CV is near zero, so the squares are compared.
    """
    return (one / 100.0) ** 2 == pytest.approx((other / 100.0) ** 2, rel=1e-12, abs=1e-12)


@given(patterns(), manners)
@settings(max_examples=300, deadline=None)
def test_closed_form_equals_direct_summation(pattern, manner):
    deposit, centre, steps = pattern
    assert close(
        cv_percent(deposit, 0.25, steps * 0.25, centre, manner),
        cv_by_folding(deposit, 0.25, steps * 0.25, centre, manner),
    )


@given(patterns(), manners)
@settings(deadline=None)
def test_mirror_image_changes_nothing(pattern, manner):
    deposit, centre, steps = pattern
    mirrored = deposit[::-1]
    assert close(
        cv_percent(deposit, 1.0, steps, centre, manner),
        cv_percent(mirrored, 1.0, steps, deposit.size - 1 - centre, manner),
    )


@given(patterns(), manners, st.floats(0.01, 100.0))
@settings(deadline=None)
def test_scale_changes_nothing(pattern, manner, factor):
    deposit, centre, steps = pattern
    assert close(
        cv_percent(deposit, 1.0, steps, centre, manner),
        cv_percent(deposit * factor, 1.0, steps, centre, manner),
    )


@given(patterns(), st.integers(0, 200))
@settings(deadline=None)
def test_shift_of_the_flight_line_changes_nothing_one_way(pattern, other):
    deposit, centre, steps = pattern
    assert close(
        cv_percent(deposit, 1.0, steps, centre, "one_way"),
        cv_percent(deposit, 1.0, steps, other % deposit.size, "one_way"),
    )


def test_shift_of_the_flight_line_changes_back_and_forth():
    # The reason why every result says what its pattern is centred on.
    centred, shifted = (
        cv_percent(oracles.TABLE_DEPOSIT, 5, 40, centre, "back_and_forth") for centre in (8, 9)
    )
    assert abs(centred - shifted) > 0.5


@given(deposits, st.integers(1, 80))
@settings(deadline=None)
def test_symmetric_pattern_is_the_same_both_ways(half, steps):
    assume(half.sum() > 1.0)
    deposit = np.concatenate([half[::-1], half[1:]])
    one_way, back_and_forth = (
        cv_percent(deposit, 1.0, steps, half.size - 1, manner) for manner in MANNERS
    )
    assert close(one_way, back_and_forth)


@given(patterns(), manners)
@settings(deadline=None)
def test_mean_times_swath_is_the_deposit_of_a_line(pattern, manner):
    deposit, centre, steps = pattern
    field = one_period(deposit, 0.5, steps * 0.5, centre, manner)
    assert field.mean() * steps == pytest.approx(deposit.sum(), rel=1e-12)
    assert field.size == steps * (1 if manner == "one_way" else 2)


# --------------------------------------------------------------------- weighted means and drawing


@BOTH_WAYS
def test_weighted_means_equal_the_cv_of_each_mean(manner):
    random = np.random.default_rng(4)
    passes = random.random((4, 90)) * np.hanning(90)
    weights = random.random((6, 4))
    swaths = np.arange(7, 100) * 0.2
    found = resampled_cv(passes, weights, 0.2, swaths, 31, manner)
    expected = [
        [cv_by_folding(row @ passes, 0.2, swath, 31, manner) for swath in swaths] for row in weights
    ]
    assert found.shape == (6, 93)
    assert found == pytest.approx(np.array(expected), rel=1e-11)


def test_both_ways_share_the_products():
    passes = np.random.default_rng(5).random((3, 41))
    products = line_products(passes, 1.0, [7.0, 12.0], 20)
    for manner in MANNERS:
        shared = resampled_cv_from(products, np.eye(3), manner)
        alone = resampled_cv(passes, np.eye(3), 1.0, [7.0, 12.0], 20, manner)
        assert np.array_equal(shared, alone)


@BOTH_WAYS
def test_drawn_field_repeats_the_period_between_its_outer_lines(manner):
    field = overlapped(oracles.TABLE_DEPOSIT, 5.0, 40.0, oracles.TABLE_CENTRE, manner, 7)
    period = one_period(oracles.TABLE_DEPOSIT, 5.0, 40.0, oracles.TABLE_CENTRE, manner)
    start = int(np.searchsorted(field.position_m, 0.0))
    assert np.array_equal(field.total[start : start + period.size], period)
    assert field.total.sum() == pytest.approx(7 * oracles.TABLE_DEPOSIT.sum())
    assert np.array_equal(field.line_m, 40.0 * np.arange(-3, 4))
    assert field.lines.shape == (7, field.position_m.size)
    assert np.array_equal(field.lines.sum(axis=0), field.total)
    expected = [True, False, True, False, True, False, True]
    assert field.mirrored.tolist() == (expected if manner == "back_and_forth" else [False] * 7)


def test_drawn_line_lies_with_its_flight_line_in_place():
    deposit = np.array([5.0, 1.0, 2.0, 3.0])  # flight line on the 1.0
    field = overlapped(deposit, 1.0, 3.0, 1, "back_and_forth", 2)
    assert field.position_m.tolist() == [-2, -1, 0, 1, 2, 3, 4, 5]
    assert field.lines[0].tolist() == [0, 5, 1, 2, 3, 0, 0, 0]
    assert field.lines[1].tolist() == [0, 0, 0, 3, 2, 1, 5, 0]
    assert field.mirrored.tolist() == [False, True]


# ------------------------------------------------------------------------------------- bad input


def test_swath_off_the_grid_says_which_step_would_do():
    with pytest.raises(InputError) as error:
        cv_percent(np.ones(9), 0.1, 18.05, 4, "one_way")
    assert "18.05 m is not a whole number of grid steps of 0.1 m" in str(error.value)
    assert "0.0997238 m (181 to the swath)" in str(error.value)
    assert steps_in_swath([18.05], 18.05 / 181).tolist() == [181]


def test_swaths_from_sums_of_decimal_steps_are_on_the_grid():
    swaths = np.cumsum(np.full(220, 0.1)) + 8.0
    assert steps_in_swath(swaths, 0.1).tolist() == list(range(81, 301))


@pytest.mark.parametrize(
    ("deposit", "step", "swath", "centre", "manner", "problem"),
    [
        ([0.0, 0.0, 0.0], 1.0, 2.0, 1, "one_way", "adds up to more than zero"),
        ([1.0, -3.0, 1.0], 1.0, 2.0, 1, "back_and_forth", "adds up to more than zero"),
        ([1.0, np.nan, 1.0], 1.0, 2.0, 1, "one_way", "not a number"),
        ([1.0, 2.0, 1.0], 1.0, 2.0, 3, "one_way", "index 3 lies outside the pattern of 3 places"),
        ([1.0, 2.0, 1.0], 1.0, 2.0, -1, "one_way", "index -1 lies outside"),
        ([1.0, 2.0, 1.0], 0.0, 2.0, 1, "one_way", "0 m is no step"),
        ([1.0, 2.0, 1.0], 1.0, 0.0, 1, "one_way", "not above zero"),
        ([1.0, 2.0, 1.0], 1.0, 0.4, 1, "one_way", "not a whole number"),
        ([1.0, 2.0, 1.0], 1.0, np.inf, 1, "one_way", "not above zero"),
        ([1.0, 2.0, 1.0], 1.0, 2.0, 1, "round", "'round' is not known"),
        ([], 1.0, 2.0, 0, "one_way", "give one row of readings"),
        ([[1.0, 2.0]], 1.0, 2.0, 0, "one_way", "give one row of readings"),
    ],
)
@CV_FUNCTIONS
def test_bad_input_is_refused(cv, deposit, step, swath, centre, manner, problem):
    with pytest.raises(InputError, match=problem):
        cv(np.array(deposit), step, swath, centre, manner)


def test_weights_that_do_not_match_the_passes_are_refused():
    with pytest.raises(InputError, match="does not match 2 passes"):
        resampled_cv(np.ones((2, 5)), np.ones((4, 3)), 1.0, [2.0], 2, "one_way")


def test_at_least_one_line_is_drawn():
    with pytest.raises(InputError, match="at least one flight line"):
        overlapped(np.ones(3), 1.0, 2.0, 1, "one_way", 0)
