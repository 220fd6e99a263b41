"""Wet bulb and Delta T against a published-method table, and the guidance in words."""

import math

import psychrolib
import pytest

from patterns.errors import InputError
from patterns.weather import (
    AUSTRALIAN_GUIDANCE,
    METHOD,
    delta_t_c,
    judge_delta_t,
    standard_pressure_kpa,
    wet_bulb_c,
)

HUMIDITY = (20, 30, 40, 50, 60, 70, 80, 90)
# Computed with PsychroLib 2.5.0 (ASHRAE Fundamentals 2017, ch. 1) at 101,325 Pa: Delta T [°C].
TABLE = {
    10: (7.47, 6.44, 5.44, 4.46, 3.52, 2.60, 1.71, 0.84),
    15: (9.05, 7.76, 6.52, 5.33, 4.18, 3.08, 2.02, 0.99),
    20: (10.73, 9.15, 7.64, 6.22, 4.86, 3.56, 2.32, 1.14),
    25: (12.49, 10.58, 8.79, 7.11, 5.53, 4.03, 2.62, 1.28),
    30: (14.30, 12.03, 9.94, 7.99, 6.19, 4.50, 2.91, 1.41),
    35: (16.13, 13.48, 11.07, 8.86, 6.83, 4.94, 3.19, 1.54),
    40: (17.97, 14.91, 12.17, 9.69, 7.44, 5.37, 3.45, 1.67),
}


def stull_wet_bulb_c(t, rh):
    """Stull (2011), J. Appl. Meteor. Climatol. 50:2267-2269, an independent method."""
    return (
        t * math.atan(0.151977 * math.sqrt(rh + 8.313659))
        + math.atan(t + rh)
        - math.atan(rh - 1.676331)
        + 0.00391838 * rh**1.5 * math.atan(0.023101 * rh)
        - 4.686035
    )


class TestDeltaT:
    @pytest.mark.parametrize(
        ("temperature", "humidity", "expected"),
        [
            (t, rh, value)
            for t, row in TABLE.items()
            for rh, value in zip(HUMIDITY, row, strict=True)
        ],
    )
    def test_all_cells_of_the_table(self, temperature, humidity, expected):
        assert delta_t_c(temperature, humidity) == pytest.approx(expected, abs=0.0051 + 0.001)

    # Stull states errors of -1 to +0.65 °C against its own reference (abstract); against ASHRAE's
    # wet bulb the hottest dry cells reach 0.83 °C, so a degree either way is asked for here.
    @pytest.mark.parametrize("temperature", TABLE)
    @pytest.mark.parametrize("humidity", HUMIDITY)
    def test_near_an_independent_method(self, temperature, humidity):
        stull = stull_wet_bulb_c(temperature, humidity)
        assert abs(stull - wet_bulb_c(temperature, humidity)) <= 1.0

    # Computed from Stull's formula, 13.69934; the paper's own example, 13.7 °C, is from memory.
    def test_stull_formula_is_typed_right(self):
        assert stull_wet_bulb_c(20.0, 50.0) == pytest.approx(13.69934, abs=5e-6)

    def test_saturated_air(self):
        assert delta_t_c(18.0, 100.0) == pytest.approx(0.0, abs=2e-3)
        assert delta_t_c(18.0, 100.0) >= 0.0

    def test_thin_air_cools_the_wet_bulb_more(self):
        assert delta_t_c(30.0, 30.0, standard_pressure_kpa(1500.0)) > delta_t_c(30.0, 30.0)

    # ASHRAE Fundamentals (2017), ch. 1, table 1: 1000 m, 89.874 kPa; from memory.
    def test_standard_pressure(self):
        assert standard_pressure_kpa(0.0) == pytest.approx(101.325)
        assert standard_pressure_kpa(1000.0) == pytest.approx(89.874, abs=0.005)

    def test_method_is_named(self):
        assert "ASHRAE" in METHOD
        assert "PsychroLib" in METHOD

    @pytest.mark.parametrize(
        ("arguments", "named"),
        [
            ((75.0, 50.0), "air temperature"),
            ((25.0, 0.5), "relative humidity"),
            ((25.0, 101.0), "relative humidity"),
            ((25.0, math.nan), "relative humidity"),
            ((25.0, 50.0, 101325.0), "air pressure"),
        ],
    )
    def test_impossible_input_is_named(self, arguments, named):
        with pytest.raises(InputError, match=named):
            delta_t_c(*arguments)


class TestSharedLibrary:
    @pytest.mark.parametrize("system", [psychrolib.IP, psychrolib.SI])
    def test_unit_system_of_others_is_neither_used_nor_changed(self, system):
        before = psychrolib.GetUnitSystem()
        try:
            psychrolib.SetUnitSystem(system)
            assert delta_t_c(30.0, 50.0) == pytest.approx(7.99, abs=0.01)
            assert psychrolib.GetUnitSystem() is system
        finally:
            if before is not None:
                psychrolib.SetUnitSystem(before)


class TestGuidance:
    # Seen: T. Wolf, sprayers101.com/delta-t: 2 to 8 ideal by Australian guidance.
    def test_data_as_published(self):
        assert (AUSTRALIAN_GUIDANCE.low_c, AUSTRALIAN_GUIDANCE.high_c) == (2.0, 8.0)
        assert "sprayers101.com/delta-t" in AUSTRALIAN_GUIDANCE.source

    @pytest.mark.parametrize(
        ("value", "code"),
        [
            (1.2, "delta_t_below"),
            (2.0, "delta_t_inside"),
            (5.0, "delta_t_inside"),
            (8.0, "delta_t_inside"),
            (9.5, "delta_t_above"),
        ],
    )
    def test_words(self, value, code):
        remark = judge_delta_t(value)
        assert remark.code == code
        assert remark.weight == "note"
        assert "sprayers101.com/delta-t" in remark.text

    # Methods put 30 °C and 50 % at 7.70, 7.99 and 8.17 °C: on both sides of the edge.
    @pytest.mark.parametrize("value", [7.70, 7.99, 8.17])
    def test_the_straddling_case_is_called_close(self, value):
        assert "close to the edge at 8 °C" in judge_delta_t(value).text

    @pytest.mark.parametrize("value", [1.2, 5.0, 9.5])
    def test_clear_cases_are_not(self, value):
        assert "close to the edge" not in judge_delta_t(value).text

    def test_negative_is_refused(self):
        with pytest.raises(InputError, match="Delta T"):
            judge_delta_t(-0.1)
