"""The rule for the swath, on drawn curves and on exact patterns."""

from __future__ import annotations

import numpy as np
import pytest

from patterns.errors import InputError
from patterns.grid import Grid
from patterns.overlap import MANNERS
from patterns.swath import RULES, choose_swath
from patterns.uniformity import ManneredCurve, Uniformity, uniformity
from tests.patterns import oracles


def drawn(cv, low=None, high=None, start=10.0, step=1.0):
    """A sweep with drawn curves, the same both ways; without bounds, as from one pass."""
    cv = np.array(cv, dtype=float)
    nan = np.full(cv.size, np.nan)
    low = nan if low is None else np.array(low, dtype=float)
    high = nan if high is None else np.array(high, dtype=float)
    one_way, back_and_forth = (
        ManneredCurve(manner, cv, low, high, nan, nan, nan, nan) for manner in MANNERS
    )
    return Uniformity(start + step * np.arange(cv.size), one_way, back_and_forth, 0.9)


def around(cv, by=2.0, **options):
    """The same with bounds at a distance from the mean curve."""
    cv = np.array(cv, dtype=float)
    return drawn(cv, cv - by, cv + by, **options)


def test_line_error_decides():
    # Upper bounds 12 17 20 24 26 29: 10 … 13 m pass surely, 12 m with one more metre.
    choice = choose_swath(around([10, 15, 18, 22, 24, 27]), "one_way")
    assert (choice.swath_m, choice.rule) == (12.0, "line_error")
    assert (choice.cv_percent, choice.cv_low_percent, choice.cv_high_percent) == (18, 16, 20)
    assert (choice.lowest_sure_m, choice.widest_passing_m, choice.highest_sure_m) == (13, 14, 15)
    assert (choice.first_failure_m, choice.passes_again_m) == (15.0, None)
    assert (choice.worst_swath_m, choice.worst_cv_percent) == (13.0, 24.0)
    assert choice.reason == (
        "Widest swath whose upper bound (24 %) stays within 25 % when the lines are flown 1 m too "
        "wide or too narrow. The upper bound without line error would allow 13 m and the mean "
        "curve alone 14 m. The mean curve first fails at 15 m."
    )


def test_upper_bound_decides_without_line_error():
    choice = choose_swath(around([10, 15, 18, 22, 24, 27]), "one_way", line_error_m=0.0)
    assert (choice.swath_m, choice.rule) == (13.0, "upper_bound")
    assert choice.reason == (
        "Widest swath whose upper bound (24 %) stays within 25 %. The mean curve alone would allow "
        "14 m. The mean curve first fails at 15 m."
    )


def test_mean_curve_decides_where_passes_do_not_differ():
    choice = choose_swath(around([10, 15, 24, 27], by=0.0), "one_way", line_error_m=0.0)
    assert (choice.swath_m, choice.rule) == (12.0, "mean_curve")


def test_trap_of_failing_and_passing_again():
    # Fails at 12 m, passes again 13 … 17 m: the widest that is steady lies beyond the failure.
    choice = choose_swath(around([10, 20, 26, 20, 15, 14, 16, 20, 30]), "back_and_forth")
    assert choice.swath_m == 16.0
    assert (choice.first_failure_m, choice.passes_again_m) == (12.0, 13.0)
    assert choice.widest_passing_m == 17.0
    assert "first fails at 12 m and passes again from 13 m" in choice.reason
    assert choice.manner == "back_and_forth"


def test_island_narrower_than_the_line_error_is_not_recommended():
    choice = choose_swath(around([10, 12, 14, 26, 20, 27]), "one_way")
    assert choice.swath_m == 11.0
    assert choice.widest_passing_m == 14.0
    assert "would allow 14 m" in choice.reason


@pytest.mark.parametrize("manner", MANNERS)
def test_table_to_check_by_hand_shows_the_trap(manner):
    # COMPUTED, see oracles.py: at 25 % the back-and-forth curve fails at 30 and passes again at
    # 35 … 45, so the widest that passes is 45 and the first failure going out is 30.
    grid = Grid(step_m=5.0, half_count=8)
    swaths = [float(row.swath_ft) for row in oracles.TABLE_ROWS]
    curves = uniformity([oracles.TABLE_DEPOSIT] * 3, grid, swaths)
    choice = choose_swath(curves, manner, 25.0, line_error_m=5.0)
    assert choice.widest_passing_m == 45.0
    if manner == "back_and_forth":
        assert (choice.first_failure_m, choice.passes_again_m) == (30.0, 35.0)
    else:
        assert (choice.first_failure_m, choice.passes_again_m) == (50.0, None)
    assert choice.swath_m == 40.0


