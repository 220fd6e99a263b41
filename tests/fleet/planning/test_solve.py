"""What holds of all tours, on small instances drawn by chance; the best by trying everything.

The invariants are this project's own rules (no source); the brute force is written apart from the
planner and shares only `World.cost` and `faults` with it.
"""

from __future__ import annotations

import datetime
import json
import subprocess
import sys
from dataclasses import replace
from itertools import pairwise, permutations, product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.planning.document import problem_document, problem_from, to_bytes, to_document
from fleet.planning.problem import Candidate, Day, Place, Problem
from fleet.planning.solve import Effort, solve
from fleet.planning.tours import Cost, World, faults, route_of
from patterns.errors import InputError

START = datetime.date(2026, 5, 4)
SHORT = Effort(turns=4, iterations=60)
SOME = settings(max_examples=12, deadline=None, derandomize=True)


def day(number: int) -> datetime.date:
    return START + datetime.timedelta(days=number)


NIGHTS = st.integers(0, 2)


@st.composite
def problems(draw, most_aircraft: int = 9, most_days: int = 5, nights=NIGHTS):
    """Bases within a day's reach and some beyond it; some days missing, wishes, pins."""
    coordinates = st.integers(-150, 150)
    bases = tuple(
        Place(f"B{n}", 40.0 + draw(coordinates) / 100, -98.0 + draw(coordinates) / 100)
        for n in range(draw(st.integers(1, 4)))
    )
    length = draw(st.integers(1, most_days))
    blocked = draw(st.sets(st.integers(0, length - 1), max_size=1))
    free = [n for n in range(length) if n not in blocked]
    optional_day = st.none() | st.integers(0, length - 1)
    aircraft = []
    for n in range(draw(st.integers(1, most_aircraft))):
        wish = draw(optional_day)
        aircraft.append(
            Candidate(
                key=f"{n}",
                name=f"XX-{n}",
                base=draw(st.integers(0, len(bases) - 1)),
                due_on=draw(st.none() | st.integers(-5, length).map(day)),
                weight=draw(st.integers(1, 3)),
                from_on=None if wish is None else day(wish),
            )
        )
    if free and draw(st.booleans()):
        aircraft[0] = replace(aircraft[0], pinned_on=day(draw(st.sampled_from(free))))
    minutes = st.integers(150, 600).map(float)
    days = tuple(Day(day(n), draw(minutes), draw(st.integers(1, 4))) for n in free)
    return Problem(
        Place("Home", 40.0, -98.0), bases, tuple(aircraft), days, day(length - 1),
        nights_out=draw(nights),
    )  # fmt: skip


@SOME
@given(problems())
def test_tours_keep_to_the_problem(problem):
    """Each aircraft once, places, daylight, blocked days, pins, wishes, nights: `faults` says."""
    try:
        found = solve(problem, effort=SHORT)
    except InputError:  # what is kept on a day does not fit it
        assert any(one.pinned_on for one in problem.aircraft)
        return
    world = World(problem)
    assert faults(world, found.routes) == []
    assert found.cost == world.cost(found.routes)
    assert found.late_bound <= found.cost.late
    # And said once more by itself, from what a reader sees.
    document = to_document(problem, found)
    keys = [one["key"] for d in document["days"] for s in d["stops"] for one in s["aircraft"]]
    assert sorted(keys + [one["key"] for one in document["left_out"]]) == sorted(
        one.key for one in problem.aircraft
    )
    days = {d.on.isoformat(): d for d in problem.days}
    for one in document["days"]:
        assert one["minutes"] <= days[one["on"]].usable_minutes + 1e-6
        assert sum(len(s["aircraft"]) for s in one["stops"]) <= days[one["on"]].capacity
        for stop in one["stops"]:
            for seen in stop["aircraft"]:
                candidate = problem.aircraft[int(seen["key"])]
                on = datetime.date.fromisoformat(one["on"])
                assert candidate.pinned_on in (None, on)
                assert candidate.pinned_on or (candidate.from_on or on) <= on
                assert seen["why"].endswith(".")


def best_by_trying_everything(problem: Problem) -> Cost:
    """Out and home again, every assignment to days and every order of the bases of a day."""
    world, best = World(problem), None
    places = range(-1, len(problem.days))
    for chosen in product(places, repeat=len(problem.aircraft)):
        routes = []
        for n in range(len(problem.days)):
            group = [k for k, on in enumerate(chosen) if on == n]
            bases = sorted({problem.aircraft[k].base for k in group})
            routes.append(
                min(
                    (
                        route_of(
                            world, 0,
                            [k for b in order for k in group if problem.aircraft[k].base == b], 0,
                        )
                        for order in permutations(bases)
                    ),
                    key=world.travel_m,
                )
            )  # fmt: skip
        if not faults(world, routes):
            cost = world.cost(routes)
            best = cost if best is None or cost < best else best
    assert best is not None
    return best


