"""Spectra against exact log-normal values, a table of counts worked by hand, and chance itself."""

import math

import numpy as np
import pytest
from scipy import stats

from patterns.cards.spectrum import (
    CUT_OFFS_UM,
    Spectrum,
    SpectrumParameters,
    spectrum,
    spectrum_from_counts,
    volume_diameters,
)
from patterns.data import load
from patterns.errors import InputError

CUTS_UM = (100.0, 105.0, 141.0, 150.0, 200.0)
# Computed from the log-normal distribution by volume: median, geometric standard deviation, then
# Dv0.1, Dv0.9, relative span, % of the volume below some diameters.
LOG_NORMAL = [
    (300, 1.8, 141.246, 637.186, 1.65313, {100: 3.081, 105: 3.705, 141: 9.948, 150: 11.915,
                                           200: 24.516}),
    (250, 1.6, 136.883, 456.594, 1.27884, {141: 11.152, 200: 31.748}),
    (400, 1.9, 175.721, 910.536, 1.83704, {141: 5.213, 200: 14.009}),
]  # fmt: skip
# Computed by hand from the definitions (D30, D32 as the drift pages at holsoft.nl give them).
MARKS_UM, COUNTS = np.array([100.0, 200.0, 300.0, 400.0]), np.array([200.0, 50.0, 10.0, 2.0])


def evenly(median_um: float, gsd: float, count: int = 200_000) -> tuple[np.ndarray, np.ndarray]:
    """Drops at even steps of the cumulative volume, with weights that give each one volume."""
    share = (np.arange(count) + 0.5) / count
    diameter = stats.lognorm.ppf(share, math.log(gsd), scale=median_um)
    return diameter, 1e6 / diameter**3


def sprayed(median_um: float, gsd: float, count: int, seed: int = 7) -> np.ndarray:
    """Drops drawn by number from a log-normal spray with this median by volume."""
    number_median = median_um * math.exp(-3.0 * math.log(gsd) ** 2)
    return np.random.default_rng(seed).lognormal(math.log(number_median), math.log(gsd), count)


def below(found: Spectrum) -> dict[float, float]:
    return {one.cut_off_um: one.percent.value for one in found.volume_below}


@pytest.mark.parametrize(("median", "gsd", "dv10", "dv90", "span", "shares"), LOG_NORMAL)
def test_log_normal_values_exact(median, gsd, dv10, dv90, span, shares):
    drops, weights = evenly(median, gsd)
    settings = SpectrumParameters(cut_offs_um=CUTS_UM, resamplings=0)
    found = spectrum(drops, weights, parameters=settings)
    assert found.dv50_um.value == pytest.approx(median, abs=6e-4)
    assert found.dv10_um.value == pytest.approx(dv10, abs=6e-4)
    assert found.dv90_um.value == pytest.approx(dv90, abs=6e-4)
    assert found.relative_span.value == pytest.approx(span, abs=6e-6)
    for cut, percent in shares.items():
        assert below(found)[cut] == pytest.approx(percent, abs=6e-4)


def test_number_median_and_sauter_mean_of_the_log_normal():
    # Computed for 300 µm and 1.8: number median 106.41, Sauter mean 252.41. The list of drops ends
    # where 1/400 000 of the volume is left at the fine end, which holds a thousandth of the drops.
    found = spectrum(*evenly(300, 1.8), parameters=SpectrumParameters(resamplings=0))
    assert found.number_median_um.value == pytest.approx(106.41, rel=1e-3)
    assert found.sauter_um.value == pytest.approx(252.41, abs=0.01)


@pytest.mark.parametrize(("median", "gsd", "dv10", "dv90", "span", "shares"), LOG_NORMAL)
def test_log_normal_drawn_drop_by_drop(median, gsd, dv10, dv90, span, shares):
    settings = SpectrumParameters(cut_offs_um=CUTS_UM, confidence=0.999, resamplings=1000)
    found = spectrum(sprayed(median, gsd, 200_000), parameters=settings)
    truths = [(found.dv10_um, dv10), (found.dv50_um, median), (found.dv90_um, dv90)]
    truths += [(found.relative_span, span)]
    truths += [(one.percent, shares[one.cut_off_um]) for one in found.volume_below
               if one.cut_off_um in shares]  # fmt: skip
    for figure, truth in truths:
        assert figure.value == pytest.approx(truth, rel=0.06)
        assert figure.low <= truth <= figure.high


def test_table_of_counts_exact():
    settings = SpectrumParameters(cut_offs_um=tuple(MARKS_UM))
    found = spectrum_from_counts(MARKS_UM, COUNTS, parameters=settings)
    assert below(found) == pytest.approx({100: 20.0401, 200: 60.1202, 300: 87.1743, 400: 100},
                                         abs=6e-5)  # fmt: skip
    assert found.mean_um.value == pytest.approx(129.0076, abs=6e-5)
    assert found.volume_mean_um.value == pytest.approx(156.1744, abs=6e-5)
    assert found.sauter_um.value == pytest.approx(191.1877, abs=6e-5)
    # Linear on diameter between class marks: 100 + 100·(50 − 20.0401) / (60.1202 − 20.0401).
    assert found.dv50_um.value == pytest.approx(174.75, abs=1e-9)
    # The first class begins one class width below its mark, at 0: 10 / 20.0401 of the way.
    assert found.dv10_um.value == pytest.approx(49.9, abs=1e-9)
    assert found.number_median_um.value == pytest.approx(100.0 * 131.0 / 200.0)
    assert found.distribution.volume_percent == pytest.approx(
        [20.0401, 40.0802, 27.0541, 12.8257], abs=6e-5
    )
    assert found.stains == 262


