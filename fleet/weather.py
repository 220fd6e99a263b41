"""The conditions of a test as they stood, and what follows from them, as plain data.

Kept with an analysis, so that a limit changed later never changes what was said before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from fleet.models import FlightPass, Test
from patterns.errors import InputError
from patterns.remarks import Remark
from patterns.weather import METHOD, delta_t_c, judge_delta_t, wet_bulb_c
from patterns.wind import ASTM_E642, Wind, judge_test_wind, wind_components

CONDITIONS = (
    "line_heading_deg",
    "wind_speed_m_s",
    "wind_from_deg",
    "wind_height_m",
    "temperature_c",
    "humidity_percent",
)


def conditions_of(test: Test) -> dict[str, Any]:
    """Return the conditions of a test as plain data."""
    return {name: getattr(test, name) for name in CONDITIONS}


def weather_of(test: Test, passes: Sequence[FlightPass]) -> dict[str, Any]:
    """Return wind components of each pass, Delta T and the remarks on both.

    Keys: `rule`, `method`, `wet_bulb_c`, `delta_t_c` (None where not recorded), `passes` (each
    `number`, `crosswind_m_s`, `headwind_m_s`, `angle_deg`), `remarks` (each `code`, `text`,
    `weight`).
    """
    headings = [_first(p.heading_deg, test.line_heading_deg) for p in passes]
    wind = Wind(test.wind_speed_m_s, test.wind_from_deg, test.wind_height_m)
    remarks = list(
        judge_test_wind(wind, test.line_heading_deg, ASTM_E642, pass_headings_deg=headings)
    )
    air = air_of(test)
    remarks += air.pop("remarks")
    return {
        "rule": ASTM_E642.source,
        "method": METHOD,
        **air,
        "passes": [
            _wind_of_pass(test, p, heading) for p, heading in zip(passes, headings, strict=True)
        ],
        "remarks": [_plain(remark) for remark in remarks],
    }


def air_of(test: Test) -> dict[str, Any]:
    """Return `wet_bulb_c` and `delta_t_c` (None where not known) and the remarks on them."""
    if test.temperature_c is None or test.humidity_percent is None:
        text = "Temperature and humidity were not both recorded, so Delta T is not known."
        missing = Remark("delta_t_not_known", text, "note")
        return {"wet_bulb_c": None, "delta_t_c": None, "remarks": [missing]}
    try:
        wet_bulb = wet_bulb_c(test.temperature_c, test.humidity_percent)
    except InputError as error:
        odd = Remark("delta_t_not_known", f"Delta T is not known: {error}.", "note")
        return {"wet_bulb_c": None, "delta_t_c": None, "remarks": [odd]}
    delta_t = delta_t_c(test.temperature_c, test.humidity_percent)
    return {
        "wet_bulb_c": round(wet_bulb, 2),
        "delta_t_c": round(delta_t, 2),
        "remarks": [judge_delta_t(delta_t)],
    }


def _wind_of_pass(test: Test, flight_pass: FlightPass, heading: float | None) -> dict[str, Any]:
    speed = _first(flight_pass.wind_speed_m_s, test.wind_speed_m_s)
    wind_from = _first(flight_pass.wind_from_deg, test.wind_from_deg)
    known = {"number": flight_pass.number, "heading_deg": heading, "wind_speed_m_s": speed}
    if speed is None or wind_from is None or heading is None:
        return {**known, "crosswind_m_s": None, "headwind_m_s": None, "angle_deg": None}
    parts = wind_components(speed, wind_from, heading)
    return {**known, **{name: round(value, 3) for name, value in asdict(parts).items()}}


def _first(value: float | None, otherwise: float | None) -> float | None:
    return otherwise if value is None else value


def _plain(remark: Remark) -> dict[str, Any]:
    return {"code": remark.code, "text": remark.text, "weight": remark.weight}
