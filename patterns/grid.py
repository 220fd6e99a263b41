"""The even grid across the flight line on which every pass is laid."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from patterns.errors import InputError

FINEST_STEP_M: Final = 0.005
"""No grid is finer than this [m]: five millimetres is below what any string reader resolves."""

_TICK_M: Final = 1e-4  # swaths are told apart to 0.1 mm, in which a foot is exactly 3048
_LARGEST_COUNT: Final = 200_000


@dataclass(frozen=True, slots=True)
class Grid:
    """Evenly spaced places, symmetric about the flight line.

    Parameters
    ----------
    step_m : float
        Distance of neighbouring places [m], > 0.
    half_count : int
        Places on each wing, >= 1; the grid has M = 2 · half_count + 1 of them.
    """

    step_m: float
    half_count: int

    @property
    def size(self) -> int:
        """Number of places M."""
        return 2 * self.half_count + 1

    @property
    def centre_index(self) -> int:
        """Index of the flight line."""
        return self.half_count

    @property
    def position_m(self) -> NDArray[np.float64]:
        """(M,) places [m], left wing negative, exactly 0 at the flight line."""
        return self.step_m * np.arange(-self.half_count, self.half_count + 1, dtype=np.float64)


def common_step_m(swaths_m: Iterable[float]) -> float:
    """Longest step that divides every swath exactly.

    Parameters
    ----------
    swaths_m : iterable of float
        Swaths [m], > 0, each a whole number of 0.1 mm.

    Returns
    -------
    float
        Greatest common divisor [m].

    Raises
    ------
    InputError
        Where there is no swath, or one is not positive, not finite or finer than 0.1 mm.
    """
    ticks: list[int] = []
    for swath_m in swaths_m:
        count = swath_m / _TICK_M if math.isfinite(swath_m) else 0.0
        if round(count) < 1 or abs(count - round(count)) > 1e-3:
            raise InputError(
                "swaths",
                f"{swath_m:.10g} m is not a positive whole number of 0.1 mm",
                "give swaths such as 18.3 m, or 18.288 m for 60 ft",
            )
        ticks.append(round(count))
    if not ticks:
        raise InputError("swaths", "there is none", "give at least one swath in metres")
    return math.gcd(*ticks) * _TICK_M


def grid_for(swaths_m: Iterable[float], extent_m: float, coarsest_step_m: float = 0.1) -> Grid:
    """Grid whose step divides every swath exactly, so that no swath needs rounding.

    The step is the greatest common divisor of the swaths, divided by the smallest whole number
    that brings it down to `coarsest_step_m`.

    Parameters
    ----------
    swaths_m : iterable of float
        Swaths to be swept [m], > 0, each a whole number of 0.1 mm.
    extent_m : float
        Reach of the grid to either side of the flight line [m], > 0.
    coarsest_step_m : float
        Longest step allowed [m], >= 0.005.

    Returns
    -------
    Grid
        Reaches at least one step beyond `extent_m` on both wings.

    Raises
    ------
    InputError
        Where no such step is at least 5 mm long, or a value is out of its range.
    """
    if not (math.isfinite(extent_m) and extent_m > 0):
        raise InputError("extent", f"{extent_m} m is not a length", "give a positive length")
    if not coarsest_step_m >= FINEST_STEP_M:
        raise InputError(
            "grid step", f"{coarsest_step_m} m is too fine", f"give at least {FINEST_STEP_M} m"
        )
    common_m = common_step_m(swaths_m)
    step_m = common_m / max(1, math.ceil(common_m / coarsest_step_m - 1e-9))
    if step_m < FINEST_STEP_M:
        raise InputError(
            "swaths",
            f"the longest step that divides all of them is {1000 * common_m:.4g} mm",
            "sweep in steps that share a divisor of at least 5 mm, such as 0.5 m or 0.3048 m",
        )
    half_count = math.ceil(extent_m / step_m) + 1
    if half_count > _LARGEST_COUNT:
        raise InputError(
            "extent", f"{extent_m:.6g} m at steps of {step_m:.4g} m is too much", "shorten it"
        )
    return Grid(step_m=step_m, half_count=half_count)
