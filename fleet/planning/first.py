"""A first plan, day by day: what is pinned, then what is most urgent for the least time."""

from __future__ import annotations

from collections.abc import Sequence

from fleet.planning.tours import HOME, Route, Stop, World
from patterns.errors import InputError


def first_routes(world: World) -> list[Route]:
    """Return tours that keep to the problem: out and home again each day.

    Raises
    ------
    InputError
        Where what is pinned on a day does not fit it.
    """
    problem = world.problem
    routes = []
    free = {n for n, one in enumerate(problem.aircraft) if one.pinned_on is None}
    for day, given in enumerate(problem.days):
        pinned = [n for n, one in enumerate(problem.aircraft) if one.pinned_on == given.on]
        route = Route()
        for n in pinned:
            route = _inserted(world, route, n)
        if world.minutes(route) > given.usable_minutes + 1e-6:
            raise InputError(
                f"{given.on:%-d %B}",
                f"the aircraft kept on it take {world.minutes(route):.0f} minutes with travel, and "
                f"the day has {given.usable_minutes:.0f}",
                "take one of them back, or keep it on another day",
            )
        routes.append(_filled(world, day, route, free))
    return routes


def _filled(world: World, day: int, route: Route, free: set[int]) -> Route:
    """Add to a day what saves most days late for the minutes it takes, while anything fits."""
    problem = world.problem
    given = problem.days[day]
    while len(route.aircraft) < given.capacity:
        best: tuple[float, int, Route] | None = None
        before = world.minutes(route)
        for n in sorted(free):
            saved = int(world.late[n, -1] - world.late[n, day])
            if saved <= 0 or not problem.aircraft[n].may_be_on(given.on):
                continue
            trial = _inserted(world, route, n)
            minutes = world.minutes(trial)
            if minutes <= given.usable_minutes + 1e-6:
                worth = saved / (minutes - before)
                if best is None or worth > best[0]:
                    best = (worth, n, trial)
        if best is None:
            break
        route = best[2]
        free.discard(best[1])
    return route


def _inserted(world: World, route: Route, n: int) -> Route:
    """Put an aircraft where it lengthens the day least."""
    place = world.problem.aircraft[n].base + 1
    stops = list(route.stops)
    for at, stop in enumerate(stops):
        if stop.place == place:
            stops[at] = Stop(place, (*stop.aircraft, n))
            return Route(HOME, tuple(stops), HOME)
    path = route.places() if stops else [HOME, HOME]
    at = min(range(len(path) - 1), key=lambda k: _longer(world, path, k, place))
    stops.insert(at, Stop(place, (n,)))
    return Route(HOME, tuple(stops), HOME)


def _longer(world: World, path: Sequence[int], k: int, place: int) -> int:
    a, b = path[k], path[k + 1]
    way = world.distance_m
    return int(way[a, place] + way[place, b] - way[a, b])
