"""Cards across the swath: strips, the weighting by deposit, and what is said of gaps."""

import math

import numpy as np
import pytest

from patterns.cards.across import PlacedCard, across_swath
from patterns.cards.spectrum import SpectrumParameters, spectrum
from patterns.errors import InputError

CUTS = SpectrumParameters(cut_offs_um=(150.0,), resamplings=50)


def card(position, drops, area=10.0, coverage=5.0, name=None):
    drops = np.asarray(drops, dtype=float)
    return PlacedCard(name or f"{position:g}", position, area, coverage, drops, np.ones(drops.size))


def of_rate(position, rate, diameter, area=10.0):
    """A card with drops of one size that make a rate: N = (60/π)·(100/d)³·L/ha per cm²."""
    count = 60.0 / math.pi * (100.0 / diameter) ** 3 * rate * area
    drops = np.array([float(diameter)])
    return PlacedCard(f"{position:g}", position, area, 5.0, drops, np.array([count]))


def test_deposit_and_size_against_position():
    found = across_swath([of_rate(4, 10, 200), of_rate(-4, 20, 300), of_rate(0, 30, 250)], CUTS)
    assert list(found.position_m) == [-4, 0, 4]
    assert found.deposit_l_per_ha == pytest.approx([20, 30, 10])
    assert list(found.dv50_um) == pytest.approx([300, 250, 200])
    # Drops per cm² if all fall as one size (formula from memory, values computed): 20 L/ha at
    # 300 µm 14.15, 30 at 250 µm 36.67.
    assert found.per_cm2[:2] == pytest.approx([14.15, 36.67], abs=0.005)
    assert found.mean_deposit_l_per_ha == pytest.approx(20.0)
    assert found.centre_m == pytest.approx((20 * -4 + 10 * 4) / 60)
    assert found.whole is not None
    assert found.whole.deposit_l_per_ha.value == pytest.approx(20.0)


def test_a_card_weighs_by_its_deposit_not_by_its_number_of_drops():
    # 30 L/ha in drops of 300 µm and 10 in drops of 100 µm: a quarter of the volume is fine, though
    # nine drops of ten are. By mid-steps: 5 of 40 at 100 µm, 25 at 300 µm, so 10 at 150 µm.
    found = across_swath([of_rate(0, 30, 300), of_rate(3, 10, 100)], CUTS)
    assert found.whole.volume_below[0].percent.value == pytest.approx(25.0)
    assert found.whole.number_median_um.value < 200


def test_whole_is_the_mean_of_the_cards_weighted_by_deposit_and_width():
    random = np.random.default_rng(5)
    cards = [
        card(x, random.lognormal(math.log(size), 0.4, n), area)
        for x, size, n, area in [(-6, 90, 900, 18), (-2, 130, 1500, 12), (0, 150, 700, 7),
                                 (5, 110, 1200, 19)]
    ]  # fmt: skip
    found = across_swath(cards, CUTS)
    shares = [spectrum(one.diameter_um, parameters=CUTS).volume_below[0].percent.value
              for one in cards]  # fmt: skip
    weighted = np.average(shares, weights=found.deposit_l_per_ha * found.width_m)
    assert list(found.width_m) == [4, 3, 3.5, 5]
    assert found.whole.volume_below[0].percent.value == pytest.approx(weighted, abs=0.02)
    assert found.whole.deposit_l_per_ha.value == pytest.approx(found.mean_deposit_l_per_ha)


def test_cards_at_one_place_are_one_larger_card():
    half = [card(2.0, [200] * 30, area=5.0, coverage=4.0),
            card(2.01, [300] * 10, area=15.0, coverage=8.0)]  # fmt: skip
    found = across_swath([*half, card(-2.0, [200] * 30)], CUTS)
    assert list(found.cards) == [1, 2]
    assert found.per_cm2[1] == pytest.approx(40 / 20)
    assert found.coverage_percent[1] == pytest.approx(7.0)


def test_order_changes_nothing_and_a_larger_card_weighs_no_more():
    cards = [of_rate(0, 30, 300), of_rate(3, 10, 100), of_rate(6, 20, 200)]
    larger = [of_rate(0, 30, 300, area=40.0), *cards[1:]]
    first, second = across_swath(cards, CUTS), across_swath(larger[::-1], CUTS)
    assert second.whole.dv50_um.value == pytest.approx(first.whole.dv50_um.value)


def test_bounds_hold_the_figures():
    random = np.random.default_rng(6)
    found = across_swath([card(x, random.lognormal(4.6, 0.5, 400)) for x in (-3, 0, 3)])
    assert (found.deposit_low_l_per_ha <= found.deposit_l_per_ha).all()
    assert (found.deposit_l_per_ha <= found.deposit_high_l_per_ha).all()
    assert (found.dv50_low_um < found.dv50_um).all()
    assert (found.dv50_um < found.dv50_high_um).all()


class TestRemarks:
    def test_few_large_drops_are_counted_as_stains_whatever_their_weight(self):
        # Of 20 000 stains of one spray hundreds lie above Dv0.9, on one card or cut into ten; the
        # weights of a whole are drops on a square centimetre, and would only make a dozen of them.
        drops = np.random.default_rng(3).lognormal(math.log(250.0), math.log(1.4), 20_000)
        for parts in (1, 10):
            cards = [card(at, part, 900.0) for at, part in enumerate(np.split(drops, parts))]
            whole = across_swath(cards, CUTS).whole
            assert "few_large" not in [one.code for one in whole.remarks], parts

    def test_bare_cards_count_as_nothing_fallen(self):
        found = across_swath([of_rate(0, 20, 200), card(3, [], coverage=0.0)], CUTS)
        assert found.deposit_l_per_ha == pytest.approx([20, 0])
        assert math.isnan(found.dv50_um[1])
        assert found.mean_deposit_l_per_ha == pytest.approx(10.0)
        assert [one.code for one in found.remarks] == ["bare_card"]

    def test_all_bare(self):
        found = across_swath([card(0, []), card(3, [])], CUTS)
        assert found.whole is None
        assert math.isnan(found.centre_m)

    def test_gap(self):
        found = across_swath([of_rate(x, 20, 200) for x in (0, 2, 4, 10)], CUTS)
        (remark,) = found.remarks
        assert (remark.code, remark.from_m, remark.to_m) == ("gap", 4, 10)
        # One number with its unit for each end, or as a range: so it can be told in feet.
        assert remark.text.startswith("From +4.0 to +10.0 m no card lay, with 2.0 m between")

    def test_one_place(self):
        assert across_swath([of_rate(0, 20, 200)], CUTS).remarks[0].code == "one_place"


@pytest.mark.parametrize(
    "cards",
    [
        [],
        [card(math.nan, [100])],
        [card(501, [100])],
        [card(0, [100], area=0.0)],
        [card(0, [100], coverage=101.0)],
    ],
)
def test_bad_input(cards):
    with pytest.raises(InputError):
        across_swath(cards)
