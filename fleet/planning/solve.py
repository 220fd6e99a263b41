"""Finds tours: who is visited when with the nights held still, then the nights, in turns.

PyVRP, a hybrid of iterated local search, decides who is visited on which day and in which order
with the places of the nights given; an exact split of that order then decides the nights; and so
on, as long as it gets better. Two beginnings are tried: every night at home, and tours as long as
nights out allow. Iterations, not seconds, limit the search, and chance has a seed: the same
problem gives the same tours, unless somebody stops it early.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment

from fleet.planning import nights
from fleet.planning.first import first_routes
from fleet.planning.problem import Problem, check
from fleet.planning.tours import Cost, Route, World, faults, route_of

Tell = Callable[[float, Cost, Sequence[Route]], None]
"""Told now and then: share of the search done, cost of the best so far, and its routes."""
Stop = Callable[[], bool]


@dataclass(frozen=True, slots=True)
class Effort:
    """How long to look: turns of so many iterations each, fewer once many in a row gain nothing."""

    turns: int = 24
    iterations: int = 400
    patience: int = 12
    seed: int = 1


@dataclass(frozen=True, slots=True)
class Solution:
    """Tours, one route for each day of the problem, and how good they are known to be.

    Attributes
    ----------
    cost : Cost
        Days late times weight, and metres.
    late_bound : int
        No tours can be less late than this, weighted: proven by leaving all travel out.
    turns : int
        Turns of the search that were begun.
    stopped : bool
        Whether somebody asked to stop before the search was over.
    """

    routes: tuple[Route, ...]
    cost: Cost
    late_bound: int
    turns: int
    stopped: bool


def never() -> bool:
    """Let the search run to its end."""
    return False


def quietly(share: float, cost: Cost, routes: Sequence[Route]) -> None:
    """Tell nobody."""


def solve(
    problem: Problem, *, effort: Effort | None = None, tell: Tell = quietly, stop: Stop = never
) -> Solution:
    """Find tours that are late as little as possible, and among those travel least.

    `stop` is asked in every iteration of the search; `tell` is called at every turn.

    Raises
    ------
    InputError
        Where `check` finds something wrong, or what is pinned on a day does not fit it.
    """
    check(problem)
    world = World(problem)
    search = _Search(world, effort or Effort(), tell, stop)
    search.run()
    return Solution(
        tuple(search.routes), search.cost, late_bound(world), search.turns, search.stopped
    )


class _Search:
    """The best so far, and the turns that better it."""

    def __init__(self, world: World, effort: Effort, tell: Tell, stop: Stop) -> None:
        self._world, self._effort, self._tell, self._stop = world, effort, tell, stop
        self.routes = first_routes(world)
        self.cost = world.cost(self.routes)
        self.turns = 0
        self.stopped = False

    def _over(self) -> bool:
        self.stopped = self.stopped or self._stop()
        return self.stopped

    def run(self) -> None:
        """Try both beginnings, go on from the better one."""
        if not self._world.problem.days or not self._world.problem.aircraft:
            return
        starts = [self.routes]
        if self._world.problem.nights_out > 0:
            starts.append(self._long_tours())
        for start in starts:
            self._turn(start)
        idle = 0
        while self.turns < self._effort.turns and idle < self._effort.patience:
            before = self.cost
            if self._over():
                break
            self._turn(self.routes)
            idle = 0 if self.cost < before else idle + 1

    def _turn(self, routes: list[Route]) -> None:
        from fleet.planning import vrp  # noqa: PLC0415 -- large: only where tours are looked for

        if self._over():
            return
        self._tell(self.turns / max(1, self._effort.turns), self.cost, self.routes)
        self.turns += 1
        world = self._world
        orders = vrp.Instance(world, vrp.day_vehicles(world, routes)).improved(
            [route.aircraft for route in routes],
            iterations=self._effort.iterations,
            seed=self._effort.seed + self.turns,
            stop=self._over,
        )
        if orders is None:
            return
        found = [
            route_of(world, route.start, order, route.end)
            for route, order in zip(routes, orders, strict=True)
        ]
        self._keep(found)
        self._keep(nights.settled(world, found))

    def _keep(self, routes: list[Route]) -> None:
        cost = self._world.cost(routes)
        if cost < self.cost and not faults(self._world, routes):
            self.routes, self.cost = routes, cost

    def _long_tours(self) -> list[Route]:
        """Plan tours of several days as if each were one long day, then cut them into days."""
        from fleet.planning import vrp  # noqa: PLC0415 -- as above

        world, problem = self._world, self._world.problem
        blocks = nights.blocks(world)
        vehicles = [
            vrp.Vehicle(
                start=0,
                end=0,
                minutes=sum(problem.days[day].usable_minutes for day in days),
                capacity=sum(problem.days[day].capacity for day in days),
                late=world.late[:, days[len(days) // 2]],
                allowed=np.logical_or.reduce(world.allowed[:, list(days)], axis=1),
            )
            for days in blocks
        ]
        orders = vrp.Instance(world, vehicles).improved(
            None, iterations=self._effort.iterations, seed=self._effort.seed, stop=self._over
        )
        if orders is None:
            return self.routes
        return [
            route
            for days, order in zip(blocks, orders, strict=True)
            for route in nights.laid_out(world, days, order)
        ]


def late_bound(world: World) -> int:
    """Return a lower bound on the weighted days late of any tours.

    Every aircraft is assigned to a place on a day that it may be on and that is in reach from
    home, or is left out, at least cost and as if travel took no time (linear assignment).
    """
    problem, late = world.problem, world.late
    if not problem.aircraft:
        return 0
    columns = [day for day in range(len(problem.days)) for _ in range(world.capacity(day))]
    never_on = int(late.max()) * len(problem.aircraft) + 1
    cost = np.where(world.allowed[:, columns], late[:, columns], never_on)
    out = np.full((len(problem.aircraft),) * 2, never_on)
    np.fill_diagonal(out, late[:, -1])
    both = np.hstack([cost, out])
    rows, chosen = linear_sum_assignment(both)
    return int(both[rows, chosen].sum())


def late_aircraft(world: World, routes: Sequence[Route]) -> tuple[int, int]:
    """Return how many aircraft are late and by how many days in all, those left out counted."""
    problem = world.problem
    days = [
        problem.aircraft[n].late_days(problem.days[day].on)
        for day, route in enumerate(routes)
        for n in route.aircraft
    ]
    days += [problem.late_left_out(problem.aircraft[n]) for n in world.left_out(routes)]
    return sum(day > 0 for day in days), sum(days)
