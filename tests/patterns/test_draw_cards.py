"""The charts of droplet cards: whole documents, and numbers drawn where they are."""

import math
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from patterns.cards.across import PlacedCard, across_swath
from patterns.cards.classes import size_class
from patterns.cards.spectrum import SpectrumParameters, spectrum
from patterns.draw import CLASSES, COMPACT, PAPER, WIDE, across_chart, spectrum_chart
from patterns.errors import InputError
from patterns.units import from_si

SIZES = {"wide": WIDE, "paper": PAPER, "compact": COMPACT}
POSITIONS_M = np.arange(-9.0, 10.0, 3.0)
STRING = (np.linspace(-12, 12, 121), 500 * np.exp(-((np.linspace(-12, 12, 121) / 5) ** 2)))


def drops(count, seed=1):
    return np.random.default_rng(seed).lognormal(math.log(106.0), math.log(1.8), count)


@pytest.fixture(scope="module")
def spray():
    return spectrum(drops(3000), area_cm2=20.0)


@pytest.fixture(scope="module")
def laid():
    cards = []
    for place, x in enumerate(POSITIONS_M):
        sizes = drops(0 if x == 9.0 else 50 + place * 40, place)
        cards.append(PlacedCard(f"card {place}", float(x), 18.0, 1.0 + place, sizes,
                                np.ones(sizes.size)))  # fmt: skip
    return across_swath(cards)


def parsed(svg):
    root = ET.fromstring(svg)
    classes = {
        name
        for one in root.iter()
        for name in one.get("class", "").split()
        if one.tag.rpartition("}")[2] not in ("svg", "g")
    }
    assert classes <= set(CLASSES)
    assert root.get("role") == "img"
    ids = [one.get("id") for one in root.iter() if one.get("id")]
    assert len(ids) == len(set(ids))
    return root


def of_class(root, name):
    return [one for one in root.iter() if one.get("class") == name]


def places(root, axis):
    """Function from pixels to values along one axis."""
    low, high = float(root.get(f"data-{axis}0")), float(root.get(f"data-{axis}1"))
    first, last = float(root.get(f"data-{axis}min")), float(root.get(f"data-{axis}max"))
    return lambda pixel: first + (float(pixel) - low) / (high - low) * (last - first)


def texts(root):
    return " ".join(one.text or "" for one in root.iter())


@pytest.mark.parametrize("size", SIZES.values(), ids=SIZES)
class TestSpectrum:
    def test_marks_stand_at_their_diameters_and_levels(self, spray, size):
        root = parsed(spectrum_chart(spray, size_class(spray), size=size))
        x, y = places(root, "x"), places(root, "y")
        marks = [one for one in of_class(root, "sw-dv-mark") if float(one.get("r")) == 5.0]
        in_plot = [one for one in marks if float(one.get("cy")) >= float(root.get("data-y1"))]
        for figure, level, mark in zip(
            (spray.dv10_um, spray.dv50_um, spray.dv90_um), (10, 50, 90), in_plot, strict=True
        ):
            assert 10 ** x(mark.get("cx")) == pytest.approx(figure.value, rel=0.01)
            assert y(mark.get("cy")) == pytest.approx(level, abs=0.1)
        for figure, bound in zip(
            (spray.dv10_um, spray.dv50_um, spray.dv90_um),
            of_class(root, "sw-dv-bounds"),
            strict=True,
        ):
            assert 10 ** x(bound.get("x1")) == pytest.approx(figure.low, rel=0.01)
            assert 10 ** x(bound.get("x2")) == pytest.approx(figure.high, rel=0.01)

    def test_cut_offs_stand_at_their_diameters(self, spray, size):
        root = parsed(spectrum_chart(spray, size=size))
        x = places(root, "x")
        lines = [one for one in of_class(root, "sw-cut-off") if one.get("x1") == one.get("x2")]
        found = [10 ** x(one.get("x1")) for one in lines]
        assert found == pytest.approx([100, 141, 150, 200], rel=0.01)

    def test_bars_stand_in_the_proportion_of_their_shares(self, spray, size):
        root = parsed(spectrum_chart(spray, size=size))
        heights = [float(one.get("height")) for one in of_class(root, "sw-volume-bar")][:-1]
        shares = spray.distribution.volume_percent
        shares = shares[shares > 0]
        assert len(heights) == shares.size
        assert np.array(heights) / max(heights) == pytest.approx(shares / shares.max(), abs=0.01)
        assert f"the tallest {shares.max():.1f} %" in texts(root)


