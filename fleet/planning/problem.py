"""What the planner is given: places, days, aircraft, and how far apart everything lies."""

from __future__ import annotations

import datetime
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from patterns.errors import InputError

MEAN_RADIUS_M: Final = 6_371_008.8
"""Mean radius R1 = (2a + b) / 3 of the Earth's ellipsoid.

Moritz 2000, Geodetic Reference System 1980, Journal of Geodesy 74(1):128 (6 371 008.7714 m).
"""
STEP_M: Final = 100
"""Distances are whole multiples of this, so that sums are exact in any order."""


@dataclass(frozen=True, slots=True)
class Place:
    """A named point: latitude and longitude in degrees, north and east positive."""

    name: str
    latitude_deg: float
    longitude_deg: float


@dataclass(frozen=True, slots=True)
class Candidate:
    """An aircraft that a visit is asked for.

    Attributes
    ----------
    key : str
        Its own name, unique within the problem.
    name : str
        As people call it.
    base : int
        Index of its base in `Problem.bases`.
    due_on : date or None
        The last day on which a test is not late; None when no day would be late.
    weight : int
        How much a day late counts, 1 or more.
    reason : str
        Why it is asked for, as the beginning of a sentence: "due 3 May under Calloway".
    from_on : date or None
        Nothing before this day.
    pinned_on : date or None
        The analyst's word: on this day and no other.
    """

    key: str
    name: str
    base: int
    due_on: datetime.date | None
    weight: int = 1
    reason: str = ""
    from_on: datetime.date | None = None
    pinned_on: datetime.date | None = None

    def late_days(self, day: datetime.date) -> int:
        """Return how many days late a test on `day` would be."""
        return 0 if self.due_on is None else max(0, (day - self.due_on).days)

    def may_be_on(self, day: datetime.date) -> bool:
        """Say whether wish window and pin allow `day`."""
        if self.pinned_on is not None:
            return day == self.pinned_on
        return self.from_on is None or day >= self.from_on


@dataclass(frozen=True, slots=True)
class Day:
    """A day on which the analyst can work: minutes for tests and travel, and most aircraft."""

    on: datetime.date
    usable_minutes: float
    capacity: int


@dataclass(frozen=True, slots=True)
class Problem:
    """Everything that the tours follow from.

    Days that are blocked are left out of `days`; over a gap between days the analyst is at home.
    `ends_on` is the last day of the horizon: an aircraft left out counts as tested the day after.
    """

    home: Place
    bases: tuple[Place, ...]
    aircraft: tuple[Candidate, ...]
    days: tuple[Day, ...]
    ends_on: datetime.date
    speed_m_s: float = 22.0
    detour_percent: float = 30.0
    minutes_per_aircraft: float = 45.0
    nights_out: int = 2

    def late_left_out(self, one: Candidate) -> int:
        """Return the days late of an aircraft that is in no tour."""
        return one.late_days(self.ends_on + datetime.timedelta(days=1))

    def distances_m(self) -> NDArray[np.int64]:
        """Return the way between all places [m], (1 + bases, 1 + bases); home is number 0.

        The great circle and the detour, to the next whole `STEP_M` above: so that the way round is
        never shorter than the way straight.
        """
        places = (self.home, *self.bases)
        straight = great_circle_m(
            np.array([p.latitude_deg for p in places]), np.array([p.longitude_deg for p in places])
        )
        steps = np.ceil(np.round(straight * (1.0 + self.detour_percent / 100.0) / STEP_M, 6))
        return (steps * STEP_M).astype(np.int64)


def great_circle_m(
    latitude_deg: NDArray[np.float64], longitude_deg: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the great-circle distances between all of N points [m], (N, N).

    The haversine formula on a sphere of `MEAN_RADIUS_M` (Sinnott 1984, Virtues of the Haversine,
    Sky and Telescope 68(2):159; from memory). Off the ellipsoid by at most about half a per cent.
    """
    latitude, longitude = np.radians(latitude_deg), np.radians(longitude_deg)
    across = np.sin((latitude[:, None] - latitude[None, :]) / 2) ** 2
    along = np.sin((longitude[:, None] - longitude[None, :]) / 2) ** 2
    h = across + np.cos(latitude)[:, None] * np.cos(latitude)[None, :] * along
    distance: NDArray[np.float64] = 2.0 * MEAN_RADIUS_M * np.arcsin(np.sqrt(np.clip(h, 0.0, 1.0)))
    return distance


def check(problem: Problem) -> None:
    """Say what is wrong with a problem.

    Raises
    ------
    InputError
        For numbers out of range, names that are not unique, days out of order, a pin on a day
        that is blocked, before its wish, or has more pins than places.
    """
    for what, value, least in (
        ("travel speed", problem.speed_m_s, 0.1),
        ("detour", problem.detour_percent, 0.0),
        ("minutes per aircraft", problem.minutes_per_aircraft, 0.1),
        ("nights out", problem.nights_out, 0),
    ):
        if not value >= least:
            raise InputError(what, f"{value!r} is too little", f"give {least:g} or more")
    _check_places((problem.home, *problem.bases))
    days = [day.on for day in problem.days]
    if days != sorted(set(days)) or (days and days[-1] > problem.ends_on):
        raise InputError("days", "not in order, or after the end", "give each day once, in order")
    keys = Counter(one.key for one in problem.aircraft)
    twice = [key for key, count in keys.items() if count > 1]
    if twice:
        raise InputError("aircraft", f"{twice[0]} stands there twice", "give each one once")
    for one in problem.aircraft:
        if not 0 <= one.base < len(problem.bases) or one.weight < 1:
            raise InputError(one.name, "no such base, or a weight below 1", "give both")
    _check_pins(problem)


def _check_places(places: Iterable[Place]) -> None:
    for place in places:
        if not (abs(place.latitude_deg) <= 90.0 and abs(place.longitude_deg) <= 180.0):
            raise InputError(
                place.name, "its coordinates are not on the globe", "give degrees north and east"
            )


def _check_pins(problem: Problem) -> None:
    days = {day.on: day for day in problem.days}
    pinned = [one for one in problem.aircraft if one.pinned_on is not None]
    for one in pinned:
        if one.pinned_on not in days:
            raise InputError(
                one.name,
                f"it is kept on {one.pinned_on:%-d %B}, when the analyst is not free",
                "choose another day for it, or free that day",
            )
    for on, count in Counter(one.pinned_on for one in pinned).items():
        assert on is not None
        if count > days[on].capacity:
            raise InputError(
                f"{on:%-d %B}",
                f"{count} aircraft are kept on it, and it has {days[on].capacity} places",
                "take one of them back",
            )