def test_single_drops_by_the_stated_rule():
    # Volumes 1, 8, 27 of 36: mid-steps at 1/72, 10/72 and 45/72 of the volume, worked by hand.
    drops = np.array([300.0, 100.0, 200.0])
    settings = SpectrumParameters(cut_offs_um=(50.0, 100.0, 150.0, 250.0, 300.0, 301.0))
    found = spectrum(drops, parameters=settings)
    assert found.dv10_um.value == pytest.approx(100.0 + 100.0 * (7.2 - 1.0) / 9.0)
    assert found.dv50_um.value == pytest.approx(200.0 + 100.0 * (36.0 - 10.0) / 35.0)
    assert found.dv90_um.value == 300.0
    assert found.number_median_um.value == pytest.approx(200.0)
    expected = (0.0, 100 / 72, 550 / 72, 2750 / 72, 4500 / 72, 100.0)
    assert list(below(found).values()) == pytest.approx(expected)
    assert volume_diameters(drops) == pytest.approx(
        (found.dv10_um.value, found.dv50_um.value, found.dv90_um.value)
    )


def test_order_repetition_and_weights_change_nothing():
    drops = sprayed(300, 1.8, 500)
    once = spectrum(drops).dv50_um.value
    assert spectrum(drops[::-1].copy()).dv50_um.value == once
    assert spectrum(drops, np.full(500, 2.5)).dv50_um.value == pytest.approx(once, rel=1e-12)
    twice = np.concatenate([drops, drops])
    doubled = spectrum(drops, np.full(500, 2.0))
    assert spectrum(twice).dv50_um.value == pytest.approx(doubled.dv50_um.value, rel=1e-12)
    left_out = spectrum(np.append(drops, 5000.0), np.append(np.ones(500), 0.0))
    assert left_out.dv50_um.value == once


def test_near_the_weighted_quantiles_of_numpy():
    # numpy.quantile with weights (inverted_cdf) counts every drop whole; between drops it cannot
    # differ from mid-steps by more than one drop's own volume.
    drops = sprayed(300, 1.8, 20_000)
    reference = np.quantile(drops, (0.1, 0.5, 0.9), weights=drops**3, method="inverted_cdf")
    assert volume_diameters(drops) == pytest.approx(reference, rel=5e-3)


def test_twice_the_drops_size_is_twice_every_diameter():
    drops = sprayed(300, 1.8, 1000)
    one, two = spectrum(drops), spectrum(2.0 * drops)
    for name in ("dv10_um", "dv50_um", "dv90_um", "number_median_um", "sauter_um", "mean_um"):
        assert getattr(two, name).value == pytest.approx(2.0 * getattr(one, name).value)
    assert two.relative_span.value == pytest.approx(one.relative_span.value)


def test_drops_of_one_size():
    found = spectrum(np.full(2000, 250.0), area_cm2=10.0)
    for figure in (found.dv10_um, found.dv50_um, found.dv90_um, found.sauter_um, found.mean_um):
        assert (figure.low, figure.value, figure.high) == pytest.approx((250.0,) * 3)
    assert found.relative_span.value == 0.0


# Drops per cm² when all fall as one size, N = (60/π)·(100/d)³·L/ha; the formula is from memory
# (textbook), its values computed.
@pytest.mark.parametrize(
    ("rate", "diameter", "per_cm2"),
    [(20, 200, 47.75), (20, 300, 14.15), (30, 250, 36.67), (50, 300, 35.37)],
)
def test_deposit_of_drops_of_one_size(rate, diameter, per_cm2):
    found = spectrum(np.array([float(diameter)]), np.array([per_cm2 * 20.0]), area_cm2=20.0)
    assert found.per_cm2 is not None
    assert found.deposit_l_per_ha is not None
    assert found.per_cm2.value == pytest.approx(per_cm2)
    assert found.deposit_l_per_ha.value == pytest.approx(rate, rel=0.005 / per_cm2)


