"""The charts: whole and safe documents, words in their place, and numbers drawn where they are."""

import math
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from itertools import combinations, pairwise

import numpy as np
import pytest

from patterns.draw import (
    CLASSES,
    COMPACT,
    DARK,
    LIGHT,
    PAPER,
    WIDE,
    NozzlePlace,
    boom_sketch,
    cv_chart,
    field_chart,
    field_geometry,
    passes_chart,
    spark_chart,
    stylesheet,
    trace_chart,
)
from patterns.draw.lettering import in_lanes, width_px, wrapped
from patterns.draw.scales import length_ticks_m, length_words, nice_ticks, span_words, tick_text
from patterns.errors import InputError
from patterns.overlap import MANNERS
from patterns.units import to_si
from patterns.zones import Zone
from tests.patterns.sample import sample_analysis, sample_trace

SVG = "{http://www.w3.org/2000/svg}"
SIZES = {"wide": WIDE, "paper": PAPER, "compact": COMPACT}
NOZZLES = [NozzlePlace(0.36 * n) for n in range(-17, 18) if n] + [NozzlePlace(-6.4, False)]


@pytest.fixture(scope="module")
def four():
    return sample_analysis(4, out=1)


@pytest.fixture(scope="module")
def single():
    return sample_analysis(1, findings=False)


def draw(kind, analysis, system, size, **given):
    """Draw one kind of chart of an analysis."""
    common = {"system": system, "size": size, "chart_id": kind, **given}
    if kind == "passes":
        return passes_chart(analysis, **common)
    if kind == "cv":
        return cv_chart(analysis, **common)
    if kind == "cv-chosen":
        return cv_chart(analysis, chosen_swath_m=19.0, **common)
    if kind in ("one_way", "back_and_forth"):
        return field_chart(analysis, swath_m=18.288, manner=kind, **common)
    if kind == "trace":
        trace, prepared, step_m = sample_trace()
        return trace_chart(trace, prepared, step_m=step_m, **common)
    if kind == "raw-trace":
        return trace_chart(sample_trace()[0], **common)
    if kind == "spark":
        return spark_chart(analysis, chart_id=kind)
    return boom_sketch(NOZZLES, boom_width_m=12.9, span_m=18.0, **common)


KINDS = (
    "passes",
    "cv",
    "cv-chosen",
    "one_way",
    "back_and_forth",
    "trace",
    "raw-trace",
    "spark",
    "boom",
)


def with_class(root, name):
    return [e for e in root.iter() if name in e.get("class", "").split()]


def numbers(d):
    """Points of a path made of M, L and Z."""
    return np.array(re.findall(r"(-?[\d.]+),(-?[\d.]+)", d), dtype=float)


class Scales:
    """Pixels to values, as the data attributes of a chart tell a page."""

    def __init__(self, root):
        self.v = {key[5:]: value for key, value in root.items() if key.startswith("data-")}

    def x(self, px):
        v = {k: float(self.v[k]) for k in ("x0", "x1", "xmin", "xmax")}
        return v["xmin"] + (px - v["x0"]) * (v["xmax"] - v["xmin"]) / (v["x1"] - v["x0"])

    def y(self, py):
        v = {k: float(self.v[k]) for k in ("y0", "y1", "ymin", "ymax")}
        return v["ymin"] + (v["y0"] - py) * (v["ymax"] - v["ymin"]) / (v["y0"] - v["y1"])


def text_boxes(root):
    """Estimated boxes of all words: (left, top, right, bottom, text)."""
    base = float(root.get("font-size", 12))
    boxes = []
    for node in root.iter(f"{SVG}text"):
        size = float(node.get("font-size", base))
        wide = width_px(node.text, size, bold=node.get("font-weight") == "bold")
        x, y = float(node.get("x")), float(node.get("y"))
        left = x - {"start": 0, "middle": wide / 2, "end": wide}[node.get("text-anchor", "start")]
        boxes.append((left, y - 0.75 * size, left + wide, y + 0.2 * size, node.text))
    return boxes