def test_words_of_the_spectrum(spray):
    words = texts(parsed(spectrum_chart(spray, size_class(spray))))
    assert f"Dv0.5 {spray.dv50_um.value:.0f} µm" in words
    assert f"under 150 µm {spray.volume_below[2].percent.value:.1f}" in words
    assert "Ag aviation trade article 2014" in words
    assert "from 3000 stains" in words


def test_sentences_below_the_spectrum_can_stay_away_and_stand_in_its_description(spray):
    bare = spectrum_chart(spray, notes=False)
    assert bare.count("from 3000 stains") == 1
    assert spectrum_chart(spray, size=WIDE).count("Sauter mean") == bare.count("Sauter mean") + 1


@pytest.mark.parametrize("count", [1, 2, 3])
def test_spectrum_of_hardly_a_drop(count):
    few = spectrum(np.full(count, 200.0), parameters=SpectrumParameters(resamplings=0))
    root = parsed(spectrum_chart(few))
    assert of_class(root, "sw-dv-bounds") == []


def test_spectrum_without_cut_offs(spray):
    bare = spectrum(drops(50), parameters=SpectrumParameters(cut_offs_um=()))
    assert of_class(parsed(spectrum_chart(bare)), "sw-cut-off") == []


@pytest.mark.parametrize("size", SIZES.values(), ids=SIZES)
@pytest.mark.parametrize("system", ["us", "metric"])
@pytest.mark.parametrize("figure", ["deposit", "coverage", "dv50"])
def test_cards_stand_at_their_place_and_figure(laid, figure, system, size):
    root = parsed(across_chart(laid, figure, system=system, size=size))
    x, y = places(root, "x"), places(root, "y")
    top = float(root.get("data-y1")) - 1e-6
    marks = [one for one in of_class(root, "sw-card-mark") if float(one.get("cy")) >= top]
    expected = {"deposit": laid.deposit_l_per_ha, "coverage": laid.coverage_percent,
                "dv50": laid.dv50_um}[figure]  # fmt: skip
    if figure == "deposit" and system == "us":
        expected = from_si(expected, "gal/acre")
    known = np.isfinite(expected)
    assert known.sum() == (6 if figure == "dv50" else 7)
    reach = y(root.get("data-y1"))
    for mark, at, value in zip(marks, laid.position_m[known], expected[known], strict=True):
        assert x(mark.get("cx")) == pytest.approx(at, abs=0.05)
        assert y(mark.get("cy")) == pytest.approx(value, abs=0.002 * reach)
    assert len(of_class(root, "sw-card-bounds")) == (0 if figure == "coverage" else 6)


def test_string_pattern_is_brought_to_the_area_of_the_cards(laid):
    root = parsed(across_chart(laid, "deposit", system="metric", string=STRING))
    d = next(one.get("d") for one in of_class(root, "sw-string-behind") if one.get("d"))
    x, y = places(root, "x"), places(root, "y")
    points = np.array([(x(a), y(b)) for a, b in re.findall(r"(-?[\d.]+),(-?[\d.]+)", d)])
    upper = points[: len(points) // 2]
    area = float(np.trapezoid(upper[:, 1], upper[:, 0]))
    cards = float(np.sum(laid.deposit_l_per_ha * laid.width_m))
    assert area == pytest.approx(cards, rel=0.02)
    assert "string pattern" in texts(root)


def test_no_string_behind_sizes_or_where_nothing_fell(laid):
    assert "string pattern" not in across_chart(laid, "dv50", system="us", string=STRING)
    flat = (STRING[0], np.zeros(STRING[0].size))
    assert "string pattern" not in across_chart(laid, "deposit", system="us", string=flat)


def test_remarks_are_told_below(laid):
    assert "Not a single drop was counted" in texts(parsed(across_chart(laid, system="us")))


def test_names_are_escaped_and_the_same_input_gives_the_same_text():
    evil = PlacedCard('<script>"&', 0.0, 10.0, 0.0, np.empty(0), np.empty(0))
    laid = across_swath([evil])
    svg = across_chart(laid, system="us")
    assert "<script>" not in svg
    parsed(svg)
    assert svg == across_chart(laid, system="us")


def test_bad_input(laid):
    with pytest.raises(InputError, match="figure"):
        across_chart(laid, "colour", system="us")
    with pytest.raises(InputError, match="unit system"):
        across_chart(laid, system="imperial")
