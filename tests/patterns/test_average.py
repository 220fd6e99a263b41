"""Which passes count, and what their mean is."""

import itertools
import statistics

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from patterns.average import combine, judge
from patterns.errors import InputError
from patterns.grid import grid_for
from patterns.trace import prepare_pass
from tests.patterns.passes import gaussian, string, trace_of, triangle

GRID = grid_for([0.5], 30.0)
X = string(20.0)


def passed(scale=1.0, *, seed=0, shape=triangle, noise=10.0, **options):
    rng = np.random.default_rng(seed)
    reading = scale * shape(X, **options) + 100 + rng.normal(0, noise, X.size)
    return prepare_pass(trace_of(X, reading, source=f"p{seed}.csv"), GRID)


def empty(seed=99):
    return passed(0.0, seed=seed)


def judged(passes, overrules=None, reasons=None):
    return judge(passes, overrules or [None] * len(passes), reasons=reasons)


def codes(verdict, *weights):
    weights = weights or ("warning", "suspect")
    return {remark.code for remark in verdict.remarks if remark.weight in weights}


class TestTotals:
    @pytest.mark.parametrize("scales", [(1,), (1, 1.2), (1, 1.1, 0.9), (1, 1.2, 0.85, 1.05)])
    def test_ordinary_differences_pass(self, scales):
        verdicts = judged([passed(s, seed=i) for i, s in enumerate(scales)])
        assert all(verdict.accepted for verdict in verdicts)
        assert all(not codes(verdict) for verdict in verdicts)

    @pytest.mark.parametrize("odd", [0.3, 0.5, 2.0])
    @pytest.mark.parametrize("count", [3, 4, 5, 6])
    def test_the_odd_one_out_is_left_out_and_only_that_one(self, odd, count):
        passes = [passed(odd, seed=0), *(passed(1 + 0.03 * i, seed=i) for i in range(1, count))]
        verdicts = judged(passes)
        assert [verdict.accepted for verdict in verdicts] == [False] + [True] * (count - 1)
        assert codes(verdicts[0], "suspect") == {"total_unlike"}

    def test_beyond_thirty_percent_is_a_warning(self):
        """About 30 % is what height, rate and wind change on one line: Thistle et al. 2005."""
        verdicts = judged([passed(s, seed=i) for i, s in enumerate((1, 1.0, 1.38))])
        assert all(verdict.accepted for verdict in verdicts)
        assert codes(verdicts[2]) == {"total_unlike"}
        assert not codes(verdicts[0]) | codes(verdicts[1])

    @pytest.mark.parametrize(
        ("scale", "words"),
        [(0.3, "is 70 % below that"), (2.5, "is 150 % above that"), (12.0, "is 12 times that")],
    )
    def test_it_says_by_how_much(self, scale, words):
        verdicts = judged(
            [passed(scale, seed=0, noise=1), *(passed(seed=i, noise=1) for i in (1, 2))]
        )
        assert words in verdicts[0].remarks[0].text

    def test_two_passes_accuse_nobody(self):
        verdicts = judged([passed(1.0, seed=0), passed(0.3, seed=1)])
        assert all(verdict.accepted for verdict in verdicts)
        for verdict in verdicts:
            (remark,) = [one for one in verdict.remarks if one.code == "total_unlike"]
            assert remark.weight == "warning"
            assert "Too few passes agree" in remark.text

    def test_two_camps_accuse_nobody(self):
        verdicts = judged([passed(s, seed=i) for i, s in enumerate((1, 1, 0.3, 0.3))])
        assert all(verdict.accepted for verdict in verdicts)
        assert all(codes(verdict) == {"total_unlike"} for verdict in verdicts)

    def test_three_that_all_differ_are_all_kept_and_it_is_said(self):
        verdicts = judged([passed(s, seed=i) for i, s in enumerate((1, 0.3, 0.09))])
        assert all(verdict.accepted for verdict in verdicts)
        assert all("total_unlike" in codes(verdict, "warning") for verdict in verdicts)


