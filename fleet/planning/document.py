"""A problem and what came of it as plain data: canonical JSON, the same for the same inputs."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from typing import Any

from fleet.planning.explain import Told, explain
from fleet.planning.problem import Candidate, Day, Place, Problem
from fleet.planning.solve import Solution
from fleet.planning.tours import Route, World, tours
from patterns.plain import canonical_bytes, plain

VERSION = 1
_DAYS = {"on", "due_on", "from_on", "pinned_on", "ends_on"}


def problem_document(problem: Problem) -> dict[str, Any]:
    """Return a problem as plain data, days as ISO 8601 writes them."""
    document: dict[str, Any] = _iso(problem)
    return document


def problem_from(document: Mapping[str, Any]) -> Problem:
    """Read a problem back; a setting that is not known here is passed over."""
    given = {f.name: document[f.name] for f in fields(Problem) if f.name in document}
    return Problem(
        **{
            **given,
            "home": Place(**document["home"]),
            "bases": tuple(Place(**one) for one in document["bases"]),
            "aircraft": tuple(Candidate(**_dates(one)) for one in document["aircraft"]),
            "days": tuple(Day(**_dates(one)) for one in document["days"]),
            "ends_on": datetime.date.fromisoformat(document["ends_on"]),
        }
    )


def to_document(problem: Problem, solution: Solution) -> dict[str, Any]:
    """Return tours with the reasons for every stop as plain data."""
    world = World(problem)
    told = explain(world, solution.routes)
    number_of = {day: n for n, tour in enumerate(tours(solution.routes), 1) for day in tour}
    late = [one.late_days for one in told.values() if one.late_days]
    document = {
        "version": VERSION,
        "places": [problem.home, *problem.bases],
        "days": [
            _day(world, day, route, told, number_of.get(day))
            for day, route in enumerate(solution.routes)
        ],
        "left_out": [_aircraft(world, told[n]) for n in world.left_out(solution.routes)],
        "late_aircraft": len(late),
        "late_days": sum(late),
        "late_weighted": solution.cost.late,
        "late_weighted_bound": solution.late_bound,
        "travel_m": solution.cost.travel_m,
        "turns": solution.turns,
        "stopped": solution.stopped,
    }
    result: dict[str, Any] = _iso(document)
    return result


def to_bytes(problem: Problem, solution: Solution) -> bytes:
    """Return the document of tours as canonical JSON."""
    return canonical_bytes(to_document(problem, solution))


def _day(
    world: World, day: int, route: Route, told: Mapping[int, Told], tour: int | None
) -> dict[str, Any]:
    given, here, stops = world.problem.days[day], route.start, []
    for stop in route.stops:
        stops.append(
            {
                "place": stop.place,
                "way_m": int(world.distance_m[here, stop.place]),
                "aircraft": [_aircraft(world, told[n]) for n in stop.aircraft],
            }
        )
        here = stop.place
    return {
        "on": given.on,
        "tour": tour,
        "capacity": given.capacity,
        "usable_minutes": given.usable_minutes,
        "minutes": world.minutes(route),
        "travel_m": world.travel_m(route),
        "start": route.start,
        "stops": stops,
        "end": route.end,
        "last_way_m": int(world.distance_m[here, route.end]),
    }


def _aircraft(world: World, told: Told) -> dict[str, Any]:
    one = world.problem.aircraft[told.aircraft]
    return {
        "key": one.key,
        "name": one.name,
        "place": one.base + 1,
        "due_on": one.due_on,
        "pinned": one.pinned_on is not None,
        "late_days": told.late_days,
        "why": told.why,
    }


def _iso(value: Any) -> Any:
    """Plain form, days as ISO 8601 writes them."""
    if isinstance(value, datetime.date):
        return value.isoformat()
    if isinstance(value, dict):
        return {key: _iso(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_iso(one) for one in value]
    return _iso(plain(value)) if is_dataclass(value) else plain(value)


def _dates(given: Mapping[str, Any]) -> dict[str, Any]:
    return {
        key: datetime.date.fromisoformat(one) if key in _DAYS and one else one
        for key, one in given.items()
    }
