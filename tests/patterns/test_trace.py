"""One pass: what is background goes, what is deposit stays, and what is wrong is said."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter, savgol_coeffs

from patterns.errors import InputError
from patterns.grid import grid_for
from patterns.parameters import PassParameters
from patterns.remarks import Remark
from patterns.resample import integral_to, kernel, smooth, to_grid
from patterns.trace import prepare_pass
from tests.patterns.passes import gaussian, read_of, string, trace_of, triangle

GRID = grid_for([0.5], 30.0)


def prepare(x, reading, grid=GRID, **options):
    return prepare_pass(trace_of(x, reading, **options), grid)


def codes(prepared, *weights):
    weights = weights or ("note", "warning", "suspect")
    return {remark.code for remark in prepared.remarks if remark.weight in weights}


class TestResampling:
    """Integrals are held against numpy's trapezoid rule on the readings themselves."""

    @settings(max_examples=60, deadline=None)
    @given(st.integers(0, 10**6), st.integers(8, 300))
    def test_uneven_readings_keep_their_integral(self, seed, count):
        rng = np.random.default_rng(seed)
        x = np.cumsum(rng.uniform(0.01, 0.4, count))
        x -= x.mean()
        assume(abs(x).max() < 29)
        r = rng.normal(0, 100, count)
        laid = to_grid(x, r, GRID, x[0], x[-1])
        assert laid.sum() * GRID.step_m == pytest.approx(np.trapezoid(r, x), abs=1e-8)

    def test_integral_of_a_straight_line_is_a_parabola(self):
        x = np.array([-2.0, 0.5, 3.0])
        places = np.linspace(-2, 3, 11)
        upto = integral_to(x, 4 * x + 1, places)
        np.testing.assert_allclose(upto, 2 * places**2 + places - 6, atol=1e-12)

    def test_readings_on_the_grid_are_taken_as_they_are(self):
        x = GRID.position_m[100:400]
        r = np.random.default_rng(2).normal(size=x.size)
        np.testing.assert_array_equal(to_grid(x, r, GRID, x[0], x[-1])[100:400], r)

    @settings(max_examples=60, deadline=None)
    @given(st.integers(0, 10**6), st.integers(1, 80), st.floats(0.0, 3.0))
    def test_smoothing_keeps_the_sum(self, seed, size, window_m):
        values = np.random.default_rng(seed).normal(5, 3, size)
        smoothed = smooth(values, kernel(window_m, 0.1))
        assert smoothed.sum() == pytest.approx(values.sum(), rel=1e-12, abs=1e-9)

    @pytest.mark.parametrize("places", [5, 7, 11, 25])
    def test_weights_are_those_of_savitzky_and_golay(self, places):
        """Reference library: scipy.signal.savgol_coeffs, second degree."""
        np.testing.assert_allclose(kernel(places * 0.1, 0.1), savgol_coeffs(places, 2), atol=1e-12)

    def test_smoothing_keeps_a_parabola(self):
        values = np.linspace(-3, 3, 61) ** 2
        inner = slice(10, -10)
        np.testing.assert_allclose(
            smooth(values, kernel(1.0, 0.1))[inner], values[inner], atol=1e-12
        )

    def test_window_shorter_than_five_places_does_nothing(self):
        np.testing.assert_array_equal(kernel(0.3, 0.1), [1.0])


