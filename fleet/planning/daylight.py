"""How long a day is light, at a place."""

from __future__ import annotations

import datetime

from astral import Observer
from astral.sun import elevation, noon, sunrise, sunset

DAY_MINUTES = 24 * 60.0


def daylight_minutes(latitude_deg: float, longitude_deg: float, on: datetime.date) -> float:
    """Return the minutes from sunrise to sunset; all or nothing where the sun does neither.

    By `astral`, which computes the sun after the equations of NOAA's solar calculator (Meeus 1998,
    Astronomical Algorithms). Sunrise and sunset are the upper edge of the disc at the horizon with
    standard refraction, 90.833° from the zenith.
    """
    observer = Observer(latitude_deg, longitude_deg)
    try:
        rise = sunrise(observer, on)
        down = sunset(observer, on)
    except ValueError:  # the sun stays on one side of the horizon
        return DAY_MINUTES if elevation(observer, noon(observer, on)) > 0 else 0.0
    # Away from Greenwich the sunset of the same UTC day may lie before its sunrise.
    return ((down - rise).total_seconds() / 60.0) % DAY_MINUTES
