"""Calendar months, and the windows of seasons that come every year.

Months are those of the calendar: 31 January and one month is the last day of February, as
`dateutil.relativedelta` counts. A month and day is written `MM-DD`; `02-29` stands for the last
day of February in any year.
"""

from __future__ import annotations

import calendar
import datetime
from functools import lru_cache
from typing import NamedTuple

from dateutil.relativedelta import relativedelta

LAST_OF_FEBRUARY = "02-29"
# A fleet asks for the same few days again and again.
_kept = lru_cache(maxsize=8192)


class Window(NamedTuple):
    """The days in which the test of one season must be flown, both included."""

    first: datetime.date
    last: datetime.date


@_kept
def months_after(day: datetime.date, months: int) -> datetime.date:
    """Return the same day so many months later, or the last of a month that has no such day."""
    return day + relativedelta(months=months)


def on_day(year: int, month_day: str) -> datetime.date:
    """Return an `MM-DD` in a year. Raises ValueError for a day that no year has."""
    if month_day == LAST_OF_FEBRUARY:
        return datetime.date(year, 2, 29 if calendar.isleap(year) else 28)
    month, day = month_day.split("-")
    return datetime.date(year, int(month), int(day))


def window_of_year(first: str, last: str, year: int) -> Window:
    """Return the window that opens in a year; it ends in the next when it runs across New Year."""
    opens = on_day(year, first)
    closes = on_day(year, last)
    return Window(opens, closes if closes >= opens else on_day(year + 1, last))


@_kept
def window_around(first: str, last: str, day: datetime.date) -> Window | None:
    """Return the window that a day lies in, or None."""
    for year in (day.year - 1, day.year):
        window = window_of_year(first, last, year)
        if window.first <= day <= window.last:
            return window
    return None


@_kept
def window_closing(first: str, last: str, day: datetime.date) -> Window:
    """Return the first window whose last day is `day` or later."""
    for year in (day.year - 1, day.year):
        window = window_of_year(first, last, year)
        if window.last >= day:
            return window
    return window_of_year(first, last, day.year + 1)
