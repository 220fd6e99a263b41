"""From the stains on a card to the drops that made them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from patterns.data import load
from patterns.errors import InputError

__all__ = [
    "NO_SPREAD",
    "WATER_ON_WATER_SENSITIVE",
    "Drops",
    "SpreadFactor",
    "general_spread",
    "spread_factor",
    "spread_factor_names",
    "to_drops",
]

Floats = NDArray[np.float64]

# A factor beyond these is a slip of the pen or in other units than micrometres.
_MOST_A: Final = 100.0
_EXPONENTS: Final = (0.3, 2.0)


@dataclass(frozen=True, slots=True)
class SpreadFactor:
    """How a stain goes over into its drop: D = a·S^b, both in micrometres.

    Attributes
    ----------
    name : for people.
    liquid, paper : what it holds for; another liquid or paper has another one.
    a, b : coefficient [µm^(1 − b)] and exponent.
    valid_from_um, valid_to_um : stains it holds for [µm]; no upper end where None.
    source : where the coefficients come from.
    valid_source : where the range comes from.
    caution : what else to know, a full sentence or nothing.

    Notes
    -----
    The form D = A·S^B, by liquid, collector and dye, is that of USDA Forest Service report
    FPM 94-14 (A. Z. MacNichol, 1994).
    """

    name: str
    liquid: str
    paper: str
    a: float
    b: float
    valid_from_um: float
    valid_to_um: float | None
    source: str
    valid_source: str
    caution: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Drops:
    """Drops of some stains.

    Attributes
    ----------
    diameter_um : (K,) float64, in the order of the stains. [µm]
    outside : (K,) bool, True where the stain lies outside the range of the spread factor.
    """

    diameter_um: Floats
    outside: NDArray[np.bool_]


def spread_factor_names() -> tuple[str, ...]:
    """Keys of ``patterns/data/spread_factors.json``."""
    return tuple(load("spread_factors"))


def spread_factor(key: str) -> SpreadFactor:
    """Return one spread factor of ``patterns/data/spread_factors.json``.

    Raises
    ------
    InputError
        For a key that is not in the table; the message lists those that are.
    """
    table: dict[str, dict[str, Any]] = load("spread_factors")
    if key not in table:
        raise InputError("spread factor", f"{key!r} is not known", f"use one of {sorted(table)}")
    return SpreadFactor(**table[key])


def general_spread(a: float, b: float) -> SpreadFactor:
    """Make a spread factor from two numbers of the analyst's own.

    Parameters
    ----------
    a, b : float
        D = a·S^b in micrometres; a above 0 up to 100, b from 0.3 to 2.

    Raises
    ------
    InputError
        For numbers that cannot be a spread factor.
    """
    low, high = _EXPONENTS
    if not (math.isfinite(a) and 0.0 < a <= _MOST_A):
        raise InputError(
            "spread factor", f"A = {a:g} cannot be", f"give a number above 0 up to {_MOST_A:g}"
        )
    if not (math.isfinite(b) and low <= b <= high):
        raise InputError("spread factor", f"B = {b:g} cannot be", f"give {low:g} to {high:g}")
    return SpreadFactor(
        name=f"{a:g}·S^{b:g}, as given",
        liquid="as given",
        paper="as given",
        a=float(a),
        b=float(b),
        valid_from_um=0.0,
        valid_to_um=None,
        source="given by the analyst",
        valid_source="none was given, so no stain is flagged",
    )


WATER_ON_WATER_SENSITIVE: Final = spread_factor("water_on_water_sensitive")
NO_SPREAD: Final = spread_factor("none")


def to_drops(stain_um: Floats, factor: SpreadFactor = WATER_ON_WATER_SENSITIVE) -> Drops:
    """Turn the diameters of stains into those of the drops that made them.

    Parameters
    ----------
    stain_um : (K,) ndarray of float
        Diameters of the circles with the stains' areas [µm], above 0.
    factor : SpreadFactor
        For this liquid on this paper.

    Returns
    -------
    Drops

    Raises
    ------
    InputError
        For a diameter that is not a number above 0.
    """
    stains = np.asarray(stain_um, dtype=np.float64)
    # Not "<= 0": a diameter that is not a number must not pass.
    if not np.all((stains > 0.0) & (stains < np.inf)):
        raise InputError("stain diameters", "one is not a number above 0", "give micrometres")
    upper = math.inf if factor.valid_to_um is None else factor.valid_to_um
    outside = (stains < factor.valid_from_um) | (stains > upper)
    return Drops(diameter_um=factor.a * stains**factor.b, outside=outside)
