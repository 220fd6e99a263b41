"""Tours as plain data, what they cost, and whether they keep to the problem."""

from __future__ import annotations

import datetime
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import groupby, pairwise

import numpy as np
from numpy.typing import NDArray

from fleet.planning.problem import Candidate, Problem

HOME = 0
"""Number of the analyst's home among the places; base b is place b + 1."""


@dataclass(frozen=True, slots=True)
class Stop:
    """A base on a day, and the aircraft tested there, by their index.

    Without aircraft it is an arrival for the night; the tests come in the morning.
    """

    place: int
    aircraft: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Route:
    """One day: where it begins, its stops in order, where it ends."""

    start: int = HOME
    stops: tuple[Stop, ...] = ()
    end: int = HOME

    @property
    def aircraft(self) -> tuple[int, ...]:
        """Return all aircraft of the day."""
        return tuple(one for stop in self.stops for one in stop.aircraft)

    def places(self) -> list[int]:
        """Return every place of the day in order, from the first to the last."""
        path = [self.start, *(stop.place for stop in self.stops), self.end]
        return [place for n, place in enumerate(path) if n == 0 or place != path[n - 1]]


@dataclass(frozen=True, slots=True)
class Cost:
    """What tours cost: days late times weight first, metres travelled second."""

    late: int
    travel_m: int

    def __lt__(self, other: Cost) -> bool:
        return (self.late, self.travel_m) < (other.late, other.travel_m)


class World:
    """A problem with what follows from it worked out once."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.distance_m = problem.distances_m()
        self.minutes_per_m = 1.0 / (60.0 * problem.speed_m_s)

    @cached_property
    def late(self) -> NDArray[np.int64]:
        """Weighted days late of each aircraft on each day; the last column: left out."""
        problem = self.problem
        return np.array(
            [
                [one.weight * one.late_days(day.on) for day in problem.days]
                + [one.weight * problem.late_left_out(one)]
                for one in problem.aircraft
            ],
            dtype=np.int64,
        ).reshape(len(problem.aircraft), len(problem.days) + 1)

    @cached_property
    def allowed(self) -> NDArray[np.bool_]:
        """Whether each aircraft may be on each day."""
        problem = self.problem
        return np.array(
            [[one.may_be_on(day.on) for day in problem.days] for one in problem.aircraft],
            dtype=np.bool_,
        ).reshape(len(problem.aircraft), len(problem.days))

    def capacity(self, day: int) -> int:
        """Return how many aircraft a day can hold, were all of them at home."""
        given = self.problem.days[day]
        fits = int(given.usable_minutes // self.problem.minutes_per_aircraft)
        return min(given.capacity, fits)

    def follows(self, day: int) -> bool:
        """Say whether a day comes right after the one before it, so that a night may join them."""
        days = self.problem.days
        return day > 0 and (days[day].on - days[day - 1].on).days == 1

    def travel_m(self, route: Route) -> int:
        """Return the way of a day [m]."""
        return int(sum(self.distance_m[a, b] for a, b in pairwise(route.places())))

    def minutes(self, route: Route) -> float:
        """Return tests and travel of a day [min]."""
        tests = len(route.aircraft) * self.problem.minutes_per_aircraft
        return tests + self.travel_m(route) * self.minutes_per_m

    def budget_m(self, day: int, aircraft: int) -> int:
        """Return how far the analyst can travel on a day with so many tests [m]."""
        left = self.problem.days[day].usable_minutes
        left -= aircraft * self.problem.minutes_per_aircraft
        return int(np.floor(left / self.minutes_per_m + 1e-6))

    def cost(self, routes: Sequence[Route]) -> Cost:
        """Return what tours cost, aircraft left out counted in."""
        left = self.late[:, -1].sum()
        for day, route in enumerate(routes):
            chosen = list(route.aircraft)
            left += (self.late[chosen, day] - self.late[chosen, -1]).sum()
        return Cost(int(left), sum(self.travel_m(route) for route in routes))

    def left_out(self, routes: Sequence[Route]) -> list[int]:
        """Return the aircraft in no tour."""
        seen = {one for route in routes for one in route.aircraft}
        return [n for n in range(len(self.problem.aircraft)) if n not in seen]


def route_of(world: World, start: int, order: Sequence[int], end: int) -> Route:
    """Return a day as a route: aircraft of one base in a row are one stop."""
    stops = [
        Stop(place, tuple(together))
        for place, together in groupby(order, key=lambda n: world.problem.aircraft[n].base + 1)
    ]
    if end != HOME and (not stops or stops[-1].place != end):
        stops.append(Stop(end, ()))
    return Route(start, tuple(stops), end)


def tours(routes: Sequence[Route]) -> Iterator[list[int]]:
    """Yield the days of each tour: those joined by nights away from home."""
    joined: list[int] = []
    for day, route in enumerate(routes):
        if joined and route.start == HOME:
            yield joined
            joined = []
        if route.stops:
            joined.append(day)
    if joined:
        yield joined


def faults(world: World, routes: Sequence[Route]) -> list[str]:
    """Say every way in which tours break the problem; empty for tours that keep to it."""
    problem = world.problem
    found = [] if len(routes) == len(problem.days) else ["not one route for each day"]
    counts = Counter(one for route in routes for one in route.aircraft)
    found += [f"{problem.aircraft[n].name} twice" for n, count in counts.items() if count > 1]
    for day, route in enumerate(routes):
        found += [f"{problem.days[day].on}: {what}" for what in _day_faults(world, day, route)]
    nights = 0
    for day, route in enumerate(routes):
        before = routes[day - 1].end if day and world.follows(day) else HOME
        if route.start != before:
            found.append(f"{problem.days[day].on}: does not begin where the day before ended")
        nights = nights + 1 if route.end != HOME else 0
        if nights > problem.nights_out:
            found.append(f"{problem.days[day].on}: too many nights out")
    if routes and routes[-1].end != HOME:
        found.append("not at home in the end")
    on: dict[int, datetime.date] = {
        one: problem.days[day].on for day, route in enumerate(routes) for one in route.aircraft
    }
    for n, candidate in enumerate(problem.aircraft):
        if candidate.pinned_on is not None and on.get(n) != candidate.pinned_on:
            found.append(f"{candidate.name} not on its day")
    return found


def _day_faults(world: World, day: int, route: Route) -> Iterator[str]:
    problem = world.problem
    if len(route.aircraft) > problem.days[day].capacity:
        yield "more aircraft than places"
    if world.minutes(route) > problem.days[day].usable_minutes + 1e-6:
        yield "does not fit the day"
    if not route.aircraft and (route.stops or (route.start, route.end) != (HOME, HOME)):
        yield "away from home without a test"
    if route.end != HOME and (not route.stops or route.end != route.stops[-1].place):
        yield "does not spend the night at its last stop"
    for stop in route.stops:
        for n in stop.aircraft:
            one: Candidate = problem.aircraft[n]
            if one.base + 1 != stop.place:
                yield f"{one.name} is not at home there"
            if not one.may_be_on(problem.days[day].on):
                yield f"{one.name} not wished for then"