class TestBounds:
    def test_same_drops_same_bounds(self):
        first, second = (spectrum(sprayed(300, 1.8, 800), area_cm2=20.0) for _ in range(2))
        assert first.dv50_um == second.dv50_um
        assert first.deposit_l_per_ha == second.deposit_l_per_ha

    def test_near_plain_drawing_with_replacement(self):
        # Efron's bootstrap, written out: the same bounds to a tenth of their width.
        drops = sprayed(250, 1.6, 2000)
        random = np.random.default_rng(3)
        plain = [volume_diameters(random.choice(drops, drops.size))[1] for _ in range(1000)]
        low, high = np.percentile(plain, (2.5, 97.5))
        found = spectrum(drops, parameters=SpectrumParameters(resamplings=1000)).dv50_um
        assert found.low == pytest.approx(low, abs=0.1 * (high - low))
        assert found.high == pytest.approx(high, abs=0.1 * (high - low))

    def test_count_scatters_as_a_poisson_number(self):
        # ± 1.96·√n for n drops; common statistics.
        found = spectrum(sprayed(300, 1.8, 1600), area_cm2=1.0,
                         parameters=SpectrumParameters(resamplings=4000))  # fmt: skip
        assert found.per_cm2 is not None
        assert found.per_cm2.low == pytest.approx(1600 - 1.96 * 40, abs=6)
        assert found.per_cm2.high == pytest.approx(1600 + 1.96 * 40, abs=6)

    def test_hold_the_truth_about_as_often_as_said(self):
        held = [
            figure.low <= 250.0 <= figure.high
            for figure in (spectrum(sprayed(250, 1.6, 3000, seed)).dv50_um for seed in range(60))
        ]
        assert 0.85 <= np.mean(held) <= 1.0

    def test_none_with_hardly_a_stain(self):
        found = spectrum(sprayed(300, 1.8, 29), area_cm2=1.0)
        assert math.isnan(found.dv50_um.low)
        assert math.isnan(found.deposit_l_per_ha.high)
        text = next(one.text for one in found.remarks if one.code == "few_stains")
        assert "how far cannot be told" in text
        assert spectrum(sprayed(300, 1.8, 30)).dv50_um.low > 0
        assert math.isnan(spectrum_from_counts(MARKS_UM, COUNTS / 10).dv50_um.low)

    def test_none_when_not_asked_for(self):
        found = spectrum(sprayed(300, 1.8, 50), parameters=SpectrumParameters(resamplings=0))
        assert math.isnan(found.dv50_um.low)
        assert found.dv50_um.value > 0


class TestRemarks:
    def codes(self, found):
        return {one.code for one in found.remarks}

    def test_few_stains_are_warned_of_with_the_number_and_why(self):
        found = spectrum(sprayed(300, 1.8, 120))
        text = next(one.text for one in found.remarks if one.code == "few_stains")
        assert "120 stains" in text
        assert "Under 1000" in text
        assert "hold most of the volume" in text

    def test_wide_bounds_though_there_are_many(self):
        assert "wide_bounds" in self.codes(spectrum(sprayed(400, 1.9, 1500)))

    def test_few_large_drops(self):
        assert "few_large" in self.codes(spectrum(sprayed(300, 1.8, 1500)))
        assert "few_large" not in self.codes(spectrum(sprayed(250, 1.4, 20_000)))

    def test_nothing_to_say_of_many_alike(self):
        assert self.codes(spectrum(sprayed(250, 1.4, 20_000))) == set()


def test_distribution_adds_up():
    found = spectrum(sprayed(300, 1.8, 5000))
    shares = found.distribution
    assert shares.edge_um.size == shares.volume_percent.size + 1
    assert shares.volume_percent.sum() == pytest.approx(100.0)
    assert shares.number_percent.sum() == pytest.approx(100.0)
    # 20 classes to a decade at fixed places: 100 µm is an end of one, so the share below is exact.
    at_100 = int(np.argmin(np.abs(shares.edge_um - 100.0)))
    assert shares.edge_um[at_100] == pytest.approx(100.0)
    assert shares.volume_percent[:at_100].sum() == pytest.approx(below(found)[100.0], abs=0.05)


def test_cut_offs_are_data_with_a_source():
    assert CUT_OFFS_UM == (100.0, 141.0, 150.0, 200.0)
    for row in load("fines_cut_offs").values():
        assert row["source"]
        assert row["trust"] in ("seen", "memory")


@pytest.mark.parametrize(
    ("drops", "weights", "settings", "match"),
    [
        ([], None, {}, "not a single one"),
        ([100.0], [0.0], {}, "not a single one"),
        ([100.0, -1.0], None, {}, "diameters"),
        ([math.nan], None, {}, "diameters"),
        ([100.0], [-1.0], {}, "weights"),
        ([100.0], [math.nan], {}, "weights"),
        ([100.0, 200.0], [1.0], {}, "pair up"),
        ([100.0], None, {"cut_offs_um": (0.0,)}, "cut-offs"),
        ([100.0], None, {"confidence": 1.0}, "confidence"),
        ([100.0], None, {"resamplings": -1}, "resamplings"),
    ],
)
def test_bad_input(drops, weights, settings, match):
    weight = None if weights is None else np.array(weights)
    with pytest.raises(InputError, match=match):
        spectrum(np.array(drops), weight, parameters=SpectrumParameters(**settings))


def test_bad_counts_and_area():
    with pytest.raises(InputError, match="class marks"):
        spectrum_from_counts(np.array([200.0, 100.0]), np.array([1.0, 1.0]))
    with pytest.raises(InputError, match="not a single one"):
        spectrum_from_counts(np.array([100.0, 200.0]), np.array([0.0, 0.0]))
    with pytest.raises(InputError, match="area"):
        spectrum(np.array([100.0]), area_cm2=0.0)