def assert_words_in_place(svg):
    root = ET.fromstring(svg)
    _, _, width, height = map(float, root.get("viewBox").split())
    boxes = text_boxes(root)
    for left, top, right, bottom, text in boxes:
        assert left >= 0, text
        assert right <= width, text
        assert top >= 0, text
        assert bottom <= height, text
    for one, other in combinations(boxes, 2):
        apart = one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1] or other[3] <= one[1]
        assert apart, (one[4], other[4])


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("system", ["us", "metric"])
@pytest.mark.parametrize("kind", KINDS)
class TestEveryChart:
    def test_is_a_whole_described_document(self, four, kind, system, size):
        root = ET.fromstring(draw(kind, four, system, SIZES[size]))
        assert root.tag == f"{SVG}svg"
        assert root.get("role") == "img"
        assert len(root.get("viewBox").split()) == 4
        assert "DejaVu Sans" in root.get("font-family")
        title, desc = root.get("aria-labelledby").split()
        by_id = {e.get("id"): e for e in root.iter() if e.get("id")}
        assert by_id[title].tag == f"{SVG}title"
        assert by_id[desc].tag == f"{SVG}desc"
        assert len(by_id[title].text) > 5
        assert by_id[desc].text.endswith(".")

    def test_ids_are_its_own_and_every_reference_is_met(self, four, kind, system, size):
        svg = draw(kind, four, system, SIZES[size], **{})
        ids = re.findall(r'\bid="([^"]+)"', svg)
        assert len(ids) == len(set(ids))
        assert all(ident == kind or ident.startswith(f"{kind}-") for ident in ids)
        assert set(re.findall(r"url\(#([^)]+)\)", svg)) <= set(ids)

    def test_holds_nothing_a_strict_policy_forbids(self, four, kind, system, size):
        root = ET.fromstring(draw(kind, four, system, SIZES[size]))
        for node in root.iter():
            assert node.tag not in (f"{SVG}style", f"{SVG}script", f"{SVG}image", f"{SVG}a")
            for key in node.keys():  # noqa: SIM118 -- an element is no mapping
                assert key != "style"
                assert not key.startswith("on")
                assert "href" not in key

    def test_same_input_same_text_and_only_finite_numbers(self, four, kind, system, size):
        svg = draw(kind, four, system, SIZES[size])
        assert svg == draw(kind, four, system, SIZES[size])
        assert not re.search(r"\b(nan|inf)\b", svg)
        assert "-0 " not in svg

    def test_words_stay_inside_and_apart(self, four, kind, system, size):
        assert_words_in_place(draw(kind, four, system, SIZES[size]))


