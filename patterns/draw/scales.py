"""Axes: even ticks at round numbers, and lengths in the reader's units."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from patterns.errors import InputError
from patterns.units import from_si, to_si

Floats = NDArray[np.float64]
System = Literal["us", "metric"]


def length_unit(system: System) -> str:
    """Return the unit of lengths across the field: "ft" or "m".

    Raises
    ------
    InputError
        For a system that is neither "us" nor "metric".
    """
    if system not in ("us", "metric"):
        raise InputError("unit system", f"{system!r} is not known", "use 'us' or 'metric'")
    return "ft" if system == "us" else "m"


def length_words(value_m: float, system: System, *, unit: bool = True) -> str:
    """Write a length with the digits people use: whole feet or tenths of a metre where needed."""
    shown = from_si(value_m, length_unit(system))
    tenths = f"{shown:.1f}"
    text = tenths[:-2] if tenths.endswith(".0") or abs(shown) >= 100 else tenths
    text = "0" if text == "-0" else text.replace("-", "−")
    return f"{text} {length_unit(system)}" if unit else text


def span_words(from_m: float, to_m: float, system: System) -> str:
    """Say where a stretch lies from the flight line: "9 to 14 ft right of the flight line"."""

    def figure(value_m: float) -> str:
        return f"{abs(from_si(value_m, length_unit(system))):.{0 if system == 'us' else 1}f}"

    unit = length_unit(system)
    if from_m < 0.0 < to_m:
        return f"{figure(from_m)} {unit} left to {figure(to_m)} {unit} right of the flight line"
    near, far = sorted((from_m, to_m), key=abs)
    side = "left" if from_m + to_m < 0.0 else "right"
    return f"{figure(near)} to {figure(far)} {unit} {side} of the flight line"


def nice_step(span: float, most: int) -> float:
    """Return the smallest of 1, 2, 5 × 10^k that divides a span into at most `most` parts."""
    raw = span / max(1, most)
    power = 10.0 ** math.floor(math.log10(raw))
    for factor in (1.0, 2.0, 5.0):
        if factor * power >= raw * (1.0 - 1e-9):
            return factor * power
    return 10.0 * power


def nice_ticks(low: float, high: float, most: int) -> list[float]:
    """Return the round numbers within a range, at most about `most` of them."""
    step = nice_step(high - low, most)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [round(index * step, 10) + 0.0 for index in range(first, last + 1)]


def tick_text(value: float, step: float) -> str:
    """Write a tick with no more decimals than its step needs, and a real minus sign."""
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    return f"{value:,.{decimals}f}".replace("-", "−").replace(",", "\u2009")


def length_ticks_m(
    low_m: float, high_m: float, most: int, system: System
) -> list[tuple[float, str]]:
    """Return ticks at round feet or metres, as places in metres with their texts."""
    unit = length_unit(system)
    low, high = from_si(low_m, unit), from_si(high_m, unit)
    ticks = nice_ticks(low, high, most)
    step = nice_step(high - low, most)
    return [(to_si(tick, unit), tick_text(tick, step)) for tick in ticks]


@dataclass(frozen=True, slots=True)
class Plot:
    """The rectangle of a chart and what its edges stand for.

    Attributes
    ----------
    left, top, right, bottom : float
        Pixels.
    x_min, x_max, y_min, y_max : float
        Values at the edges; y_min lies at the bottom.
    """

    left: float
    top: float
    right: float
    bottom: float
    x_min: float
    x_max: float
    y_min: float
    y_max: float

    def px(self, x: float) -> float:
        """Turn one value across into pixels."""
        return self.left + (x - self.x_min) * (self.right - self.left) / (self.x_max - self.x_min)

    def py(self, y: float) -> float:
        """Turn one value upward into pixels."""
        return self.bottom - (y - self.y_min) * (self.bottom - self.top) / (self.y_max - self.y_min)

    def pxs(self, x: Floats) -> Floats:
        """Turn values across into pixels."""
        return np.asarray(
            self.left + (x - self.x_min) * ((self.right - self.left) / (self.x_max - self.x_min))
        )

    def pys(self, y: Floats) -> Floats:
        """Turn values upward into pixels, cut off a little beyond the plot."""
        height = self.bottom - self.top
        pixels = self.bottom - (y - self.y_min) * (height / (self.y_max - self.y_min))
        return np.clip(pixels, self.top - height, self.bottom + height)
