"""The grid divides every swath, or says why it cannot."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from patterns.errors import InputError
from patterns.grid import FINEST_STEP_M, Grid, common_step_m, grid_for


def test_metric_sweep_gets_the_coarsest_step_allowed():
    grid = grid_for(np.arange(8.0, 30.01, 0.5), extent_m=20.0)
    assert grid.step_m == pytest.approx(0.1, abs=1e-15)
    assert grid.size == 2 * 201 + 1


def test_sweep_in_feet_gets_a_whole_share_of_a_foot():
    """A foot is exactly 0.3048 m (international yard and pound agreement, 1959)."""
    grid = grid_for([0.3048 * feet for feet in range(30, 100)], extent_m=20.0)
    assert grid.step_m == pytest.approx(0.3048 / 4, abs=1e-15)


def test_places_are_symmetric_and_exactly_zero_at_the_flight_line():
    grid = Grid(step_m=0.0762, half_count=7)
    assert grid.position_m[grid.centre_index] == 0.0
    np.testing.assert_array_equal(grid.position_m, -grid.position_m[::-1])
    np.testing.assert_allclose(np.diff(grid.position_m), 0.0762, rtol=1e-12)


@settings(max_examples=80, deadline=None)
@given(
    unit_mm=st.sampled_from([50, 76.2, 100, 152.4, 250, 304.8, 500]),
    counts=st.lists(st.integers(10, 400), min_size=1, max_size=12),
    extent_m=st.floats(0.5, 60.0),
    coarsest_m=st.floats(0.02, 2.0),
)
def test_step_divides_every_swath_and_grid_reaches_over_the_extent(
    unit_mm, counts, extent_m, coarsest_m
):
    swaths_m = [unit_mm / 1000 * count for count in counts]
    grid = grid_for(swaths_m, extent_m, coarsest_m)
    for swath_m in swaths_m:
        steps = swath_m / grid.step_m
        assert steps == pytest.approx(round(steps), abs=1e-7)
    assert FINEST_STEP_M <= grid.step_m <= coarsest_m * (1 + 1e-8)
    assert grid.position_m[-1] >= extent_m


def test_greatest_common_divisor_by_hand():
    assert common_step_m([6.0, 10.0, 15.0]) == pytest.approx(1.0)
    assert common_step_m([18.288, 21.336]) == pytest.approx(3.048)  # 60 and 70 ft share 10 ft


@pytest.mark.parametrize(
    ("swaths", "words"),
    [
        ([], "there is none"),
        ([8.0, -1.0], "-1 m is not a positive whole number of 0.1 mm"),
        ([8.0, float("nan")], "nan m is not"),
        ([8.00003], "8.00003 m is not a positive whole number of 0.1 mm"),
        ([8.0, 8.0013], "the longest step that divides all of them is 0.1 mm"),
    ],
)
def test_swaths_without_a_common_step_are_refused(swaths, words):
    with pytest.raises(InputError, match=r"^swaths: ") as caught:
        grid_for(swaths, 20.0)
    assert words in str(caught.value)


@pytest.mark.parametrize("extent_m", [0.0, -3.0, float("inf"), float("nan"), 1e7])
def test_senseless_extent_is_refused(extent_m):
    with pytest.raises(InputError, match=r"^extent: "):
        grid_for([8.0], extent_m)


def test_too_fine_a_grid_is_refused():
    with pytest.raises(InputError, match=r"give at least 0\.005 m"):
        grid_for([8.0], 20.0, coarsest_step_m=0.001)