class TestText:
    @pytest.mark.parametrize(("size", "shown_px"), [(WIDE, 710), (COMPACT, 320), (PAPER, 680)])
    def test_stays_at_eleven_pixels(self, size, shown_px):
        assert size.font * shown_px / size.width >= 11

    @pytest.mark.parametrize("size", [WIDE, COMPACT])
    def test_hostile_names_are_escaped_and_fit(self, size):
        trace, prepared, step_m = sample_trace(source='<b onload="x">&\x07\'' + "long" * 40)
        svg = trace_chart(trace, prepared, step_m=step_m, system="us", size=size)
        assert "<b" not in svg
        assert_words_in_place(svg)

    @pytest.mark.parametrize("ident", ["", "1a", "a b", 'a"><script>', "a)", "é"])
    def test_an_id_that_would_break_out_is_refused(self, four, ident):
        with pytest.raises(InputError, match="chart id"):
            passes_chart(four, system="us", chart_id=ident)

    def test_unknown_system_is_refused(self, four):
        with pytest.raises(InputError, match="'us' or 'metric'"):
            passes_chart(four, system="imperial")

    def test_many_findings_stay_apart(self, four):
        zones = tuple(
            Zone(
                "low" if n % 2 else "high",
                x,
                x + 0.8,
                x + 0.4,
                0.8,
                -12.0 if n % 2 else 12,
                0.95,
                True,
            )
            for n, x in enumerate(np.arange(-9.0, 9.0, 1.3))
        )
        crowded = replace(four, findings=zones)
        for size in SIZES.values():
            assert_words_in_place(passes_chart(crowded, system="us", size=size))
            assert_words_in_place(
                field_chart(crowded, system="us", swath_m=12.0, manner="one_way", size=size)
            )

    @pytest.mark.parametrize("seed", range(5))
    @pytest.mark.parametrize("count", [1, 2, 6])
    def test_other_tests_stay_apart_too(self, seed, count):
        analysis = sample_analysis(count, out=seed % 2, seed=seed)
        for kind in ("passes", "cv", "cv-chosen", "back_and_forth"):
            for size in SIZES.values():
                assert_words_in_place(draw(kind, analysis, "us", size))

    def test_wrapping_keeps_units_with_their_figures(self):
        rows = wrapped("about 12 % of 40 ft and 3 m", 12, 60)
        assert not any(row.split(" ")[0] in ("%", "ft", "m") for row in rows)
        assert all(width_px(row, 12) <= 75 for row in rows)

    def test_lanes_keep_labels_apart(self):
        placed = in_lanes([10, 12, 200, 205], [40, 40, 40, 40], 0, 220)
        for (x1, r1), (x2, r2) in combinations(placed, 2):
            assert r1 != r2 or abs(x1 - x2) >= 40
        assert all(20 <= x <= 200 for x, _ in placed)


class TestScales:
    @pytest.mark.parametrize(
        ("low", "high", "most", "expected"),
        [
            (0, 100, 5, [0, 20, 40, 60, 80, 100]),
            (-57, 57, 6, [-40, -20, 0, 20, 40]),
            (0, 1, 4, [0, 0.5, 1]),
            (20, 31, 5, [20, 25, 30]),
        ],
    )
    def test_nice_ticks(self, low, high, most, expected):
        assert nice_ticks(low, high, most) == expected

    def test_ticks_are_round_in_the_readers_units(self):
        feet = length_ticks_m(-16.8, 16.8, 7, "us")
        assert [text for _, text in feet] == ["−40", "−20", "0", "20", "40"]
        assert [m for m, _ in feet] == pytest.approx(
            [to_si(f, "ft") for f in (-40, -20, 0, 20, 40)]
        )
        metres = length_ticks_m(-16.8, 16.8, 7, "metric")
        assert [text for _, text in metres] == ["−15", "−10", "−5", "0", "5", "10", "15"]
        assert [m for m, _ in metres] == [-15, -10, -5, 0, 5, 10, 15]

    def test_tick_text(self):
        assert tick_text(0.5, 0.5) == "0.5"
        assert tick_text(-20.0, 20.0) == "−20"

    @pytest.mark.parametrize(
        ("value", "system", "text"),
        [
            (18.288, "us", "60 ft"),
            (18.288, "metric", "18.3 m"),
            (20.0, "metric", "20 m"),
            (1.0, "us", "3.3 ft"),
            (-0.0, "metric", "0 m"),
        ],
    )
    def test_length_words(self, value, system, text):
        assert length_words(value, system) == text

    @pytest.mark.parametrize(
        ("span", "text"),
        [
            ((1.0, 3.2), "1.0 to 3.2 m right of the flight line"),
            ((-7.0, -4.2), "4.2 to 7.0 m left of the flight line"),
            ((-1.0, 2.0), "1.0 m left to 2.0 m right of the flight line"),
        ],
    )
    def test_span_words(self, span, text):
        assert span_words(*span, "metric") == text


