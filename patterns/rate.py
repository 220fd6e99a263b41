"""Application rate: flow, airspeed, swath and rate, each from the other three; nozzles.

Everything is SI: L/min, m/s, m, L/ha, kPa; `patterns.units` converts at the edge. The same
arithmetic serves dry material with kg in the place of L. What leaves the aircraft is the
*application* rate; how much of it lands is another matter and is not computed here.

Sources: rate = flow ÷ work rate, US Army TM 5-3740-210-12 (terms, p. 50) and UC Cooperative
Extension (L. Wunderlich, after D. K. Giles). Flow as the square root of pressure: common to all
extension texts. Density factor √SG: Univ. of Nebraska CropWatch 2016, *Setting the sprayer flow
rate for non-water solutions*; Univ. of Georgia (P. E. Sumner), *Spraying solutions other than
water*.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from patterns.errors import InputError

__all__ = [
    "NozzleChoice",
    "airspeed_m_s",
    "area_per_load_ha",
    "choose_nozzles",
    "density_factor",
    "flow_l_min",
    "nozzle_flow_l_min",
    "nozzle_pressure_kpa",
    "rate_l_per_ha",
    "run_area_ha",
    "solution_flow_l_min",
    "swath_m",
    "water_flow_l_min",
    "work_rate_ha_min",
]

_SECONDS_PER_MINUTE = 60.0
_M2_PER_HA = 10_000.0


def _positive(**quantities: float) -> None:
    for name, value in quantities.items():
        if not (math.isfinite(value) and value > 0.0):
            raise InputError(name, f"{value!r} is not a positive number", "give a value above 0")


def work_rate_ha_min(*, airspeed_m_s: float, swath_m: float) -> float:
    """Return the area covered while spraying [ha/min] (airspeed in still air, above 0)."""
    _positive(airspeed_m_s=airspeed_m_s, swath_m=swath_m)
    return airspeed_m_s * _SECONDS_PER_MINUTE * swath_m / _M2_PER_HA


def flow_l_min(*, rate_l_per_ha: float, airspeed_m_s: float, swath_m: float) -> float:
    """Return the flow of the whole boom that gives a rate [L/min].

    Parameters
    ----------
    rate_l_per_ha : float
        Application rate [L/ha], above 0.
    airspeed_m_s : float
        Speed over the ground while spraying [m/s], above 0.
    swath_m : float
        Spacing of neighbouring flight lines [m], above 0.

    Raises
    ------
    InputError
        For a value that is not above 0.
    """
    _positive(rate_l_per_ha=rate_l_per_ha)
    return rate_l_per_ha * work_rate_ha_min(airspeed_m_s=airspeed_m_s, swath_m=swath_m)


def rate_l_per_ha(*, flow_l_min: float, airspeed_m_s: float, swath_m: float) -> float:
    """Return the application rate of a flow [L/ha]; inputs as in `flow_l_min`, all above 0."""
    _positive(flow_l_min=flow_l_min)
    return flow_l_min / work_rate_ha_min(airspeed_m_s=airspeed_m_s, swath_m=swath_m)


def airspeed_m_s(*, flow_l_min: float, rate_l_per_ha: float, swath_m: float) -> float:
    """Return the speed at which a flow gives a rate [m/s]; inputs all above 0."""
    _positive(flow_l_min=flow_l_min, rate_l_per_ha=rate_l_per_ha, swath_m=swath_m)
    return flow_l_min * _M2_PER_HA / (rate_l_per_ha * swath_m * _SECONDS_PER_MINUTE)


def swath_m(*, flow_l_min: float, rate_l_per_ha: float, airspeed_m_s: float) -> float:
    """Return the swath at which a flow gives a rate [m]; inputs all above 0."""
    _positive(flow_l_min=flow_l_min, rate_l_per_ha=rate_l_per_ha, airspeed_m_s=airspeed_m_s)
    return flow_l_min * _M2_PER_HA / (rate_l_per_ha * airspeed_m_s * _SECONDS_PER_MINUTE)


def area_per_load_ha(*, load_l: float, rate_l_per_ha: float) -> float:
    """Return the area one load covers [ha]; load [L] and rate [L/ha] above 0."""
    _positive(load_l=load_l, rate_l_per_ha=rate_l_per_ha)
    return load_l / rate_l_per_ha


def run_area_ha(*, length_m: float, swath_m: float) -> float:
    """Return the area of one run down the field [ha]; length and swath [m] above 0."""
    _positive(length_m=length_m, swath_m=swath_m)
    return length_m * swath_m / _M2_PER_HA


def nozzle_flow_l_min(
    *, rated_flow_l_min: float, rated_pressure_kpa: float, pressure_kpa: float
) -> float:
    """Return the flow of one nozzle at another pressure [L/min]: Q₂ = Q₁·√(P₂/P₁).

    Parameters
    ----------
    rated_flow_l_min : float
        Flow of water through one nozzle at the rated pressure [L/min], above 0.
    rated_pressure_kpa, pressure_kpa : float
        Pressure of the rating, and the pressure asked about [kPa gauge], above 0.

    Raises
    ------
    InputError
        For a value that is not above 0.
    """
    _positive(
        rated_flow_l_min=rated_flow_l_min,
        rated_pressure_kpa=rated_pressure_kpa,
        pressure_kpa=pressure_kpa,
    )
    return rated_flow_l_min * math.sqrt(pressure_kpa / rated_pressure_kpa)


def nozzle_pressure_kpa(
    *, rated_flow_l_min: float, rated_pressure_kpa: float, flow_l_min: float
) -> float:
    """Return the pressure at which one nozzle gives a flow [kPa]: P₂ = P₁·(Q₂/Q₁)².

    Inputs as in `nozzle_flow_l_min`; `flow_l_min` is the flow of water of this one nozzle.
    """
    _positive(
        rated_flow_l_min=rated_flow_l_min,
        rated_pressure_kpa=rated_pressure_kpa,
        flow_l_min=flow_l_min,
    )
    return rated_pressure_kpa * (flow_l_min / rated_flow_l_min) ** 2


@dataclass(frozen=True, slots=True)
class NozzleChoice:
    """A whole number of equal nozzles, and the pressure at which they give the flow.

    Attributes
    ----------
    exact_count : float
        Number of nozzles at exactly the wanted pressure.
    count : int
        The nearest whole number, at least 1.
    pressure_kpa : float
        Pressure at which `count` nozzles give the flow [kPa].
    """

    exact_count: float
    count: int
    pressure_kpa: float


def choose_nozzles(
    *,
    flow_l_min: float,
    rated_flow_l_min: float,
    rated_pressure_kpa: float,
    pressure_kpa: float,
    specific_gravity: float = 1.0,
) -> NozzleChoice:
    """Return how many equal nozzles give a flow near a pressure, and the pressure they then need.

    Parameters
    ----------
    flow_l_min : float
        Wanted flow of the mix through the whole boom [L/min], above 0.
    rated_flow_l_min, rated_pressure_kpa : float
        Water rating of one nozzle [L/min] at [kPa], above 0.
    pressure_kpa : float
        Wanted pressure [kPa], above 0.
    specific_gravity : float
        Density of the mix over that of water, above 0.

    Raises
    ------
    InputError
        For a value that is not above 0.
    """
    rating = {"rated_flow_l_min": rated_flow_l_min, "rated_pressure_kpa": rated_pressure_kpa}
    water = water_flow_l_min(flow_l_min=flow_l_min, specific_gravity=specific_gravity)
    exact = water / nozzle_flow_l_min(**rating, pressure_kpa=pressure_kpa)
    count = max(1, math.floor(exact + 0.5))
    return NozzleChoice(exact, count, nozzle_pressure_kpa(**rating, flow_l_min=water / count))


def density_factor(specific_gravity: float) -> float:
    """Return √SG, by which a flow of the mix becomes the flow of water to look up; SG above 0."""
    _positive(specific_gravity=specific_gravity)
    return math.sqrt(specific_gravity)


def water_flow_l_min(*, flow_l_min: float, specific_gravity: float) -> float:
    """Return the flow of water a chart must show for a wanted flow of the mix [L/min]."""
    _positive(flow_l_min=flow_l_min)
    return flow_l_min * density_factor(specific_gravity)


def solution_flow_l_min(*, water_flow_l_min: float, specific_gravity: float) -> float:
    """Return the flow of the mix where a chart shows a flow of water [L/min]."""
    _positive(water_flow_l_min=water_flow_l_min)
    return water_flow_l_min / density_factor(specific_gravity)
