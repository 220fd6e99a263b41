"""The one table of units and their exact factors.

Everything inside is m, m/s, ha, L, L/min, L/ha, kPa and °C (called SI here, though ha, L and min
are only accepted beside it). Conversion happens once, at the edge.

Sources of the exact definitions: international yard and pound agreement of 1959 (1 ft = 0.3048 m,
1 lb = 0.45359237 kg); US gallon = 231 in³ and fluid ounce = 1/128 gal; acre = 43,560 ft²
(international foot); standard gravity 9.80665 m/s² (psi); nautical mile = 1852 m; as listed in
NIST Special Publication 811, appendix B.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from types import MappingProxyType
from typing import overload

import numpy as np
from numpy.typing import NDArray

from patterns.errors import InputError


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit: SI value = (value + offset) × factor."""

    name: str
    quantity: str
    factor: float
    offset: float = 0.0


_FOOT = Fraction("0.3048")  # m
_INCH = _FOOT / 12
_MILE = 5280 * _FOOT
_ACRE = 43_560 * _FOOT**2 / 10_000  # ha
_GALLON = 231 * _INCH**3 * 1000  # L
_FLUID_OUNCE = _GALLON / 128
_PSI = Fraction("0.45359237") * Fraction("9.80665") / _INCH**2 / 1000  # kPa

# (names, the first being the canonical one; quantity; exact factor; offset)
_DEFINITIONS: tuple[tuple[tuple[str, ...], str, Fraction, float], ...] = (
    (("m",), "length", Fraction(1), 0.0),
    (("cm",), "length", Fraction(1, 100), 0.0),
    (("mm",), "length", Fraction(1, 1000), 0.0),
    (("µm", "μm", "um"), "length", Fraction(1, 1_000_000), 0.0),  # micro sign, Greek mu, plain
    (("km",), "length", Fraction(1000), 0.0),
    (("ft",), "length", _FOOT, 0.0),
    (("in",), "length", _INCH, 0.0),
    (("mi",), "length", _MILE, 0.0),
    (("m/s",), "speed", Fraction(1), 0.0),
    (("km/h",), "speed", Fraction(1000, 3600), 0.0),
    (("mph",), "speed", _MILE / 3600, 0.0),
    (("kt",), "speed", Fraction(1852, 3600), 0.0),
    (("ha",), "area", Fraction(1), 0.0),
    (("acre",), "area", _ACRE, 0.0),
    (("m2", "m²"), "area", Fraction(1, 10_000), 0.0),
    (("L",), "volume", Fraction(1), 0.0),
    (("gal",), "volume", _GALLON, 0.0),
    (("floz",), "volume", _FLUID_OUNCE, 0.0),
    (("L/min",), "flow", Fraction(1), 0.0),
    (("gal/min",), "flow", _GALLON, 0.0),
    (("floz/min",), "flow", _FLUID_OUNCE, 0.0),
    (("L/ha",), "rate", Fraction(1), 0.0),
    (("gal/acre",), "rate", _GALLON / _ACRE, 0.0),
    (("floz/acre",), "rate", _FLUID_OUNCE / _ACRE, 0.0),
    (("kPa",), "pressure", Fraction(1), 0.0),
    (("psi",), "pressure", _PSI, 0.0),
    (("bar",), "pressure", Fraction(100), 0.0),
    (("°C", "C"), "temperature", Fraction(1), 0.0),
    (("°F", "F"), "temperature", Fraction(5, 9), -32.0),
)

UNITS: Mapping[str, Unit] = MappingProxyType(
    {
        alias: Unit(names[0], quantity, float(factor), offset)
        for names, quantity, factor, offset in _DEFINITIONS
        for alias in names
    }
)
"""Every known unit by its name and its aliases; `Unit.name` is the canonical one."""


def names_of(quantity: str) -> tuple[str, ...]:
    """Canonical names of the units of one quantity, such as ``"length"``, in table order."""
    return tuple(names[0] for names, of, _, _ in _DEFINITIONS if of == quantity)


def unit_named(name: str) -> Unit:
    """Look a unit up.

    Raises
    ------
    InputError
        When the name is not in the table; the error lists the names that are.
    """
    try:
        return UNITS[name]
    except KeyError:
        known = ", ".join(names[0] for names, *_ in _DEFINITIONS)
        raise InputError("unit", f"'{name}' is not known", f"known are {known}") from None


@overload
def to_si(value: float, unit: str) -> float: ...
@overload
def to_si(value: NDArray[np.float64], unit: str) -> NDArray[np.float64]: ...
def to_si(value: float | NDArray[np.float64], unit: str) -> float | NDArray[np.float64]:
    """Convert a value in `unit` into the unit used inside.

    Parameters
    ----------
    value : float or ndarray of float
        Any shape [unit].
    unit : str
        A key of `UNITS`.

    Returns
    -------
    float or ndarray of float
        Same shape [m, m/s, ha, L, L/min, L/ha, kPa or °C].

    Raises
    ------
    InputError
        When the unit is not known.
    """
    found = unit_named(unit)
    return (value + found.offset) * found.factor


@overload
def from_si(value: float, unit: str) -> float: ...
@overload
def from_si(value: NDArray[np.float64], unit: str) -> NDArray[np.float64]: ...
def from_si(value: float | NDArray[np.float64], unit: str) -> float | NDArray[np.float64]:
    """Convert a value in the unit used inside into `unit`; the inverse of `to_si`."""
    found = unit_named(unit)
    return value / found.factor - found.offset