class TestPasses:
    def test_the_mean_is_drawn_where_it_is(self, four):
        root = ET.fromstring(passes_chart(four, system="us"))
        scales = Scales(root)
        # The first path of the class is the key's line element; paths only.
        (mean,) = [e for e in with_class(root, "sw-mean") if e.tag == f"{SVG}path"]
        points = numbers(mean.get("d"))
        x, y = scales.x(points[:, 0]), scales.y(points[:, 1])
        pattern = four.pattern
        expected = np.interp(x, pattern.position_m, 100 * pattern.deposit / pattern.deposit.max())
        assert np.max(np.abs(y - expected)) < 1.0
        assert y.max() == pytest.approx(100, abs=0.2)

    def test_left_wing_is_left(self, four):
        root = ET.fromstring(passes_chart(four, system="us"))
        place = {e.text: float(e.get("x")) for e in root.iter(f"{SVG}text")}
        assert place["Left wing"] < place["0"] < place["Right wing"]
        assert place["−20"] < place["0"] < place["20"]

    def test_every_pass_and_band_and_left_out(self, four):
        root = ET.fromstring(passes_chart(four, system="us"))
        paths = list(root.iter(f"{SVG}path"))
        count = lambda name: sum(e.get("class") == name for e in paths)  # noqa: E731
        assert count("sw-pass") == 4
        assert count("sw-pass-out") == 1
        assert count("sw-spread") == 1
        assert "1 pass left out." in root.find(f"{SVG}desc").text

    def test_one_pass_has_no_band(self, single):
        svg = passes_chart(single, system="metric")
        root = ET.fromstring(svg)
        assert not with_class(root, "sw-spread")
        assert "s.d." not in svg

    def test_findings_are_lettered_named_and_hatched(self, four):
        svg = passes_chart(four, system="metric", chart_id="p")
        root = ET.fromstring(svg)
        texts = [e.text.replace("\u00a0", " ") for e in root.iter(f"{SVG}text")]
        assert "A +13 %" in texts
        assert "B −31 %" in texts
        assert any(text.startswith("Low, 1.0 to 3.2 m right") for text in texts)
        assert "url(#p-low)" in svg
        assert "url(#p-high)" in svg

    def test_the_left_heavy_side_is_drawn_left(self, four):
        pattern = four.pattern
        left_only = np.where(pattern.position_m < -3, pattern.deposit, 0.0)
        lopsided = replace(four, pattern=replace(pattern, deposit=left_only))
        root = ET.fromstring(passes_chart(lopsided, system="us"))
        (mean,) = [e for e in with_class(root, "sw-mean") if e.tag == f"{SVG}path"]
        points = numbers(mean.get("d"))
        middle = (float(root.get("data-x0")) + float(root.get("data-x1"))) / 2
        assert points[np.argmin(points[:, 1]), 0] < middle


