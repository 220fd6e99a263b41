"""Checks that pages, API and spreadsheets share: what is wrong, and what would be right."""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping, Sequence
from typing import Any

from django.core.exceptions import ValidationError

from fleet.models import Season

# name: (least, most, unit), in SI. Wide enough for any aircraft that flies, narrow enough to
# catch feet typed for metres a hundredfold off. Common practice, no source.
RANGES: Mapping[str, tuple[float, float, str]] = {
    "boom_width_m": (0.3, 40.0, "m"),
    "pressure_kpa": (20.0, 1500.0, "kPa"),
    "airspeed_m_s": (0.5, 110.0, "m/s"),
    "release_height_m": (0.3, 60.0, "m"),
    "rate_l_per_ha": (0.1, 500.0, "L/ha"),
    "intended_swath_m": (1.0, 60.0, "m"),
    "swath_m": (1.0, 60.0, "m"),
    "line_heading_deg": (0.0, 360.0, "°"),
    "heading_deg": (0.0, 360.0, "°"),
    "wind_from_deg": (0.0, 360.0, "°"),
    "wind_speed_m_s": (0.0, 40.0, "m/s"),
    "wind_height_m": (0.1, 30.0, "m"),
    "temperature_c": (-40.0, 60.0, "°C"),
    "humidity_percent": (1.0, 100.0, "%"),
    "cv_limit_percent": (5.0, 60.0, "%"),
    "line_error_m": (0.0, 5.0, "m"),
    "deflection_deg": (-90.0, 180.0, "°"),
    "latitude_deg": (-90.0, 90.0, "°"),
    "longitude_deg": (-180.0, 180.0, "°"),
}
MOST_NOZZLES = 200


def check_ranges(values: Mapping[str, Any]) -> dict[str, list[str]]:
    """Return an error sentence for each value that lies outside `RANGES` (None is let through)."""
    errors: dict[str, list[str]] = {}
    for name, value in values.items():
        if name not in RANGES or value is None:
            continue
        least, most, unit = RANGES[name]
        if not _is_number(value) or not least <= value <= most:
            errors[name] = [f"Must be a number from {least:g} to {most:g} {unit}."]
    return errors


def check_nozzles(nozzles: Any, boom_width_m: float) -> list[dict[str, Any]]:
    """Return the nozzles in order from the left wing, cleaned.

    Each nozzle is a mapping with `place_m` (left of the centre negative), `type`, `size` and
    `deflection_deg`. Raises ValidationError that names the nozzle by its number in the list.
    """
    if not isinstance(nozzles, Sequence) or isinstance(nozzles, str) or not nozzles:
        raise ValidationError({"nozzles": "List at least one nozzle."})
    if len(nozzles) > MOST_NOZZLES:
        raise ValidationError({"nozzles": f"At most {MOST_NOZZLES} nozzles; got {len(nozzles)}."})
    errors: list[str] = []
    cleaned: list[dict[str, Any]] = []
    for number, nozzle in enumerate(nozzles, start=1):
        problem = _nozzle_problem(nozzle, boom_width_m)
        if problem:
            errors.append(f"Nozzle {number}: {problem}")
            continue
        cleaned.append(
            {
                "place_m": round(float(nozzle["place_m"]), 4),
                "type": str(nozzle.get("type", "")).strip()[:40],
                "size": str(nozzle.get("size", "")).strip()[:20],
                "deflection_deg": float(nozzle.get("deflection_deg") or 0.0),
            }
        )
    if errors:
        raise ValidationError({"nozzles": errors})
    return sorted(cleaned, key=lambda nozzle: nozzle["place_m"])


def check_valid_until(valid_until: datetime.date, today: datetime.date) -> dict[str, list[str]]:
    """An approval ends on a date from today to five years ahead."""
    if not today <= valid_until <= today + datetime.timedelta(days=5 * 366):
        return {"valid_until": ["Must be a date from today to five years ahead."]}
    return {}


def check_membership_days(
    season: Season, joined_on: datetime.date, lapsed_on: datetime.date | None
) -> dict[str, list[str]]:
    """Members join at most a year before a season begins, and lapse before it ends."""
    errors: dict[str, list[str]] = {}
    ends = f"Season {season} ends on {season.ends_on:%-d %B %Y}"
    if joined_on > season.ends_on:
        errors["joined_on"] = [f"{ends}."]
    elif joined_on < season.starts_on - datetime.timedelta(days=366):
        begins = f"{season.starts_on:%-d %B %Y}"
        errors["joined_on"] = [f"More than a year before season {season} begins, on {begins}."]
    if lapsed_on is not None:
        if lapsed_on < joined_on:
            errors["lapsed_on"] = [f"Joined on {joined_on:%-d %B %Y}; not before that."]
        elif lapsed_on > season.ends_on:
            errors["lapsed_on"] = [f"{ends}; whoever stays until then has not lapsed."]
    return errors


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _nozzle_problem(nozzle: Any, boom_width_m: float) -> str:
    if not isinstance(nozzle, Mapping) or not _is_number(nozzle.get("place_m")):
        return "its place on the boom must be a number, left of the centre negative."
    # A drop tube or an outrigger may stand a little beyond the boom's own width.
    if abs(nozzle["place_m"]) > 0.55 * boom_width_m:
        return "its place lies beyond the boom."
    deflection = nozzle.get("deflection_deg") or 0.0
    low, high, _ = RANGES["deflection_deg"]
    if not _is_number(deflection) or not low <= deflection <= high:
        return f"its deflection must be a number from {low:g} to {high:g} degrees."
    if not str(nozzle.get("size", "")).strip():
        return "its size is missing."
    return ""