class TestShapes:
    def test_an_unlike_shape_is_left_out(self):
        def double(x):
            return triangle(x, 8.0, centre=-7) + triangle(x, 8.0, centre=7)

        passes = [passed(seed=i) for i in range(3)]
        verdicts = judged([*passes, passed(seed=3, shape=double)])
        assert [verdict.accepted for verdict in verdicts] == [True, True, True, False]
        assert codes(verdicts[3], "suspect") == {"shape_unlike"}

    def test_the_same_shape_flown_to_one_side_is_like(self):
        verdicts = judged([passed(seed=i, centre=c) for i, c in enumerate((0, 0.2, 2.2))])
        assert all(verdict.accepted for verdict in verdicts)
        assert not codes(verdicts[2])
        notes = [codes(verdict, "note") for verdict in verdicts]
        assert notes == [set(), set(), {"centre_scattered"}]

    def test_gaussian_among_triangles_of_like_width_is_like(self):
        passes = [passed(seed=i) for i in range(3)]
        verdicts = judged([*passes, passed(seed=3, shape=gaussian, sigma=4.1)])
        assert all(verdict.accepted for verdict in verdicts)


class TestOwnFaults:
    def test_aborted_pass_is_left_out(self):
        verdicts = judged([passed(seed=0), empty(), passed(seed=1)])
        assert [verdict.accepted for verdict in verdicts] == [True, False, True]
        assert codes(verdicts[1]) == {"no_deposit"}

    def test_the_same_file_twice(self):
        verdicts = judged([passed(seed=0), passed(seed=1), passed(seed=0)])
        assert [verdict.accepted for verdict in verdicts] == [True, True, False]
        assert codes(verdicts[2]) == {"same_file_twice"}

    def test_the_second_counts_where_the_first_is_left_out_by_hand(self):
        verdicts = judged([passed(seed=0), passed(seed=0)], ["leave_out", None])
        assert [verdict.accepted for verdict in verdicts] == [False, True]

    def test_a_single_pass_is_judged_by_itself_alone(self):
        (verdict,) = judged([passed()])
        assert verdict.accepted
        assert verdict.remarks == ()


class TestOverrules:
    def test_include_beats_suspect_and_says_why(self):
        passes = [passed(0.4, seed=0), passed(seed=1), passed(seed=2)]
        verdicts = judged(passes, ["include", None, None], ["the tank ran low", "", ""])
        assert verdicts[0].accepted
        assert "total_unlike" in codes(verdicts[0], "suspect")
        (note,) = [one for one in verdicts[0].remarks if one.code == "overruled"]
        assert note.text == (
            "The analyst used this pass although it is suspect, because: the tank ran low."
        )

    def test_leave_out_beats_good_and_says_why(self):
        verdicts = judged(
            [passed(seed=0), passed(seed=1)], [None, "leave_out"], ["", "wrong aircraft"]
        )
        assert [verdict.accepted for verdict in verdicts] == [True, False]
        assert verdicts[1].remarks[-1].text == (
            "The analyst left this pass out, because: wrong aircraft."
        )

    def test_a_pass_left_out_by_hand_accuses_nobody(self):
        passes = [passed(1, seed=0), passed(0.3, seed=1), passed(0.3, seed=2)]
        verdicts = judged(passes, [None, "leave_out", None])
        assert [verdict.accepted for verdict in verdicts] == [True, False, True]

    def test_no_word_includes_a_pass_without_deposit(self):
        verdicts = judged([passed(seed=0), empty()], [None, "include"])
        assert [verdict.accepted for verdict in verdicts] == [True, False]
        assert codes(verdicts[1]) == {"no_deposit", "not_overruled"}

    def test_lists_of_unequal_length_are_refused(self):
        with pytest.raises(InputError, match="1 overrules and 2 reasons for 2 passes"):
            judge([passed(seed=0), passed(seed=1)], [None])