class TestCv:
    def test_limit_curves_and_recommended_stand_where_they_are(self, four):
        root = ET.fromstring(cv_chart(four, system="us"))
        scales = Scales(root)
        (limit,) = with_class(root, "sw-limit")
        assert scales.y(float(limit.get("y1"))) == pytest.approx(25.0, abs=0.15)
        sweep, chosen = four.uniformity, four.recommended
        for manner, name in zip(MANNERS, ("sw-one-way", "sw-back-and-forth"), strict=True):
            (curve,) = [e for e in with_class(root, name) if e.get("data-manner") == manner]
            points = numbers(curve.get("d"))
            expected = np.interp(
                scales.x(points[:, 0]), sweep.swath_m, getattr(sweep, manner).cv_percent
            )
            assert np.max(np.abs(scales.y(points[:, 1]) - expected)) < 0.4
        (drop,) = with_class(root, "sw-one-way-drop")
        assert scales.x(float(drop.get("x1"))) == pytest.approx(chosen.one_way.swath_m, abs=0.02)

    def test_ways_of_flying_differ_without_colour(self, four):
        svg = cv_chart(four, system="us", chart_id="c")
        root = ET.fromstring(svg)
        dash = {
            name: with_class(root, name)[0].get("stroke-dasharray")
            for name in ("sw-one-way", "sw-back-and-forth")
        }
        assert dash["sw-one-way"] is None
        assert dash["sw-back-and-forth"]
        texts = [e.text for e in root.iter(f"{SVG}text")]
        assert "one way" in texts
        assert "back and forth" in texts
        assert "url(#c-band)" in svg

    def test_the_sweep_is_shown_as_far_as_there_is_something_to_see(self, four):
        sweep = four.uniformity
        longer = np.concatenate([sweep.swath_m, sweep.swath_m[-1] + 0.5 * np.arange(1, 120)])

        def stretched(curve):
            def more(values):
                return np.concatenate([values, values[-1] + 2.0 * np.arange(1, 120)])

            return replace(
                curve,
                cv_percent=more(curve.cv_percent),
                low_percent=more(curve.low_percent),
                high_percent=more(curve.high_percent),
            )

        wide = replace(
            sweep,
            swath_m=longer,
            one_way=stretched(sweep.one_way),
            back_and_forth=stretched(sweep.back_and_forth),
        )
        analysis = replace(four, uniformity=wide)
        near = Scales(ET.fromstring(cv_chart(analysis, system="us")))
        far = Scales(ET.fromstring(cv_chart(analysis, system="us", chosen_swath_m=80.0)))
        assert float(near.v["xmax"]) < 40.0 < longer[-1]
        assert float(far.v["xmax"]) > 80.0

    def test_one_pass_invents_no_bounds(self, single):
        svg = cv_chart(single, system="metric")
        root = ET.fromstring(svg)
        assert not with_class(root, "sw-one-way-band")
        assert not with_class(root, "sw-back-and-forth-band")
        assert "bounds" not in "".join(e.text for e in root.iter(f"{SVG}text"))
        assert "they need two passes" in root.find(f"{SVG}desc").text
        assert_words_in_place(svg)

    def test_reason_stands_on_the_chart(self, four):
        texts = " ".join(
            e.text for e in ET.fromstring(cv_chart(four, system="us")).iter(f"{SVG}text")
        ).replace("\u00a0", " ")
        assert "with the lines flown 3.3 ft off" in texts

    @pytest.mark.parametrize("size", SIZES)
    def test_no_swath_at_all(self, four, size):
        nothing = {
            "swath_m": None,
            "cv_percent": None,
            "cv_low_percent": None,
            "cv_high_percent": None,
            "rule": "none_passes",
        }
        both = four.recommended
        refused = replace(
            four,
            recommended=replace(
                both,
                one_way=replace(both.one_way, **nothing),
                back_and_forth=replace(both.back_and_forth, **nothing),
            ),
        )
        svg = cv_chart(refused, system="us", size=SIZES[size])
        assert "no swath recommended" in svg.replace("\u00a0", " ")
        assert_words_in_place(svg)

    def test_both_ways_at_one_swath_share_a_flag(self, single):
        svg = cv_chart(single, system="metric").replace("\u00a0", " ")
        one, other = single.recommended.one_way, single.recommended.back_and_forth
        assert one.swath_m == other.swath_m
        assert f"{length_words(one.swath_m, 'metric')} both ways" in svg


def shaped(four, function):
    """The sample's mean replaced by a shape of known overlap."""
    deposit = function(four.pattern.position_m)
    return replace(four.pattern, deposit=deposit, passes=deposit[None, :])


