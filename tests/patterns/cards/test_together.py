"""What cards say together: written down and read back, and named by a version that means it.

The arithmetic is checked in test_across, test_spectrum and test_classes.
"""

import json
from dataclasses import replace

import numpy as np
import pytest

from fixtures.cards import CardPlan, draw_card
from patterns.cards.decode import CardImage
from patterns.cards.drops import spread_factor
from patterns.cards.measure import Parameters, measure_card
from patterns.cards.together import TOGETHER_VERSION, from_together, tell_together, to_together
from patterns.errors import InputError
from patterns.plain import plain


@pytest.fixture(scope="module")
def cards():
    drawn = [
        draw_card(
            CardPlan(width_mm=20.0, height_mm=30.0, dpi=600.0, cover_percent=cover, seed=seed)
        )
        for seed, cover in ((1, 3.0), (2, 1.0))
    ]
    return [
        measure_card(CardImage(f"card {number}", f"{number}", 600.0, one.pixels))
        for number, one in enumerate(drawn)
    ]


def test_read_back_it_is_the_same(cards):
    found = tell_together([(cards[0], -2.0), (cards[1], 2.0)])
    written = to_together(found)
    again = from_together(json.loads(written))
    assert to_together(again) == written
    assert plain(again) == plain(found)
    assert again.across.cards.dtype == np.intp
    assert again.size_class == found.size_class
    assert again.ways == found.ways


def test_what_is_not_known_stays_so(cards):
    """A bare card has no sizes; nothing is made up on the way back."""
    counted = cards[0].found
    bare = replace(cards[0], found=replace(counted, weight=np.zeros(counted.weight.size)))
    found = from_together(json.loads(to_together(tell_together([(bare, 0.0)]))))
    assert (found.across.whole, found.size_class) == (None, None)
    assert np.isnan(found.across.dv50_um).all()
    assert np.isnan(found.across.centre_m)


def test_each_way_of_measuring_once(cards):
    other = replace(cards[1], parameters=Parameters(spread=spread_factor("none")))
    found = tell_together([(cards[0], -2.0), (other, 0.0), (cards[1], 2.0)])
    assert [way.spread.name for way in found.ways] == [
        one.parameters.spread.name for one in (cards[0], other)
    ]


def test_odd_documents_are_refused():
    with pytest.raises(InputError, match="does not say what cards say together"):
        from_together({"across": {}})


def test_a_version_means_the_same_figures(cards):
    """Kept figures are found by this version: other figures or words ask for a new one.

    The figures are this program's own, of the cards drawn above.
    """
    found = tell_together([(cards[0], -2.0), (cards[1], 2.0)])
    assert TOGETHER_VERSION == "together-1"
    dv50 = found.across.whole.dv50_um
    assert (dv50.value, dv50.low, dv50.high) == pytest.approx((166.33, 156.31, 188.52), abs=0.01)
    assert found.across.mean_deposit_l_per_ha == pytest.approx(6.6930, abs=1e-4)
    assert [one.code for one in found.remarks] == ["few_stains", "few_large"]
