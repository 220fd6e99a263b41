"""Wet bulb and Delta T of the air at a test, and what guidance says of Delta T.

The wet bulb is the thermodynamic one of the ASHRAE Handbook, Fundamentals (2017), chapter 1,
equations 33 and 35, as PsychroLib solves them. Other methods (Stull 2011; a pseudo-adiabat) differ
from it by up to about 1.2 °C, so a report names this one: see `METHOD`.
"""

from __future__ import annotations

import importlib.util
import math
from dataclasses import dataclass
from types import ModuleType
from typing import Any

from patterns.data import load
from patterns.errors import InputError
from patterns.remarks import Remark

__all__ = [
    "AUSTRALIAN_GUIDANCE",
    "METHOD",
    "SEA_LEVEL_KPA",
    "DeltaTGuidance",
    "delta_t_c",
    "judge_delta_t",
    "standard_pressure_kpa",
    "wet_bulb_c",
]

METHOD = "ASHRAE wet bulb (PsychroLib)"
SEA_LEVEL_KPA = 101.325


def _own_psychrolib() -> ModuleType:
    """Load a copy of PsychroLib that nobody else can see, set to SI.

    PsychroLib keeps its unit system in a variable of its module. Switching the shared module would
    change the answers of whoever else uses it in the process, and be changed by them; a private
    copy, set once, can do neither.
    """
    spec = importlib.util.find_spec("psychrolib")
    if spec is None or spec.loader is None:
        raise ImportError("PsychroLib is not installed; install the locked requirements")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    module.SetUnitSystem(module.SI)
    return module


_PSYCHROLIB = _own_psychrolib()


@dataclass(frozen=True, slots=True)
class DeltaTGuidance:
    """A span of Delta T that a publication calls right for spraying.

    Attributes
    ----------
    name, source : str
        Short name, and where it was read.
    low_c, high_c : float
        The span [°C].
    below, inside, above : str
        What it means to be there, as the end of a sentence.
    edge_c : float
        Values this close to an end of the span are called close to it [°C].
    """

    name: str
    source: str
    low_c: float
    high_c: float
    below: str
    inside: str
    above: str
    edge_c: float


def _guidance(key: str) -> DeltaTGuidance:
    row: dict[str, Any] = load("delta_t")[key]
    return DeltaTGuidance(**{name: row[name] for name in DeltaTGuidance.__slots__})


AUSTRALIAN_GUIDANCE = _guidance("australian_guidance")


def _within(what: str, value: float, low: float, high: float, unit: str) -> float:
    if not (math.isfinite(value) and low <= value <= high):
        raise InputError(what, f"{value!r} {unit} cannot be", f"give {low:g} to {high:g} {unit}")
    return value


def standard_pressure_kpa(elevation_m: float) -> float:
    """Return the pressure of the standard atmosphere at an elevation [kPa].

    Parameters
    ----------
    elevation_m : float
        Elevation above sea level [m], −500 to 5000.

    Raises
    ------
    InputError
        Outside that range.

    Notes
    -----
    ASHRAE Handbook, Fundamentals (2017), chapter 1, equation 3.
    """
    elevation = _within("elevation", elevation_m, -500.0, 5000.0, "m")
    return float(_PSYCHROLIB.GetStandardAtmPressure(elevation)) / 1000.0


def wet_bulb_c(
    temperature_c: float, humidity_percent: float, pressure_kpa: float = SEA_LEVEL_KPA
) -> float:
    """Return the thermodynamic wet-bulb temperature [°C].

    Parameters
    ----------
    temperature_c : float
        Dry-bulb temperature [°C], −40 to 60.
    humidity_percent : float
        Relative humidity [%], 1 to 100.
    pressure_kpa : float
        Air pressure at the place (not reduced to sea level) [kPa], 50 to 110.

    Raises
    ------
    InputError
        Outside those ranges.

    Notes
    -----
    ASHRAE Handbook, Fundamentals (2017), chapter 1, equations 33 and 35; bisection to 0.001 °C.
    """
    temperature = _within("air temperature", temperature_c, -40.0, 60.0, "°C")
    humidity = _within("relative humidity", humidity_percent, 1.0, 100.0, "%")
    pressure = _within("air pressure", pressure_kpa, 50.0, 110.0, "kPa")
    return float(
        _PSYCHROLIB.GetTWetBulbFromRelHum(temperature, humidity / 100.0, pressure * 1000.0)
    )


def delta_t_c(
    temperature_c: float, humidity_percent: float, pressure_kpa: float = SEA_LEVEL_KPA
) -> float:
    """Return Delta T, dry bulb less wet bulb [°C], 0 or more; see `wet_bulb_c` for the inputs."""
    wet = wet_bulb_c(temperature_c, humidity_percent, pressure_kpa)
    return max(0.0, temperature_c - wet)


def judge_delta_t(value_c: float, guidance: DeltaTGuidance = AUSTRALIAN_GUIDANCE) -> Remark:
    """Say in a sentence where a Delta T stands against guidance.

    Parameters
    ----------
    value_c : float
        Delta T [°C], 0 to 60.
    guidance : DeltaTGuidance
        The span and its words.

    Returns
    -------
    Remark
        Always of weight "note": guidance for spraying days, no limit for a pattern test. Codes:
        ``delta_t_below``, ``delta_t_inside``, ``delta_t_above``.

    Raises
    ------
    InputError
        For a value outside the range.
    """
    value = _within("Delta T", value_c, 0.0, 60.0, "°C")
    where = "below" if value < guidance.low_c else "above" if value > guidance.high_c else "inside"
    words = {"below": guidance.below, "inside": guidance.inside, "above": guidance.above}[where]
    text = (
        f"Delta T {value:.1f} °C is {where} the {guidance.low_c:g} to {guidance.high_c:g} °C of "
        f"{guidance.name}: {words} ({guidance.source})."
    )
    near = min((guidance.low_c, guidance.high_c), key=lambda edge: abs(edge - value))
    if abs(near - value) <= guidance.edge_c:
        text += (
            f" It is close to the edge at {near:g} °C; another way of working out the wet bulb "
            "may put it on the other side."
        )
    return Remark(f"delta_t_{where}", text, "note")