class TestField:
    # Computed: a triangle of base B has a CV of exactly 25 % at S = 0.75 B, and of 0 at S = B/2.
    @pytest.mark.parametrize("manner", MANNERS)
    def test_triangle(self, four, manner):
        base = 20.0
        triangle = shaped(four, lambda x: np.maximum(0.0, 1 - np.abs(x) / (base / 2)))
        assert field_geometry(triangle, 15.0, manner).cv_percent == pytest.approx(25.0, abs=0.05)
        flat = field_geometry(triangle, 10.0, manner)
        assert flat.cv_percent == pytest.approx(0.0, abs=0.05)
        assert np.max(np.abs(flat.total_percent - 100.0)) < 0.5
        assert (flat.below_percent, flat.above_percent) == (0.0, 0.0)

    # Computed: at S = 0.75 B the sum is linear from 2/3 of its peak's 1 to 1 over B/4 … by
    # hand: mean 2/3, highest 1 (150 %), lowest 1/2 (75 %) of the peak of one line.
    def test_triangle_extremes(self, four):
        triangle = shaped(four, lambda x: np.maximum(0.0, 1 - np.abs(x) / 10.0))
        field = field_geometry(triangle, 15.0, "one_way")
        assert field.highest_percent == pytest.approx(150.0, abs=0.5)
        assert field.lowest_percent == pytest.approx(75.0, abs=0.5)

    def test_total_is_the_sum_of_all_lines(self, four):
        field = field_geometry(four.pattern, 18.288, "back_and_forth")
        assert np.allclose(field.lines_percent.sum(axis=0), field.total_percent, atol=1e-9)
        assert np.mean(field.total_percent) == pytest.approx(100.0, abs=1.0)

    def test_lines_alternate_only_back_and_forth(self, four):
        there = field_geometry(four.pattern, 18.288, "back_and_forth")
        middle = int(np.argmin(np.abs(there.line_m)))
        assert not there.mirrored[middle]
        assert there.mirrored[middle + 1]
        assert there.mirrored[middle - 1]
        assert not field_geometry(four.pattern, 18.288, "one_way").mirrored.any()

    def test_any_swath_can_be_drawn(self, four):
        exact = field_geometry(four.pattern, 18.288, "one_way").cv_percent
        near = field_geometry(four.pattern, 18.2877, "one_way").cv_percent
        assert near == pytest.approx(exact, abs=0.05)

    @pytest.mark.parametrize("swath_m", [0.0, -3.0, math.nan])
    def test_no_swath_is_refused(self, four, swath_m):
        with pytest.raises(InputError, match="swath"):
            field_geometry(four.pattern, swath_m, "one_way")

    def test_what_a_page_redraws_is_there(self, four):
        svg = field_chart(
            four, system="us", swath_m=18.288, manner="back_and_forth", half_width_m=30.0
        )
        root = ET.fromstring(svg)
        for name in (
            "sw-total",
            "sw-line",
            "sw-line-other",
            "sw-under-tint",
            "sw-under-hatch",
            "sw-over-tint",
            "sw-over-hatch",
            "sw-flight-lines",
        ):
            paths = [e for e in with_class(root, name) if e.tag == f"{SVG}path"]
            assert len(paths) == 1, name
        assert root.get("data-manner") == "back_and_forth"
        assert float(root.get("data-swath")) == pytest.approx(18.288)
        assert (float(root.get("data-xmin")), float(root.get("data-xmax"))) == (-30.0, 30.0)
        assert float(root.get("data-ymax")) == 200.0

    def test_a_picture_for_a_slider_keeps_its_axes_and_says_nothing_that_goes_stale(self, four):
        roots = [
            ET.fromstring(
                field_chart(four, system="us", swath_m=swath_m, manner="one_way", half_width_m=30.0)
            )
            for swath_m in (12.0, 24.0)
        ]
        for key in ("data-xmin", "data-xmax", "data-ymin", "data-ymax", "data-x0", "data-x1"):
            assert roots[0].get(key) == roots[1].get(key)
        for root in roots:
            heading = with_class(root, "sw-heading")
            assert [e.text for e in heading] == ["Field at the chosen swath"]
            assert not with_class(root, "sw-summary")

    @pytest.mark.parametrize("plot_height", [60.0, 75.0, 100.0, 140.0, 220.0])
    def test_levels_along_the_side_stand_clear_of_one_another(self, four, plot_height):
        size = replace(PAPER, plot_height=plot_height)
        svg = field_chart(four, system="us", swath_m=18.288, manner="one_way", size=size)
        levels = [
            one for one in with_class(ET.fromstring(svg), "sw-tick") if float(one.get("x")) < 60.0
        ]
        assert {"80", "120"} <= {one.text for one in levels}
        assert ("100" in {one.text for one in levels}) == (plot_height >= 140.0)
        height = sorted(float(one.get("y")) for one in levels)
        assert min(b - a for a, b in pairwise(height)) >= 12.0

    def test_the_sum_is_drawn_where_it_is(self, four):
        root = ET.fromstring(field_chart(four, system="us", swath_m=18.288, manner="one_way"))
        scales = Scales(root)
        field = field_geometry(four.pattern, 18.288, "one_way")
        (total,) = [e for e in with_class(root, "sw-total") if e.tag == f"{SVG}path"]
        points = numbers(total.get("d"))
        expected = np.interp(scales.x(points[:, 0]), field.position_m, field.total_percent)
        assert np.max(np.abs(scales.y(points[:, 1]) - expected)) < 1.5

    def test_hatched_areas_lie_on_the_right_side_of_their_level(self, four):
        root = ET.fromstring(field_chart(four, system="us", swath_m=26.0, manner="one_way"))
        scales = Scales(root)
        (under,) = [e for e in with_class(root, "sw-under-hatch") if e.tag == f"{SVG}path"]
        (over,) = [e for e in with_class(root, "sw-over-hatch") if e.tag == f"{SVG}path"]
        assert scales.y(numbers(under.get("d"))[:, 1]).max() <= 80.1
        assert scales.y(numbers(over.get("d"))[:, 1]).min() >= 119.9

    def test_findings_are_turned_over_on_the_way_back(self, four):
        def places(manner):
            root = ET.fromstring(field_chart(four, system="metric", swath_m=18.288, manner=manner))
            scales = Scales(root)
            brackets = with_class(root, "sw-low-bracket")
            return sorted(
                scales.x(float(re.match(r"M(-?[\d.]+)", e.get("d"))[1])) for e in brackets
            )

        # The low zone begins 1.0 m right of a line flown out, and 3.2 m left of one flown back.
        assert places("one_way") == pytest.approx([-18.288 + 1.0, 1.0, 18.288 + 1.0], abs=0.1)
        assert places("back_and_forth") == pytest.approx(
            [-18.288 - 3.2, 1.0, 18.288 - 3.2], abs=0.1
        )


