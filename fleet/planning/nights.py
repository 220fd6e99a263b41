"""Where to spend the nights, for aircraft visited in a given order: an exact split of the order.

Route first, split second (Beasley 1983, Omega 11(4):403; from memory): the order is cut into days
by dynamic programming over days, how many aircraft are done, and nights spent out in a row.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from fleet.planning.tours import HOME, Route, World, route_of

Score = tuple[int, int]
_Key = tuple[int, int]  # aircraft done, nights out in a row


@dataclass(frozen=True, slots=True)
class _State:
    score: Score
    before: _State | None
    start: int
    order: tuple[int, ...]
    end: int


def runs(world: World) -> Iterator[range]:
    """Yield the stretches of days that follow one another without a gap."""
    first = 0
    for day in range(1, len(world.problem.days) + 1):
        if day == len(world.problem.days) or not world.follows(day):
            yield range(first, day)
            first = day


def split(world: World, days: range, order: Sequence[int]) -> list[Route] | None:
    """Cut an order of aircraft into the days of a run, at home after the last.

    Returns the days with least lateness, then least travel, or None where the order does not fit.
    """
    states: dict[_Key, _State] = {(0, 0): _State((0, 0), None, HOME, (), HOME)}
    for day in days:
        after: dict[_Key, _State] = {}
        for (done, nights), state in states.items():
            for key, score, taken, end in _choices(world, days, day, order, done, nights, state):
                if key not in after or score < after[key].score:
                    after[key] = _State(score, state, state.end, taken, end)
        states = after
    last = states.get((len(order), 0))
    if last is None:
        return None
    routes = []
    while last is not None and last.before is not None:
        routes.append(route_of(world, last.start, last.order, last.end))
        last = last.before
    return routes[::-1]


def _choices(
    world: World,
    days: range,
    day: int,
    order: Sequence[int],
    done: int,
    nights: int,
    state: _State,
) -> Iterator[tuple[_Key, Score, tuple[int, ...], int]]:
    """Yield every way to spend a day after a state."""
    problem, way = world.problem, world.distance_m
    if state.end == HOME:
        yield (done, 0), state.score, (), HOME
    late, travel_m = state.score
    here = state.end
    for count in range(1, min(problem.days[day].capacity, len(order) - done) + 1):
        one = order[done + count - 1]
        place = problem.aircraft[one].base + 1
        budget_m = world.budget_m(day, count)
        travel_m += int(way[here, place])
        late += int(world.late[one, day])
        here = place
        if not world.allowed[one, day] or travel_m - state.score[1] > budget_m:
            return
        taken = tuple(order[done : done + count])
        home_m = travel_m + int(way[place, HOME])
        if home_m - state.score[1] <= budget_m:
            yield (done + count, 0), (late, home_m), taken, HOME
        if nights < problem.nights_out and day != days[-1]:
            yield (done + count, nights + 1), (late, travel_m), taken, place


def settled(world: World, routes: Sequence[Route]) -> list[Route]:
    """Return tours with the nights chosen anew, run by run; a run that gets no better stays.

    Days that are out and home again are tried the other way round as well.
    """
    result = list(routes)
    for days in runs(world):
        orders = [list(result[day].aircraft) for day in days]
        best = [result[day] for day in days]
        for turned in (None, *range(len(days))):
            if turned is not None:
                orders[turned].reverse()
            found = split(world, days, [n for order in orders for n in order])
            if found is not None and _score(world, days, found) < _score(world, days, best):
                best = found
                orders = [list(route.aircraft) for route in found]
            elif turned is not None:
                orders[turned].reverse()
        result[days.start : days.stop] = best
    return result


def _score(world: World, days: range, routes: Sequence[Route]) -> Score:
    """Lateness and travel; a day of nothing but travel, as fixed nights may leave, is no plan."""
    if any(route.stops and not route.aircraft for route in routes):
        return sys.maxsize, 0
    late = sum(
        int(world.late[n, day])
        for day, route in zip(days, routes, strict=True)
        for n in route.aircraft
    )
    return late, sum(world.travel_m(route) for route in routes)


def blocks(world: World) -> list[range]:
    """Return the days cut into tours as long as nights out allow."""
    length = world.problem.nights_out + 1
    return [
        range(first, min(first + length, days.stop))
        for days in runs(world)
        for first in range(days.start, days.stop, length)
    ]


def laid_out(world: World, days: range, order: Sequence[int]) -> list[Route]:
    """Cut an order into days, leaving out as few aircraft as it takes."""
    kept = list(order)
    while (found := split(world, days, kept)) is None:
        kept.remove(min(kept, key=lambda n: (world.late[n, -1] - world.late[n, days[0]], n)))
    return found