@pytest.mark.parametrize("manner", MANNERS)
def test_triangle_exactly_at_the_limit_passes(manner):
    # COMPUTED: a triangle at three quarters of its base has exactly 25 %. Sampling adds 1e-6 %.
    half = 2000
    grid = Grid(step_m=0.01, half_count=half)
    deposit = oracles.sampled(((-12.0, 0.0), (0.0, 1.0), (12.0, 0.0)), half, 0.01)
    curves = uniformity([deposit], grid, [17.5, 18.0, 18.5])
    cv = float(getattr(curves, manner).cv_percent[1])
    assert cv == pytest.approx(25.0, abs=1e-4)
    assert choose_swath(curves, manner, cv, 0.0).swath_m == 18.0


def test_a_hair_over_the_limit_passes_and_more_does_not():
    hair = choose_swath(around([10, 25.0000000001, 40], by=0.0), "one_way", line_error_m=0.0)
    assert hair.swath_m == 11.0
    more = choose_swath(around([10, 25.000001, 40], by=0.0), "one_way", line_error_m=0.0)
    assert more.swath_m == 10.0


def test_one_pass_is_not_sure():
    choice = choose_swath(drawn([10, 15, 18, 22, 24, 27]), "one_way")
    assert (choice.swath_m, choice.rule) == (13.0, "one_pass")
    assert (choice.cv_low_percent, choice.cv_high_percent) == (None, None)
    assert (choice.lowest_sure_m, choice.highest_sure_m) == (None, None)
    assert "mean CV (24 %)" in choice.reason
    assert "One pass says nothing about how much passes differ" in choice.reason


@pytest.mark.parametrize(
    ("curves", "rule", "sentence"),
    [
        (around([30, 31, 32]), "none_passes", "No swath from 10 to 12 m has a CV within 25 %."),
        (around([24, 24, 24]), "none_sure", "has its upper bound within 25 %"),
        (around([20, 30, 20, 30]), "none_steady", "1 m too wide or too narrow"),
        (drawn([20, 30, 20, 30]), "none_steady", "keeps its mean CV within 25 %"),
    ],
)
def test_no_swath_says_why(curves, rule, sentence):
    choice = choose_swath(curves, "one_way")
    assert choice.rule == rule
    assert sentence in choice.reason
    assert choice.swath_m is choice.cv_percent is choice.cv_low_percent is None
    assert choice.cv_high_percent is choice.worst_swath_m is choice.worst_cv_percent is None


def test_end_of_the_sweep_is_said():
    choice = choose_swath(around([10, 11, 12, 13]), "one_way")
    assert (choice.swath_m, choice.rule) == (12.0, "sweep_end")
    assert choice.first_failure_m is None
    assert "ends at 13 m, so nothing wider than 12 m could be judged" in choice.reason
    assert "fails nowhere in the sweep" in choice.reason
    assert (choice.sweep_from_m, choice.sweep_to_m) == (10.0, 13.0)


def test_start_of_the_sweep_is_said():
    choice = choose_swath(around([10, 26, 30, 31]), "one_way")
    assert choice.swath_m is None
    assert "starts at 10 m, so nothing narrower than 11 m could be judged" in choice.reason


def test_sweep_shorter_than_the_line_error_is_said():
    choice = choose_swath(around([10, 11]), "one_way")
    assert (choice.swath_m, choice.rule) == (None, "none_steady")
    assert "shorter than twice the line error" in choice.reason


def test_neighbours_stand_in_where_steps_are_longer_than_the_line_error():
    choice = choose_swath(around([10, 12, 14, 26, 30], step=3.0), "one_way")
    assert choice.swath_m == 13.0  # 16 m would do alone, but its neighbour fails
    assert "steps of up to 3 m, longer than the line error" in choice.reason


def test_fine_sweep_from_sums_of_steps_keeps_its_places():
    # 0.1 m steps: the places 1 m away are not exactly 1 m away in doubles.
    cv = np.where(np.arange(100) < 60, 10.0, 40.0)
    choice = choose_swath(around(cv, start=8.0, step=0.1), "one_way")
    assert choice.swath_m == pytest.approx(8.0 + 4.9)


def test_every_rule_has_its_word():
    rules = {
        choose_swath(curves, "one_way", line_error_m=error).rule
        for curves, error in (
            (around([10, 15, 18, 22, 24, 27]), 1.0),
            (around([10, 15, 18, 22, 24, 27]), 0.0),
            (around([10, 27], by=0.0), 0.0),
            (around([10, 11, 12]), 1.0),
            (drawn([10, 11, 12]), 1.0),
            (around([30]), 0.0),
            (around([24]), 0.0),
            (around([20, 30]), 1.0),
        )
    }
    assert rules == set(RULES)


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        ({"manner": "round"}, "'round' is not known"),
        ({"cv_limit_percent": 0.0}, "0 % is no limit"),
        ({"cv_limit_percent": float("nan")}, "nan % is no limit"),
        ({"line_error_m": -1.0}, "-1 m is no error"),
    ],
)
def test_bad_input_is_refused(change, problem):
    with pytest.raises(InputError, match=problem):
        choose_swath(around([10.0, 11.0]), **({"manner": "one_way"} | change))
