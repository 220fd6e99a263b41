"""Wind components against printed check values, and the wind rule of ASTM E642."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from patterns.errors import InputError
from patterns.units import to_si
from patterns.wind import (
    ASTM_E642,
    Wind,
    angle_to_line_deg,
    judge_test_wind,
    wind_components,
    wind_rule,
)

KNOT = to_si(1.0, "kt")
MPH = to_si(1.0, "mph")


def codes(remarks):
    return [remark.code for remark in remarks]


class TestComponents:
    # Seen: atplquestions.com question 19 and blog.strombotne.com, crosswind tables in whole knots.
    @pytest.mark.parametrize(
        ("speed_kt", "angle_deg", "crosswind_kt"),
        [(20, 30, 10), (25, 40, 16), (15, 50, 11), (40, 20, 14), (10, 70, 9)],
    )
    def test_crosswind_as_printed(self, speed_kt, angle_deg, crosswind_kt):
        parts = wind_components(speed_kt * KNOT, 90 + angle_deg, 90)
        # The table cuts to whole knots in some cells and rounds in others: within one knot.
        assert parts.crosswind_m_s / KNOT == pytest.approx(crosswind_kt, abs=0.6)

    # Seen, the same pages: 20 kt at 60° gives the 10 kt headwind asked for.
    def test_headwind_as_printed(self):
        assert wind_components(20 * KNOT, 60, 0).headwind_m_s / KNOT == pytest.approx(10)

    # Seen, the same pages: a 35 kt crosswind limit at 60° is reached at about 40 kt.
    def test_crosswind_limit_as_printed(self):
        assert wind_components(40 * KNOT, 60, 0).crosswind_m_s / KNOT == pytest.approx(35, abs=0.5)

    # Computed: W·sin θ at the limits of the test-wind rule.
    @pytest.mark.parametrize(("angle_deg", "crosswind_mph"), [(20, 3.420), (15, 2.588)])
    def test_crosswind_at_the_rule_limit(self, angle_deg, crosswind_mph):
        parts = wind_components(10 * MPH, angle_deg, 0)
        assert parts.crosswind_m_s / MPH == pytest.approx(crosswind_mph, abs=5e-4)

    def test_signs(self):
        from_right = wind_components(5.0, 90, 0)
        assert from_right.crosswind_m_s == pytest.approx(5.0)
        assert wind_components(5.0, 270, 0).crosswind_m_s == pytest.approx(-5.0)
        assert wind_components(5.0, 360, 0).headwind_m_s == pytest.approx(5.0)
        assert wind_components(5.0, 180, 0).headwind_m_s == pytest.approx(-5.0)

    def test_calm_has_no_components(self):
        parts = wind_components(0.0, 123, 45)
        assert (parts.crosswind_m_s, parts.headwind_m_s) == (0.0, 0.0)

    @given(
        st.floats(0, 30),
        st.floats(0, 360),
        st.floats(0, 360),
    )
    def test_components_rebuild_the_wind(self, speed, from_deg, heading):
        parts = wind_components(speed, from_deg, heading)
        assert math.hypot(parts.crosswind_m_s, parts.headwind_m_s) == pytest.approx(speed)
        assert 0 <= parts.angle_deg <= 90

    @pytest.mark.parametrize(
        ("from_deg", "heading", "angle"),
        [(0, 180, 0), (350, 10, 20), (10, 350, 20), (190, 0, 10), (270, 0, 90), (360, 0, 0)],
    )
    def test_angle_is_taken_either_way_along_the_line(self, from_deg, heading, angle):
        assert angle_to_line_deg(from_deg, heading) == pytest.approx(angle)

    @pytest.mark.parametrize(
        ("speed", "from_deg", "heading", "named"),
        [
            (-1, 0, 0, "wind speed"),
            (math.nan, 0, 0, "wind speed"),
            (1, 361, 0, "wind direction"),
            (1, 0, -5, "heading"),
            (1, math.inf, 0, "wind direction"),
        ],
    )
    def test_impossible_input_is_named(self, speed, from_deg, heading, named):
        with pytest.raises(InputError, match=named):
            wind_components(speed, from_deg, heading)


class TestRule:
    # Seen: ASTM E642-91(R2014), first page.
    def test_data_as_published(self):
        assert to_si(16.0, "km/h") <= ASTM_E642.max_speed_m_s
        assert ASTM_E642.max_speed_m_s == pytest.approx(to_si(10.0, "mph"))
        assert ASTM_E642.max_angle_deg == 20
        assert ASTM_E642.measured_at_m == 2.5
        assert ASTM_E642.into_and_with
        assert "ASTM E642-91(R2014)" in ASTM_E642.source

    def test_unknown_rule_lists_the_known(self):
        with pytest.raises(InputError, match="astm_e642_91"):
            wind_rule("no such rule")

    @pytest.mark.parametrize("speed", [to_si(16.0, "km/h"), to_si(10.0, "mph")])
    def test_both_printed_limits_pass(self, speed):
        remarks = judge_test_wind(Wind(speed, 20, 2.5), 0)
        assert codes(remarks) == ["test_wind_kept"]
        assert remarks[0].weight == "note"

    def test_too_strong_names_limit_and_source(self):
        (remark,) = judge_test_wind(Wind(to_si(10.1, "mph"), 0, 2.5), 0)
        assert remark.code == "test_wind_too_strong"
        assert remark.weight == "warning"
        assert "16 km/h (10 mph)" in remark.text
        assert "ASTM E642-91(R2014)" in remark.text
        assert "4.5 m/s" in remark.text

    @pytest.mark.parametrize(("from_deg", "off"), [(20, False), (21, True), (200, False)])
    def test_angle_to_the_line(self, from_deg, off):
        remarks = judge_test_wind(Wind(3.0, from_deg, 2.5), 0)
        assert ("test_wind_off_line" in codes(remarks)) is off

    def test_strong_and_across_gives_both(self):
        remarks = judge_test_wind(Wind(6.0, 90, 2.5), 0)
        assert codes(remarks) == ["test_wind_too_strong", "test_wind_off_line"]

    def test_calm_asks_for_no_direction(self):
        remarks = judge_test_wind(Wind(0.0, None, 2.5), None, pass_headings_deg=[None])
        assert codes(remarks) == ["test_wind_calm"]

    @pytest.mark.parametrize(
        ("wind", "heading", "missing"),
        [
            (Wind(None, 10, 2.5), 0, "wind speed"),
            (Wind(3.0, None, 2.5), 0, "direction of the wind"),
            (Wind(3.0, 10, 2.5), None, "heading of the line"),
            (Wind(3.0, 10, None), 0, "height"),
        ],
    )
    def test_missing_values_are_never_a_pass(self, wind, heading, missing):
        remarks = judge_test_wind(wind, heading)
        assert codes(remarks) == ["test_wind_not_judged"]
        assert remarks[0].weight == "warning"
        assert missing in remarks[0].text

    def test_a_missing_direction_does_not_hide_a_strong_wind(self):
        remarks = judge_test_wind(Wind(6.0, None, 2.5), 0)
        assert codes(remarks) == ["test_wind_too_strong", "test_wind_not_judged"]

    def test_another_height_is_said(self):
        (remark,) = judge_test_wind(Wind(3.0, 10, 10.0), 0)
        assert remark.code == "test_wind_height"
        assert "10.0 m" in remark.text
        assert "2.5 m" in remark.text

    @pytest.mark.parametrize(
        ("headings", "expected"),
        [
            ([0, 180, 0], "test_wind_kept"),
            ([0, 0, 0], "test_wind_one_direction"),
            ([180, 180], "test_wind_one_direction"),
            ([0, None], "test_wind_not_judged"),
        ],
    )
    def test_into_and_with(self, headings, expected):
        remarks = judge_test_wind(Wind(3.0, 10, 2.5), 0, pass_headings_deg=headings)
        assert codes(remarks) == [expected]

    def test_one_direction_says_which(self):
        (into,) = judge_test_wind(Wind(3.0, 10, 2.5), 0, pass_headings_deg=[5, 8])
        (along,) = judge_test_wind(Wind(3.0, 10, 2.5), 0, pass_headings_deg=[185, 190])
        assert "into the wind" in into.text
        assert "with the wind" in along.text

    def test_sentences_are_whole(self):
        for wind in (Wind(None), Wind(0.0), Wind(6.0, 90, 10.0), Wind(2.0, 5, 2.5)):
            for remark in judge_test_wind(wind, 0, pass_headings_deg=[0]):
                assert remark.text[0].isupper()
                assert remark.text.endswith(".")