@settings(max_examples=12, deadline=None, derandomize=True)
@given(problems(most_aircraft=4, most_days=3, nights=st.just(0)))
def test_tiny_instances_are_solved_as_well_as_by_trying_everything(problem):
    try:
        found = solve(problem, effort=Effort(turns=4, iterations=100))
    except InputError:
        return
    # Of aircraft that nobody is late without, the planner visits none that is not pinned.
    assert found.cost == best_by_trying_everything(problem)


@SOME
@given(problems(most_aircraft=6, most_days=4, nights=st.just(2)))
def test_nights_out_are_never_worse_than_home_every_evening(problem):
    """Lateness only: out of two searches by chance the travel may differ either way."""
    try:
        home = solve(replace(problem, nights_out=0), effort=SHORT)
        away = solve(problem, effort=SHORT)
    except InputError:
        return
    assert away.cost.late <= home.cost.late


def far_problem() -> Problem:
    """Two bases near one another and far from home: a night there saves a way there and back."""
    bases = (Place("Far", 40.0, -95.6), Place("Farther", 40.0, -95.3))
    aircraft = tuple(Candidate(f"{n}", f"XX-{n}", n // 3, day(1), reason="due") for n in range(6))
    return Problem(
        Place("Home", 40.0, -98.0), bases, aircraft,
        tuple(Day(day(n), 480.0, 6) for n in range(4)), day(3), nights_out=1,
    )  # fmt: skip


def test_night_out_where_it_saves_the_way():
    problem = far_problem()
    found = solve(problem, effort=SHORT)
    home = solve(replace(problem, nights_out=0), effort=SHORT)
    assert [route.end != 0 for route in found.routes][:2] == [True, False]
    assert found.cost < home.cost
    assert found.cost.late == 0


def test_same_problem_gives_the_same_bytes():
    problem = far_problem()
    first, again = (to_bytes(problem, solve(problem, effort=SHORT)) for _ in range(2))
    assert first == again
    assert problem_from(json.loads(json.dumps(problem_document(problem)))) == problem


def test_stopped_at_once_it_gives_the_first_plan():
    problem = far_problem()
    told = []
    found = solve(problem, effort=SHORT, tell=lambda *seen: told.append(seen), stop=lambda: True)
    assert found.stopped
    assert found.turns == 0
    assert faults(World(problem), found.routes) == []
    heard = []
    solve(problem, effort=SHORT, tell=lambda share, cost, routes: heard.append((share, cost)))
    assert heard[0][0] == 0
    assert all(not earlier[1] < later[1] for earlier, later in pairwise(heard))


@pytest.mark.parametrize(
    ("changes", "left_out", "words"),
    [
        ({"from_on": day(9)}, 1, "no day of the plan lies in the time wished for"),
        ({"due_on": None}, 1, "not late before the plan ends"),
        ({"base": 1}, 1, "too far away for any day"),
        ({"due_on": day(-3)}, 0, "on the first day of the plan that it may be on"),
        ({"pinned_on": day(1)}, 0, "kept on this day by your word"),
        ({}, 0, "first visit in reach"),
    ],
)
def test_choice_is_said(changes, left_out, words):
    bases = (Place("Near", 40.0, -97.8), Place("Beyond", 48.0, -98.0))
    one = replace(Candidate("a", "XX-A01", 0, day(0), reason="due today"), **changes)
    days = (Day(day(0), 480.0, 3), Day(day(1), 480.0, 3))
    problem = Problem(Place("Home", 40.0, -98.0), bases, (one,), days, day(2), nights_out=0)
    document = to_document(problem, solve(problem, effort=SHORT))
    assert len(document["left_out"]) == left_out
    stops = [s for d in document["days"] for s in d["stops"]]
    [seen] = document["left_out"] or stops[0]["aircraft"]
    assert words in seen["why"]
    assert seen["why"].startswith("Due today;")


def test_solver_is_not_loaded_before_tours_are_looked_for():
    """It takes most of a second to import, which no web process has to spare."""
    code = (
        "import sys, fleet.planning.solve, fleet.planning.document\n"
        "assert 'pyvrp' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)