class TestTrace:
    def test_saturated_and_remarks_are_marked(self):
        trace, prepared, step_m = sample_trace()
        root = ET.fromstring(trace_chart(trace, prepared, step_m=step_m, system="metric"))
        assert with_class(root, "sw-saturated")
        assert len(with_class(root, "sw-remark-bracket")) == 2
        texts = " ".join(e.text for e in root.iter(f"{SVG}text")).replace("\u00a0", " ")
        assert "The reading dropped out from 6.5 to 7.3 m." in texts

    def test_remarks_are_put_into_the_readers_units(self):
        trace, prepared, step_m = sample_trace()
        svg = trace_chart(
            trace, prepared, step_m=step_m, system="us", say=lambda text: text.upper()
        )
        assert "THE READING DROPPED OUT FROM 6.5 TO 7.3" in svg.replace("\u00a0", " ")

    def test_a_spike_survives_thinning(self):
        trace, *_ = sample_trace(saturated=False)
        position = np.linspace(-20, 20, 20_001)
        reading = np.full(position.size, 50.0)
        reading[12_345] = 900.0
        spiky = replace(
            trace, position_m=position, reading=reading, saturated=np.zeros(position.size, bool)
        )
        root = ET.fromstring(trace_chart(spiky, system="metric"))
        scales = Scales(root)
        (raw,) = [e for e in with_class(root, "sw-raw") if e.tag == f"{SVG}path"]
        points = numbers(raw.get("d"))
        assert scales.y(points[:, 1]).max() == pytest.approx(900.0, abs=3)
        assert len(points) < 2000

    def test_missing_readings_leave_a_gap(self):
        trace, *_ = sample_trace(saturated=False)
        reading = trace.reading.copy()
        reading[200:220] = np.nan
        root = ET.fromstring(trace_chart(replace(trace, reading=reading), system="us"))
        (raw,) = [e for e in with_class(root, "sw-raw") if e.tag == f"{SVG}path"]
        assert raw.get("d").count("M") == 2

    def test_no_deposit_found(self):
        trace, prepared, step_m = sample_trace()
        empty = replace(
            prepared,
            deposit=np.zeros_like(prepared.deposit),
            extent_m=(math.nan, math.nan),
            centre_m=math.nan,
            left_share=math.nan,
        )
        svg = trace_chart(trace, empty, step_m=step_m, system="us")
        assert not re.search(r"\bnan\b", svg)


