"""Units against exact definitions, a reference library and printed figures."""

from fractions import Fraction

import numpy as np
import pytest
import scipy.constants as reference
from hypothesis import given
from hypothesis import strategies as st

from patterns.errors import InputError
from patterns.units import UNITS, from_si, names_of, to_si

# Exact definitions: NIST Special Publication 811, appendix B, by way of scipy.constants.
LIBRARY = [
    ("ft", reference.foot),
    ("in", reference.inch),
    ("µm", reference.micron),
    ("km/h", reference.kmh),
    ("mph", reference.mph),
    ("kt", reference.knot),
    ("acre", reference.acre / reference.hectare),
    ("gal", reference.gallon / reference.liter),
    ("floz", reference.fluid_ounce / reference.liter),
    ("gal/min", reference.gallon / reference.liter),
    ("gal/acre", reference.gallon / reference.liter / (reference.acre / reference.hectare)),
    ("psi", reference.psi / reference.kilo),
    ("bar", reference.bar / reference.kilo),
]


@pytest.mark.parametrize(("unit", "factor"), LIBRARY)
def test_factor_is_the_reference_librarys(unit: str, factor: float) -> None:
    assert to_si(1.0, unit) == pytest.approx(factor, rel=1e-15)


def test_us_gallon_per_acre_is_9_35396_litres_per_hectare() -> None:
    # Exact link 9.35396 L/ha; handbook pages print 9.35.
    assert to_si(1.0, "gal/acre") == pytest.approx(9.35396, abs=5e-6)
    exact = Fraction("3.785411784") / Fraction("0.40468564224")
    assert to_si(1.0, "gal/acre") == float(exact)


def test_mile_per_hour_is_1_609344_kilometres_per_hour() -> None:
    # International mile of 1959: 1609.344 m exactly.
    assert from_si(to_si(1.0, "mph"), "km/h") == pytest.approx(1.609344, rel=1e-15)


def test_128_fluid_ounces_make_a_gallon_and_43560_square_feet_an_acre() -> None:
    assert to_si(128.0, "floz") == pytest.approx(to_si(1.0, "gal"), rel=1e-15)
    assert to_si(128.0, "floz/acre") == pytest.approx(to_si(1.0, "gal/acre"), rel=1e-15)
    assert to_si(43_560 * 0.3048**2, "m2") == pytest.approx(to_si(1.0, "acre"), rel=1e-15)


def test_work_rate_of_a_printed_chart() -> None:
    # US Army TM 5-3740-218-13&P, acre/swath chart: acres/min = mph × swath_ft × 0.0020202.
    ha_per_min = to_si(110.0, "mph") * 60 * to_si(45.0, "ft") / 10_000
    assert from_si(ha_per_min, "acre") == pytest.approx(10.0, rel=1e-12)


@pytest.mark.parametrize(
    ("fahrenheit", "celsius"), [(32.0, 0.0), (212.0, 100.0), (-40.0, -40.0), (77.0, 25.0)]
)
def test_fixed_points_of_the_temperature_scales(fahrenheit: float, celsius: float) -> None:
    assert to_si(fahrenheit, "°F") == pytest.approx(celsius, abs=1e-12)
    assert from_si(celsius, "F") == pytest.approx(fahrenheit, abs=1e-12)
    assert to_si(celsius, "C") == celsius


@given(unit=st.sampled_from(sorted(UNITS)), value=st.floats(-1e9, 1e9))
def test_there_and_back(unit: str, value: float) -> None:
    assert from_si(to_si(value, unit), unit) == pytest.approx(value, rel=1e-12, abs=1e-9)


def test_arrays_keep_their_shape_and_are_not_changed() -> None:
    feet = np.array([[0.0, 1.0], [10.0, -5.0]])
    metres = to_si(feet, "ft")
    np.testing.assert_allclose(metres, [[0.0, 0.3048], [3.048, -1.524]], rtol=1e-15)
    np.testing.assert_array_equal(feet, [[0.0, 1.0], [10.0, -5.0]])


def test_aliases_are_the_same_unit() -> None:
    assert UNITS["um"] is not None
    assert {UNITS[alias].name for alias in ("um", "µm", "μm")} == {"µm"}
    assert names_of("rate") == ("L/ha", "gal/acre", "floz/acre")


def test_an_unknown_unit_names_the_known_ones() -> None:
    with pytest.raises(InputError) as caught:
        to_si(1.0, "furlong")
    assert str(caught.value).startswith("unit: 'furlong' is not known; known are m, cm, ")
    assert all(unit.name in str(caught.value) for unit in UNITS.values())
