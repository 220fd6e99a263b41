"""Why each aircraft is where it is, or nowhere: one sentence each, from the tours themselves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from fleet.planning.problem import Candidate
from fleet.planning.tours import HOME, Route, Stop, World


@dataclass(frozen=True, slots=True)
class Told:
    """One aircraft, by its index: days late, and why it is on that day, or on none."""

    aircraft: int
    late_days: int
    why: str


def explain(world: World, routes: Sequence[Route]) -> dict[int, Told]:
    """Return what there is to say of every aircraft of the problem."""
    told = {}
    first_on: dict[int, int] = {}
    for day, route in enumerate(routes):
        for stop in route.stops:
            if stop.aircraft:
                first_on.setdefault(stop.place, day)
            for n in stop.aircraft:
                told[n] = _planned(world, routes, day, stop, n, first_on[stop.place] == day)
    for n in world.left_out(routes):
        told[n] = _left_out(world, routes, n)
    return told


def _planned(
    world: World, routes: Sequence[Route], day: int, stop: Stop, n: int, first: bool
) -> Told:
    one = world.problem.aircraft[n]
    late = one.late_days(world.problem.days[day].on)
    if one.pinned_on is not None:
        choice = "kept on this day by your word"
    elif late:
        choice = _why_late(world, routes, day, n)
    elif len(stop.aircraft) > 1:
        others = [world.problem.aircraft[k].name for k in stop.aircraft if k != n]
        choice = f"together with {_and(others)}"
    else:
        choice = "first visit in reach" if first else "another visit to this base, for less travel"
    return Told(n, late, _sentence(one, _timing(one, late), choice))


def _why_late(world: World, routes: Sequence[Route], day: int, n: int) -> str:
    if not world.allowed[n, :day].any():
        return "on the first day of the plan that it may be on"
    if any(_fits(world, routes[earlier], earlier, n) for earlier in range(day)):
        return "the search found no better day"
    return "no earlier day that it may be on has room and time left for it"


def _timing(one: Candidate, late: int) -> str:
    if one.due_on is None:
        return ""
    return f"{_days(late)} late" if late else "in time"


def _left_out(world: World, routes: Sequence[Route], n: int) -> Told:
    problem = world.problem
    one = problem.aircraft[n]
    late = problem.late_left_out(one)
    if not late:
        return Told(n, 0, _sentence(one, "", "not late before the plan ends, so it can wait"))
    if not world.allowed[n].any():
        choice = "no day of the plan lies in the time wished for"
    elif not any(_in_reach(world, day, n) for day in range(len(routes))):
        choice = "too far away for any day of the plan"
    elif any(_fits(world, route, day, n) for day, route in enumerate(routes)):
        choice = "the search found no better place for it"
    else:
        choice = "no day that it may be on has room and time left for it"
    return Told(n, late, _sentence(one, f"{_days(late)} late when the plan ends", choice))


def _in_reach(world: World, day: int, n: int) -> bool:
    """Say whether a day is long enough for this aircraft alone."""
    way_m = int(world.distance_m[HOME, world.problem.aircraft[n].base + 1])
    ways = 1 if world.problem.nights_out else 2
    return bool(world.allowed[n, day]) and ways * way_m <= world.budget_m(day, 1)


def _fits(world: World, route: Route, day: int, n: int) -> bool:
    """Say whether a day as it is planned could take one more aircraft."""
    given = world.problem.days[day]
    if not world.allowed[n, day] or len(route.aircraft) >= given.capacity:
        return False
    place = world.problem.aircraft[n].base + 1
    stops = route.stops
    for at in range(len(stops) + (route.end == HOME)):
        trial = replace(route, stops=(*stops[:at], Stop(place, (n,)), *stops[at:]))
        if world.minutes(trial) <= given.usable_minutes + 1e-6:
            return True
    return False


def _sentence(one: Candidate, timing: str, choice: str) -> str:
    parts = [part for part in (one.reason, timing, choice) if part]
    text = "; ".join(parts)
    return f"{text[:1].upper()}{text[1:]}."


def _days(count: int) -> str:
    return f"{count} day{'' if count == 1 else 's'}"


def _and(names: Sequence[str]) -> str:
    if len(names) > 3:
        return f"{', '.join(names[:2])} and {len(names) - 2} others"
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)
