"""The vehicle-routing problem that is left when the nights are fixed, handed to PyVRP.

A day of the plan is a vehicle, with a depot where it begins and one where it ends; an aircraft is
a client that may be left out. What a test on a day costs in days late is added to every way that
leads to that client in the day's own matrix of ways.

The only module that imports PyVRP, which is large: it is imported where tours are looked for.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from pyvrp import Client, Depot, Location, ProblemData, VehicleType
from pyvrp import Route as Way
from pyvrp import Solution as Found
from pyvrp import solve as search

from fleet.planning.problem import STEP_M
from fleet.planning.tours import HOME, Route, World

_LOAD = 1000  # of one aircraft: what is overloaded is then penalised as strongly as what is late
_MOST = 2**50


@dataclass(frozen=True, slots=True)
class Vehicle:
    """A day, or days taken together: its ends, its time and places, days late of each aircraft."""

    start: int
    end: int
    minutes: float
    capacity: int
    late: NDArray[np.int64]
    allowed: NDArray[np.bool_]


def day_vehicles(world: World, routes: Sequence[Route]) -> list[Vehicle]:
    """Return the days with the nights as they are in `routes`."""
    problem = world.problem
    return [
        Vehicle(
            routes[n].start,
            routes[n].end,
            day.usable_minutes,
            day.capacity,
            world.late[:, n],
            world.allowed[:, n],
        )
        for n, day in enumerate(problem.days)
    ]


class Instance:
    """A problem with its vehicles, as PyVRP takes it."""

    def __init__(self, world: World, vehicles: Sequence[Vehicle]) -> None:
        self._world = world
        self._vehicles = vehicles
        problem = world.problem
        # Nothing is gained by aircraft that are not late even when they are left out.
        self._clients = [
            n
            for n, one in enumerate(problem.aircraft)
            if world.late[n, -1] > 0 or one.pinned_on is not None
        ]
        nights = sorted({v.start for v in vehicles} | {v.end for v in vehicles} | {HOME})
        self._depots = {place: number for number, place in enumerate(nights)}
        self._data = self._built(nights)

    def _built(self, nights: list[int]) -> ProblemData:
        world, problem = self._world, self._world.problem
        # A weighted day late outweighs all the travel that the days have time for.
        minutes = sum(v.minutes for v in self._vehicles)
        heavy = int(minutes / world.minutes_per_m) // STEP_M + 1
        places = [problem.aircraft[n].base + 1 for n in self._clients]
        at = np.array([*nights, *places])
        ways = world.distance_m[np.ix_(at, at)] // STEP_M
        seconds = np.ceil(ways * (STEP_M * world.minutes_per_m * 60.0)).astype(np.int64)
        left_out = world.late[self._clients, -1] * heavy
        never = int(left_out.sum()) + heavy
        matrices = []
        for vehicle in self._vehicles:
            here = vehicle.late[self._clients] * heavy
            here = np.where(vehicle.allowed[self._clients], here, never)
            matrix = ways + np.concatenate([np.zeros(len(nights), np.int64), here])[None, :]
            np.fill_diagonal(matrix, 0)
            matrices.append(matrix)
        first = len(nights)
        service = round(problem.minutes_per_aircraft * 60.0)
        return ProblemData(
            locations=[Location(0, 0)] * len(at),
            clients=[
                Client(
                    location=first + k,
                    delivery=[_LOAD],
                    service_duration=service,
                    prize=min(int(left_out[k]), _MOST),
                    required=problem.aircraft[n].pinned_on is not None,
                )
                for k, n in enumerate(self._clients)
            ],
            depots=[Depot(location=n) for n in range(first)],
            vehicle_types=[
                VehicleType(
                    capacity=[v.capacity * _LOAD],
                    start_depot=self._depots[v.start],
                    end_depot=self._depots[v.end],
                    shift_duration=int(v.minutes * 60.0),
                    profile=n,
                )
                for n, v in enumerate(self._vehicles)
            ],
            distance_matrices=matrices,
            duration_matrices=[seconds] * len(matrices),
        )

    @property
    def empty(self) -> bool:
        """Whether there is nothing to look for."""
        return not self._clients or not self._vehicles

    def improved(
        self,
        orders: Sequence[Sequence[int]] | None,
        *,
        iterations: int,
        seed: int,
        stop: Callable[[], bool],
    ) -> list[list[int]] | None:
        """Return the aircraft of each vehicle in order, better than `orders` where that is found.

        `stop` is asked in every iteration. None where nothing was found that keeps to the days.
        """
        if self.empty:
            return None if orders is None else [list(order) for order in orders]
        left = iter(range(iterations))

        def over(best_cost: int) -> bool:
            return next(left, None) is None or stop()

        found = search(
            self._data,
            over,
            seed=seed,
            collect_stats=False,
            initial_solution=None if orders is None else self._given(orders),
        )
        return self._read(found.best) if found.best.is_feasible() else None

    def _given(self, orders: Sequence[Sequence[int]]) -> Found:
        number = {n: k for k, n in enumerate(self._clients)}
        ways = []
        for vehicle, order in enumerate(orders):
            visits = [number[n] for n in order if n in number]
            if visits:
                ways.append(Way(self._data, visits, vehicle))
        return Found(self._data, ways)

    def _read(self, found: Found) -> list[list[int]]:
        orders: list[list[int]] = [[] for _ in self._vehicles]
        for way in found.routes():
            orders[way.vehicle_type()] = [self._clients[a.idx] for a in way if a.is_client()]
        return orders