class TestBackground:
    """Total of the triangle: base · peak / 2 = 10,000 counts · m, exactly."""

    @pytest.mark.parametrize("half", [10.0, 11.0, 13.0, 20.0])
    @pytest.mark.parametrize("step", [0.05, 0.1, 0.25, 0.5, 1.0])
    def test_zero_beyond_the_deposit_costs_nothing(self, half, step):
        x = string(half, step)
        prepared = prepare(x, triangle(x))
        assert prepared.total == pytest.approx(10_000, rel=1e-6)
        assert prepared.centre_m == pytest.approx(0, abs=1e-6)
        assert "string_too_short" not in codes(prepared)

    @pytest.mark.parametrize("half", [10.5, 11.0, 12.0, 15.0, 25.0])
    @pytest.mark.parametrize(("offset", "slope"), [(200, 0), (50, 3), (400, -6), (-30, 0.5)])
    def test_offset_and_drift_go_when_the_ends_are_clean(self, half, offset, slope):
        x = string(half)
        prepared = prepare(x, triangle(x) + offset + slope * x)
        assert prepared.total == pytest.approx(10_000, rel=1e-6)
        assert not prepared.remarks
        inside = np.abs(GRID.position_m) < half - 0.2
        np.testing.assert_allclose(
            prepared.background[inside], offset + slope * GRID.position_m[inside], atol=1e-6
        )

    def test_constant_goes_when_the_deposit_ends_where_the_string_ends(self):
        x = string(10.0)
        prepared = prepare(x, triangle(x) + 50)
        assert prepared.total == pytest.approx(10_000, rel=1e-6)
        assert codes(prepared) == {"little_clean_string"}

    @settings(max_examples=50, deadline=None)
    @given(
        offset=st.floats(-500, 5000),
        slope=st.floats(-8, 8),
        seed=st.integers(0, 10**6),
        noise=st.sampled_from([0.0, 2.0, 10.0]),
    )
    def test_adding_a_line_changes_nothing(self, offset, slope, seed, noise):
        """Half a percent of the peak at any place and of the total; the reach may move a little."""
        x = string(20.0)
        r = triangle(x) + np.random.default_rng(seed).normal(0, noise, x.size)
        plain, added = prepare(x, r), prepare(x, r + offset + slope * x)
        assert added.total == pytest.approx(plain.total, rel=0.005)
        near = np.abs(GRID.position_m) < 10
        np.testing.assert_allclose(added.deposit[near], plain.deposit[near], atol=5)

    @pytest.mark.parametrize("noise", [10.0, 20.0, 50.0])
    def test_noise_biases_neither_background_nor_total(self, noise):
        """Mean over 150 seeds within four standard errors plus 0.1 % of the total."""
        x = string(20.0)
        totals, levels = [], []
        for seed in range(150):
            r = triangle(x) + 100 + 2 * x + np.random.default_rng(seed).normal(0, noise, x.size)
            prepared = prepare(x, r)
            totals.append(prepared.total)
            levels.append(prepared.background[GRID.centre_index])
            assert not prepared.remarks
        error = np.std(totals) / np.sqrt(len(totals))
        assert abs(np.mean(totals) - 10_000) < 4 * error + 10
        assert abs(np.mean(levels) - 100) < 4 * np.std(levels) / np.sqrt(len(levels)) + 0.5

    def test_noise_keeps_its_sign_within_the_reach(self):
        x = string(20.0)
        r = triangle(x) + np.random.default_rng(4).normal(0, 20, x.size)
        prepared = prepare(x, r)
        assert prepared.deposit.min() < 0
        outside = (GRID.position_m < prepared.extent_m[0] - 0.1) | (
            GRID.position_m > prepared.extent_m[1] + 0.1
        )
        assert np.all(prepared.deposit[outside] == 0)

    def test_noise_is_measured(self):
        x = string(20.0)
        found = [
            prepare(x, triangle(x) + np.random.default_rng(seed).normal(0, 20, x.size)).noise
            for seed in range(30)
        ]
        assert np.mean(found) == pytest.approx(20, rel=0.1)

    def test_smoothing_is_as_short_as_the_noise_allows(self):
        x = string(20.0)
        quiet = prepare(x, triangle(x)).smoothing_m
        some = prepare(x, triangle(x) + np.random.default_rng(1).normal(0, 20, x.size)).smoothing_m
        much = prepare(x, triangle(x) + np.random.default_rng(1).normal(0, 90, x.size)).smoothing_m
        assert quiet == 0
        assert quiet < some < much <= PassParameters().most_smoothing_m + GRID.step_m

    def test_noise_that_wanders_does_not_make_the_string_too_short(self):
        """First-order noise, 0.9 from reading to reading, 3 % of the peak: 40 seeds."""
        x = string(20.0)
        totals = []
        for seed in range(40):
            fresh = np.random.default_rng(seed).normal(0, 30 * np.sqrt(1 - 0.9**2), x.size)
            noise = lfilter([1], [1, -0.9], fresh)
            prepared = prepare(x, triangle(x) + 100 + noise)
            assert not codes(prepared, "suspect")
            totals.append(prepared.total)
        assert np.mean(totals) == pytest.approx(10_000, rel=0.03)

    def test_one_outlier_on_the_clean_string_moves_nothing(self):
        x = string(20.0)
        noise = np.random.default_rng(3).normal(0, 5, x.size)
        plain = prepare(x, triangle(x) + noise)
        noise[15] += 25
        assert prepare(x, triangle(x) + noise).total == pytest.approx(plain.total, rel=0.002)