@settings(max_examples=25, deadline=None)
@given(
    scales=st.lists(st.sampled_from([0.3, 0.8, 1.0, 1.1, 1.6]), min_size=2, max_size=5),
    order=st.randoms(use_true_random=False),
)
def test_order_changes_nothing_but_order(scales, order):
    passes = [passed(scale, seed=i) for i, scale in enumerate(scales)]
    places = list(range(len(passes)))
    order.shuffle(places)
    straight, shuffled = judged(passes), judged([passes[i] for i in places])
    assert [straight[i] for i in places] == list(shuffled)


@pytest.mark.parametrize("scales", [*itertools.combinations([0.2, 0.5, 1.0, 1.2, 2.2], 4)])
def test_of_three_and_more_good_passes_two_always_stay(scales):
    verdicts = judged([passed(scale, seed=i) for i, scale in enumerate(scales)])
    assert sum(verdict.accepted for verdict in verdicts) >= 2


class TestCombine:
    def test_mean_and_spread_at_every_place(self):
        """Against Python's statistics module: mean, and stdev with n − 1."""
        passes = [passed(1 + 0.1 * i, seed=i) for i in range(3)]
        pattern = combine(passes, GRID, "flight_line")
        for place in range(150, 451, 25):
            values = [float(one.deposit[place]) for one in passes]
            assert pattern.deposit[place] == pytest.approx(statistics.mean(values))
            assert pattern.spread[place] == pytest.approx(statistics.stdev(values), abs=1e-9)
        assert pattern.repeatability_percent == pytest.approx(
            100 * pattern.spread.sum() / pattern.deposit.sum()
        )
        assert pattern.passes.shape == (3, GRID.size)

    def test_three_scaled_triangles_by_hand(self):
        """Passes of 0.9, 1.0 and 1.1 times a triangle spread by 10 % of the mean everywhere."""
        passes = [passed(s, noise=0) for s in (0.9, 1.0, 1.1)]
        pattern = combine(passes, GRID, "flight_line")
        assert pattern.repeatability_percent == pytest.approx(10, abs=1e-6)
        np.testing.assert_allclose(pattern.deposit, passes[1].deposit, atol=1e-9)

    def test_one_pass_has_no_spread_and_no_repeatability(self):
        pattern = combine([passed()], GRID, "flight_line")
        assert np.all(pattern.spread == 0)
        assert np.isnan(pattern.repeatability_percent)

    def test_centring_on_the_flight_line_keeps_passes_as_flown(self):
        passes = [passed(seed=i, centre=c) for i, c in enumerate((-1.0, 2.0))]
        pattern = combine(passes, GRID, "flight_line")
        assert pattern.centre_m == pytest.approx(0.5, abs=0.05)
        np.testing.assert_array_equal(pattern.passes[1], passes[1].deposit)

    def test_centring_on_the_deposit_moves_whole_steps_and_keeps_totals(self):
        passes = [passed(seed=i, centre=c) for i, c in enumerate((-1.0, 2.04))]
        pattern = combine(passes, GRID, "deposition")
        assert pattern.centring == "deposition"
        for row, one in zip(pattern.passes, passes, strict=True):
            assert row.sum() * GRID.step_m == pytest.approx(one.total)
            centre = (GRID.position_m * row).sum() / row.sum()
            assert abs(centre) <= GRID.step_m / 2 + 1e-9
        assert pattern.left_share == pytest.approx(0.5, abs=0.01)

    def test_a_pass_moved_off_the_grid_is_refused(self):
        tight = grid_for([0.5], 20.0)
        reading = triangle(X, 16.0, centre=10) + triangle(X, 3.0, 200, centre=-16)
        prepared = prepare_pass(trace_of(X, reading), tight)
        assert combine([prepared], tight, "flight_line").centre_m > 8
        with pytest.raises(InputError, match="make the grid reach further"):
            combine([prepared], tight, "deposition")

    def test_nothing_and_unknown_centring_are_refused(self):
        with pytest.raises(InputError, match="none is accepted"):
            combine([], GRID, "flight_line")
        with pytest.raises(InputError, match="known are flight_line, deposition"):
            combine([passed()], GRID, "middle")
