"""Numbers for people: the unit by the reader's system, and a sensible number of digits.

SI comes in, words go out; the factors are those of `patterns.units`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Literal, NamedTuple

from patterns.units import from_si, to_si

System = Literal["us", "metric"]


class Shown(NamedTuple):
    """A unit and the digits behind the point that make sense in it."""

    unit: str
    digits: int


# quantity: how US customary and metric readers see it
SHOWN: Mapping[str, Mapping[str, Shown]] = {
    "swath": {"us": Shown("ft", 1), "metric": Shown("m", 1)},
    "length": {"us": Shown("ft", 1), "metric": Shown("m", 1)},
    "way": {"us": Shown("mi", 0), "metric": Shown("km", 0)},
    "place": {"us": Shown("ft", 2), "metric": Shown("m", 2)},
    "height": {"us": Shown("ft", 0), "metric": Shown("m", 1)},
    "airspeed": {"us": Shown("mph", 0), "metric": Shown("km/h", 0)},
    "wind": {"us": Shown("mph", 1), "metric": Shown("m/s", 1)},
    "pressure": {"us": Shown("psi", 0), "metric": Shown("kPa", 0)},
    "rate": {"us": Shown("gal/acre", 1), "metric": Shown("L/ha", 1)},
    "flow": {"us": Shown("gal/min", 1), "metric": Shown("L/min", 1)},
    "temperature": {"us": Shown("°F", 0), "metric": Shown("°C", 1)},
    "temperature_step": {"us": Shown("°F", 1), "metric": Shown("°C", 1)},
}
NOTHING = "–"

# Units that sentences of `patterns` carry, and the quantity each stands for.
_SAID = {
    "m": "length",
    "m/s": "wind",
    "km/h": "airspeed",
    "L/ha": "rate",
    "kPa": "pressure",
    "°C": "temperature",
}
_NUMBER_WITH_UNIT = re.compile(
    r"(?P<sign>[-−+]?)(?P<number>\d+(?:\.\d+)?)"
    r"(?P<range> to [-−+]?\d+(?:\.\d+)?)? (?P<unit>m/s|km/h|L/ha|kPa|°C|m)(?![\w/²³])"
)
# Where a sentence says both, as beside limits that were printed in one of them: "2.5 m/s (6 mph)".
_SAID_TWICE = re.compile(r"\d+(?:\.\d+)? (?:m/s|km/h|m) \((?P<ours>\d+(?:\.\d+)? (?:mph|ft))\)")


def unit_of(quantity: str, system: str) -> str:
    """Return the unit that a reader of `system` sees for a quantity."""
    return SHOWN[quantity][system].unit


def number(value: float | None, quantity: str, system: str) -> str:
    """Return a value in SI as the reader's number, without its unit; "–" for nothing."""
    if value is None or not math.isfinite(value):
        return NOTHING
    unit, digits = SHOWN[quantity][system]
    seen = value * 1.8 if unit == "°F" and quantity == "temperature_step" else from_si(value, unit)
    text = f"{seen:.{digits}f}"
    if quantity in ("swath", "length") and "." in text:
        text = text.rstrip("0").rstrip(".")  # "60 ft", not "60.0 ft"
    return "0" if text in ("-0", "") else text.replace("-", "−")


def show(value: float | None, quantity: str, system: str) -> str:
    """Return a value in SI as the reader's number with its unit; "–" for nothing."""
    text = number(value, quantity, system)
    return text if text == NOTHING else f"{text} {unit_of(quantity, system)}"


def beside(value: float | None, quantity: str, system: str) -> str:
    """Return a place across the flight line as the pilot says it: "0.8 ft right".

    Left of the line is negative, as everywhere; what rounds to nothing is "on the line".
    """
    text = number(value, quantity, system)
    if text == NOTHING:
        return text
    if not float(text.replace("−", "-")):
        return "on the line"
    side = "left" if text.startswith("−") else "right"
    return f"{text.removeprefix('−')} {unit_of(quantity, system)} {side}"


def entered(value: float, quantity: str, system: str) -> float:
    """Return what a reader of `system` typed, in SI."""
    return float(to_si(value, unit_of(quantity, system)))


def prefilled(value: float, quantity: str, system: str) -> float:
    """Return a value in SI as the number to stand in the reader's form field."""
    unit, digits = SHOWN[quantity][system]
    seen = round(float(from_si(value, unit)), digits + 1)
    return int(seen) if seen.is_integer() else seen  # "60" in the field, not "60.0"


def said(text: str, system: str) -> str:
    """Return a sentence of `patterns`, whose numbers are metric, in the reader's units."""
    if system == "metric":
        return text
    # Delta T is a difference of temperatures, and so are the bounds that it is held against.
    degrees = "temperature_step" if "Delta T" in text else "temperature"
    text = _SAID_TWICE.sub(lambda match: match["ours"], text)
    return _NUMBER_WITH_UNIT.sub(lambda match: _reworded(match, system, degrees), text)


def _reworded(match: re.Match[str], system: str, degrees: str) -> str:
    quantity = degrees if match["unit"] == "°C" else _SAID[match["unit"]]
    words = [match["sign"] + match["number"]]
    if match["range"]:
        words.append(match["range"].removeprefix(" to "))
    seen = [_renumbered(one, match["unit"], quantity, system) for one in words]
    return f"{' to '.join(seen)} {unit_of(quantity, system)}"


def _renumbered(text: str, unit: str, quantity: str, system: str) -> str:
    value = float(text.replace("−", "-"))
    plus = "+" if text.startswith("+") else ""
    return plus + number(to_si(value, unit) if unit == "km/h" else value, quantity, system)