class TestSymmetry:
    @settings(max_examples=30, deadline=None)
    @given(st.integers(0, 10**6), st.sampled_from([0.0, 5.0, 20.0]))
    def test_mirrored_file_mirrors_the_pattern(self, seed, noise):
        x = string(20.0)
        r = triangle(x, centre=1.3) + 80 + 1.5 * x
        r += np.random.default_rng(seed).normal(0, noise, x.size)
        one, other = prepare(x, r), prepare(x, r[::-1])
        np.testing.assert_allclose(other.deposit, one.deposit[::-1], atol=1e-6)
        assert other.left_share == pytest.approx(1 - one.left_share, abs=1e-9)
        assert other.centre_m == pytest.approx(-one.centre_m, abs=1e-9)

    @settings(max_examples=20, deadline=None)
    @given(st.integers(0, 10**6))
    def test_rows_in_reverse_change_nothing(self, seed):
        x = string(15.0, 0.2)
        r = gaussian(x, 3.5) + 20 + np.random.default_rng(seed).normal(0, 8, x.size)
        one = prepare_pass(read_of(x, r), GRID)
        other = prepare_pass(read_of(x[::-1], r[::-1]), GRID)
        np.testing.assert_array_equal(one.deposit, other.deposit)

    @settings(max_examples=30, deadline=None)
    @given(st.floats(0.01, 1000.0))
    def test_scaling_the_readings_scales_the_deposit(self, scale):
        x = string(15.0)
        r = gaussian(x, 3.5) + 20 + np.random.default_rng(7).normal(0, 8, x.size)
        one, other = prepare(x, r), prepare(x, scale * r)
        np.testing.assert_allclose(other.deposit, scale * one.deposit, atol=1e-6 * scale)


