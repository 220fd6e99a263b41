"""Wind against the flight line, and the rule for the wind of a pattern test.

Directions are in degrees clockwise from north. Wind direction is where the wind comes *from*;
a heading is where the aircraft flies *to*. North is true or magnetic, as long as it is the same
for both.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from patterns.data import load
from patterns.errors import InputError
from patterns.remarks import Remark

__all__ = [
    "ASTM_E642",
    "Wind",
    "WindComponents",
    "WindRule",
    "angle_to_line_deg",
    "judge_test_wind",
    "wind_components",
    "wind_rule",
]


@dataclass(frozen=True, slots=True)
class Wind:
    """Wind as measured; ``None`` for what was not recorded.

    Attributes
    ----------
    speed_m_s : float or None
        Mean speed [m/s], 0 or more.
    from_deg : float or None
        Direction the wind comes from [deg], 0 to 360.
    height_m : float or None
        Height of the instrument above the ground or the crop [m].
    """

    speed_m_s: float | None
    from_deg: float | None = None
    height_m: float | None = None


@dataclass(frozen=True, slots=True)
class WindComponents:
    """Wind split along and across a heading.

    Attributes
    ----------
    crosswind_m_s : float
        Part across the line [m/s]; positive from the right, so that it carries spray to the left.
    headwind_m_s : float
        Part along the line [m/s]; positive against the aircraft, negative as a tailwind.
    angle_deg : float
        Angle between the wind and the line, either way along it [deg], 0 to 90.
    """

    crosswind_m_s: float
    headwind_m_s: float
    angle_deg: float


@dataclass(frozen=True, slots=True)
class WindRule:
    """Limits of the wind for a pattern test, with their source.

    Attributes
    ----------
    name, source : str
        Short and full name of the publication.
    max_speed_m_s : float
        Greatest speed [m/s].
    max_speed_as_printed : str
        The same as the publication prints it.
    measured_at_m : float
        Height of the measurement [m].
    max_angle_deg : float
        Greatest angle between wind and line [deg].
    into_and_with : bool
        Passes are to be flown both into and with the wind.
    calm_below_m_s : float
        Under this speed the direction says nothing and is not judged [m/s].
    """

    name: str
    source: str
    max_speed_m_s: float
    max_speed_as_printed: str
    measured_at_m: float
    max_angle_deg: float
    into_and_with: bool
    calm_below_m_s: float


def wind_rule(key: str) -> WindRule:
    """Return one rule of ``patterns/data/test_wind.json``.

    Raises
    ------
    InputError
        For a key that is not in the table; the message lists those that are.
    """
    table: dict[str, dict[str, Any]] = load("test_wind")
    if key not in table:
        raise InputError("test-wind rule", f"{key!r} is not known", f"use one of {sorted(table)}")
    return WindRule(**{name: table[key][name] for name in WindRule.__slots__})


ASTM_E642 = wind_rule("astm_e642_91")


def _direction(what: str, value: float) -> float:
    if not (math.isfinite(value) and 0.0 <= value <= 360.0):
        raise InputError(what, f"{value!r} is no direction", "give degrees from north, 0 to 360")
    return math.radians(value)


def _speed(value: float) -> float:
    if not (math.isfinite(value) and value >= 0.0):
        raise InputError("wind speed", f"{value!r} m/s is no speed", "give 0 or more")
    return value


def angle_to_line_deg(from_deg: float, heading_deg: float) -> float:
    """Return the angle between a wind and a line, either way along the line [deg], 0 to 90.

    Parameters
    ----------
    from_deg : float
        Direction the wind comes from [deg], 0 to 360.
    heading_deg : float
        Heading along the line [deg], 0 to 360; the opposite heading gives the same angle.

    Raises
    ------
    InputError
        For a direction outside 0 to 360.
    """
    _direction("wind direction", from_deg)
    _direction("heading", heading_deg)
    around = (from_deg - heading_deg) % 180.0
    return min(around, 180.0 - around)


def wind_components(speed_m_s: float, from_deg: float, heading_deg: float) -> WindComponents:
    """Split a wind along and across a heading: W·cos θ and W·sin θ.

    Parameters
    ----------
    speed_m_s : float
        Wind speed [m/s], 0 or more. Calm gives zeros.
    from_deg : float
        Direction the wind comes from [deg], 0 to 360.
    heading_deg : float
        Heading of the aircraft [deg], 0 to 360.

    Returns
    -------
    WindComponents
        Crosswind from the right positive, headwind positive.

    Raises
    ------
    InputError
        For a negative speed or a direction outside 0 to 360.
    """
    speed = _speed(speed_m_s)
    theta = _direction("wind direction", from_deg) - _direction("heading", heading_deg)
    return WindComponents(
        crosswind_m_s=speed * math.sin(theta),
        headwind_m_s=speed * math.cos(theta),
        angle_deg=angle_to_line_deg(from_deg, heading_deg),
    )


def judge_test_wind(
    wind: Wind,
    line_heading_deg: float | None,
    rule: WindRule = ASTM_E642,
    *,
    pass_headings_deg: Sequence[float | None] | None = None,
) -> tuple[Remark, ...]:
    """Hold the wind of a pattern test against a rule.

    What was not recorded is never taken as kept: it gives a warning that this part of the rule
    could not be judged. No remark is of weight "suspect", because wind within or over a limit is
    for the analyst to weigh against the passes.

    Parameters
    ----------
    wind : Wind
        The wind at the time of the pass or the test.
    line_heading_deg : float or None
        Heading along the flight line [deg], either way; ``None`` when not recorded.
    rule : WindRule
        The limits.
    pass_headings_deg : sequence of float or None, optional
        Heading of every pass [deg], to judge whether passes were flown both into and with the
        wind. Leave it out when one pass is judged alone.

    Returns
    -------
    tuple of Remark
        At least one. Codes: ``test_wind_kept``, ``test_wind_calm``, ``test_wind_too_strong``,
        ``test_wind_off_line``, ``test_wind_one_direction``, ``test_wind_height``,
        ``test_wind_not_judged``.

    Raises
    ------
    InputError
        For a negative speed or a direction outside 0 to 360.
    """
    if wind.speed_m_s is None:
        return (_not_judged("The wind speed was not recorded", rule),)
    speed = _speed(wind.speed_m_s)
    remarks = [*_judge_height(wind.height_m, rule)]
    if speed < rule.calm_below_m_s:
        text = f"The air was calm ({speed:.1f} m/s), so the direction of the line was free."
        return (Remark("test_wind_calm", text, "note"), *remarks)
    remarks += _judge_speed(speed, rule)
    remarks += _judge_angle(wind, line_heading_deg, rule)
    if pass_headings_deg is not None and rule.into_and_with:
        remarks += _judge_both_ways(wind.from_deg, pass_headings_deg, rule)
    if not remarks:
        remarks = [_kept(speed, rule)]
    return tuple(remarks)


def _not_judged(missing: str, rule: WindRule) -> Remark:
    text = f"{missing}, so the wind of this test could not be judged by {rule.name}."
    return Remark("test_wind_not_judged", text, "warning")


def _kept(speed_m_s: float, rule: WindRule) -> Remark:
    text = (
        f"The wind of {_printed(speed_m_s)} was within {rule.max_speed_as_printed} and "
        f"{rule.max_angle_deg:.0f}° of the line ({rule.name})."
    )
    return Remark("test_wind_kept", text, "note")


def _printed(speed_m_s: float) -> str:
    return f"{speed_m_s:.1f} m/s"


def _judge_height(height_m: float | None, rule: WindRule) -> list[Remark]:
    if height_m is None:
        text = (
            f"The height at which the wind was measured was not recorded; {rule.name} asks for "
            f"{rule.measured_at_m:.1f} m above the ground or the crop."
        )
        return [Remark("test_wind_not_judged", text, "warning")]
    # A hand-held instrument is not placed to the centimetre: half a metre is taken as the same
    # height (common practice, no source).
    if abs(height_m - rule.measured_at_m) > 0.5:
        text = (
            f"The wind was measured at {height_m:.1f} m; {rule.name} asks for "
            f"{rule.measured_at_m:.1f} m above the ground or the crop."
        )
        return [Remark("test_wind_height", text, "note")]
    return []


def _judge_speed(speed_m_s: float, rule: WindRule) -> list[Remark]:
    # A speed that went through another unit must not fail by its last bit.
    if speed_m_s <= rule.max_speed_m_s * (1.0 + 1e-9):
        return []
    text = (
        f"The wind of {_printed(speed_m_s)} was over the {rule.max_speed_as_printed} "
        f"that {rule.name} allows for a pattern test."
    )
    return [Remark("test_wind_too_strong", text, "warning")]


def _judge_angle(wind: Wind, line_heading_deg: float | None, rule: WindRule) -> list[Remark]:
    if wind.from_deg is None or line_heading_deg is None:
        missing = "direction of the wind" if wind.from_deg is None else "heading of the line"
        return [_not_judged(f"The {missing} was not recorded", rule)]
    parts = wind_components(wind.speed_m_s or 0.0, wind.from_deg, line_heading_deg)
    if parts.angle_deg <= rule.max_angle_deg + 1e-9:
        return []
    text = (
        f"The wind stood {parts.angle_deg:.0f}° off the line, a crosswind of "
        f"{abs(parts.crosswind_m_s):.1f} m/s; {rule.name} asks for a line parallel to the wind "
        f"or within {rule.max_angle_deg:.0f}° of it."
    )
    return [Remark("test_wind_off_line", text, "warning")]


def _judge_both_ways(
    from_deg: float | None, headings_deg: Sequence[float | None], rule: WindRule
) -> list[Remark]:
    known = [heading for heading in headings_deg if heading is not None]
    if from_deg is None or len(known) < len(headings_deg):
        missing = "direction of the wind" if from_deg is None else "heading of every pass"
        return [_not_judged(f"The {missing} was not recorded", rule)]
    into = sum(wind_components(1.0, from_deg, heading).headwind_m_s > 0.0 for heading in known)
    if 0 < into < len(known):
        return []
    way = "into" if into else "with"
    text = (
        f"All passes were flown {way} the wind; {rule.name} asks for passes both into and with "
        "it, to even out its effect on the ground speed."
    )
    return [Remark("test_wind_one_direction", text, "warning")]