class TestBoom:
    def test_nozzles_stand_to_scale(self):
        svg = boom_sketch(
            [NozzlePlace(-3.0), NozzlePlace(0.0), NozzlePlace(3.0, False)],
            boom_width_m=8.0,
            span_m=10.0,
            system="metric",
        )
        root = ET.fromstring(svg)
        tip = [
            float(re.search(r"L(-?[\d.]+),", e.get("d"))[1])
            for e in [*with_class(root, "sw-nozzle"), *with_class(root, "sw-nozzle-off")]
        ]
        scale = (WIDE.width / 2 - 16) / 5.0
        middle = WIDE.width / 2
        assert tip == pytest.approx([middle - 3 * scale, middle, middle + 3 * scale], abs=0.1)
        assert "80 % of the wingspan of 10 m" in svg.replace("\u00a0", " ")
        assert "1 left of the middle, 1 in the middle, 1 right of it" in svg

    def test_nothing_on_the_boom_yet(self):
        svg = boom_sketch([], boom_width_m=8.0, span_m=10.0, system="us")
        assert "0 nozzles" in svg.replace("\u00a0", " ")

    @pytest.mark.parametrize(("boom", "span"), [(0.0, 10.0), (8.0, -1.0), (math.nan, 10.0)])
    def test_impossible_widths_are_refused(self, boom, span):
        with pytest.raises(InputError, match=r"boom width|span"):
            boom_sketch([], boom_width_m=boom, span_m=span, system="us")


def luminance(colour):
    """WCAG 2.2, relative luminance."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    """WCAG 2.2, contrast ratio."""
    bright, dim = sorted((luminance(one), luminance(other)), reverse=True)
    return (bright + 0.05) / (dim + 0.05)


class TestThemes:
    # WCAG 2.2, success criteria 1.4.3 (text 4.5:1), 1.4.6 (7:1) and 1.4.11 (graphics 3:1).
    @pytest.mark.parametrize(("theme", "page"), [(LIGHT, "#ffffff"), (DARK, "#14191f")])
    def test_contrast(self, theme, page):
        assert contrast(theme["ink"], page) >= 7
        for name in ("muted", "blue", "rust", "violet"):
            assert contrast(theme[name], page) >= 4.5, name
        for name in ("pass", "rule", "sand"):
            assert contrast(theme[name], page) >= 3, name

    def test_stylesheet_recolours_every_coloured_class(self):
        css = stylesheet(DARK)
        for name, given in CLASSES.items():
            coloured = any(value.startswith("@") for value in given.values())
            assert (f".{name}{{" in css) is coloured
        assert not set(re.findall(r"#[0-9a-f]{6}", css)) & set(LIGHT.values())

    def test_drawn_classes_are_documented(self, four):
        known = {*CLASSES, "sw-chart", "sw-flags", "sw-directions", "sw-back-and-forth-band"}
        known |= {"sw-under-hatch", "sw-over-hatch"}
        known |= {f"sw-{kind}" for kind in ("passes", "cv", "field", "trace", "spark")}
        known |= {"sw-boom-sketch"}
        for kind in KINDS:
            for names in re.findall(r'class="([^"]+)"', draw(kind, four, "us", WIDE)):
                assert set(names.split()) <= known