class TestQuality:
    """Every rule fires where it should and is silent where it should be."""

    def test_a_clean_pass_gets_no_remark(self):
        x = string(20.0)
        r = triangle(x) + 100 + np.random.default_rng(0).normal(0, 10, x.size)
        assert prepare(x, r).remarks == ()

    @pytest.mark.parametrize("noise", [0.0, 20.0])
    def test_string_too_short_on_one_side(self, noise):
        x = string(20.0)
        x = x[x > -8]
        r = triangle(x) + 50 + np.random.default_rng(0).normal(0, noise, x.size)
        (remark,) = [one for one in prepare(x, r).remarks if one.code == "string_too_short"]
        assert remark.weight == "suspect"
        assert "left end" in remark.text
        assert remark.from_m == pytest.approx(-7.9)

    @pytest.mark.parametrize("noise", [0.0, 20.0])
    def test_string_too_short_on_both_sides(self, noise):
        x = string(7.0)
        r = triangle(x) + np.random.default_rng(0).normal(0, noise, x.size)
        assert "string_too_short" in codes(prepare(x, r), "suspect")

    def test_deposit_that_stands_level_at_one_end_is_no_drift(self):
        x = string(20.0)
        r = np.interp(x, [-10, -5], [0, 1000])
        assert "string_too_short" in codes(prepare(x, r), "suspect")

    def test_no_deposit(self):
        x = string(20.0)
        noise = [np.random.default_rng(seed).normal(100, 20, x.size) for seed in range(20)]
        for reading in [np.full(x.size, 30.0), 20 + 2 * x, *noise]:
            prepared = prepare(x, reading)
            assert codes(prepared) == {"no_deposit"}
            assert prepared.total == 0
            assert np.isnan(prepared.centre_m)
            assert np.all(prepared.deposit == 0)

    def test_faint_deposit_is_found(self):
        x = string(20.0)
        r = triangle(x, peak=60) + np.random.default_rng(0).normal(100, 20, x.size)
        assert codes(prepare(x, r)) == set()

    @pytest.mark.parametrize(("count", "weight"), [(2, "warning"), (8, "suspect")])
    def test_saturated_readings(self, count, weight):
        x = string(20.0)
        high = np.argsort(-triangle(x), kind="stable")[:count]
        saturated = np.zeros(x.size, bool)
        saturated[high] = True
        prepared = prepare(x, np.minimum(triangle(x), triangle(x)[high[-1]]), saturated=saturated)
        assert codes(prepared, weight) == {"saturated"}

    def test_saturation_beside_the_deposit_is_nothing(self):
        x = string(20.0)
        assert codes(prepare(x, triangle(x), saturated=x > 18)) == set()

    def test_a_guessed_plateau_is_not_called_saturated(self):
        x = string(20.0)
        remarks = (Remark("plateau", "It may be saturated.", "warning"),)
        r = np.minimum(triangle(x), 700.0)
        prepared = prepare(x, r, saturated=r == 700.0, remarks=remarks)
        assert codes(prepared) == {"plateau"}

    @pytest.mark.parametrize(("count", "weight"), [(3, "warning"), (10, "suspect")])
    def test_dropout_is_bridged_by_a_straight_line(self, count, weight):
        x = string(20.0)
        r = triangle(x) + 100
        r[230 : 230 + count] = 0
        prepared = prepare(x, r)
        assert codes(prepared, weight) == {"dropout"}
        assert prepared.total == pytest.approx(10_000, rel=1e-3)

    def test_long_dropout_below_the_background(self):
        x = string(20.0)
        r = triangle(x) + 100
        r[210:245] = 0
        assert codes(prepare(x, r), "suspect") == {"dropout"}

    def test_a_starved_zone_is_no_dropout(self):
        x = string(20.0)
        r = triangle(x) * (1 - np.exp(-(((x - 3) / 0.8) ** 2))) + 100
        assert codes(prepare(x, r)) == set()

    def test_separate_collectors_without_deposit_are_no_dropout(self):
        x = string(24.0, 1.5)
        r = np.where(np.abs(x) < 10, 50.0, 0.0)
        r[15] = 0.0
        assert "dropout" not in codes(prepare(x, r, grid=grid_for([0.5], 30.0)))

    @pytest.mark.parametrize(
        ("centre", "left_percent", "weight"),
        [
            (0, 50, None),
            (1.5, 36, None),
            (3, 24.5, "warning"),
            (6, 8, "suspect"),
            (-6, 92, "suspect"),
        ],
    )
    def test_most_of_the_deposit_on_one_side(self, centre, left_percent, weight):
        """Of a triangle of base 20 m about c > 0, (10 − c)² / 200 lies left of the line."""
        x = string(24.0)
        prepared = prepare(x, triangle(x, centre=centre))
        assert prepared.left_share == pytest.approx(left_percent / 100, abs=2e-3)
        found = {one.weight for one in prepared.remarks if one.code == "one_sided"}
        assert found == ({weight} if weight else set())

    @pytest.mark.parametrize(("from_m", "to_m", "side"), [(-10, 20, "left"), (-20, 10, "right")])
    def test_one_end_without_clean_string_is_told(self, from_m, to_m, side):
        x = string(20.0)
        x = x[(x >= from_m) & (x <= to_m)]
        prepared = prepare(x, triangle(x) + 80)
        (remark,) = prepared.remarks
        assert (remark.code, remark.weight) == ("little_clean_string", "warning")
        assert f"at the {side} end" in remark.text
        assert prepared.total == pytest.approx(10_000, rel=1e-6)

    def test_coarse_readings_between_the_places_of_the_grid_are_noted(self):
        x = string(24.0, 1.5)
        assert codes(prepare(x, triangle(x, 21.0)), "note") == {"coarse_readings"}
        own = grid_for([1.5], 30.0, 1.5)
        prepared = prepare(x, triangle(x, 21.0), grid=own)
        assert codes(prepared) == set()
        np.testing.assert_allclose(prepared.deposit, triangle(own.position_m, 21.0), atol=1e-9)

    def test_short_grid_is_refused(self):
        x = string(20.0)
        with pytest.raises(InputError, match="make the grid with the reach"):
            prepare(x, triangle(x), grid=grid_for([0.5], 15.0))
