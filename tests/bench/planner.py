"""The planner of return visits: 300 aircraft at 80 bases over 8 weeks, on one core.

The reference of the same run is the planner itself with ten times the search (turns and so time),
since no bound that knows of travel can be proven at this size. Three gaps are printed, each
(ours − reference) / reference:

* days late: sum over aircraft of days late × weight, those left out counted to the plan's end;
* travel: metres of all tours; where the days late differ, the two are not alike, and less lateness
  may rightly cost travel;
* both in one scale: days late × HEAVY_M + travel, where HEAVY_M, the metres that one weighted day
  late stands for, is what the planner's order (lateness first) makes of it: more than all travel
  that the days have time for.

Beside them stands a proven bound of the days late, by assignment without travel, which says how
little lateness any tours could have; it is far off where travel is what takes the time.
`--quick` is a small instance for the tests. The ratio is the last of the three gaps, in per cent.
"""

from __future__ import annotations

import datetime
import time
from dataclasses import dataclass, replace

import numpy as np

from fleet.planning.problem import Candidate, Day, Place, Problem
from fleet.planning.solve import Effort, Solution, late_aircraft, solve
from fleet.planning.tours import World, faults

TIMES = 10


@dataclass(frozen=True, slots=True)
class Size:
    """How large the instance is, and how long it is looked at."""

    aircraft: int
    bases: int
    weeks: int
    effort: Effort


FULL = Size(300, 80, 8, Effort())
QUICK = Size(12, 5, 2, Effort(turns=2, iterations=10))


def instance(size: Size, seed: int = 26) -> Problem:
    """Bases over about 330 by 330 km; most aircraft of a base are due at about the same time."""
    random = np.random.default_rng(seed)
    north = random.uniform(-1.5, 1.5, size.bases)
    east = random.uniform(-1.95, 1.95, size.bases)
    bases = tuple(
        Place(f"Base {n}", round(40.0 + float(north[n]), 6), round(-98.0 + float(east[n]), 6))
        for n in range(size.bases)
    )
    start = datetime.date(2026, 3, 2)
    length = 7 * size.weeks
    days = [start + datetime.timedelta(days=n) for n in range(length)]
    days = [day for day in days if day.weekday() < 5]
    blocked = set(random.choice(len(days), size=len(days) // 13, replace=False).tolist())
    due = random.integers(-7, length, size.bases)
    aircraft = []
    for n in range(size.aircraft):
        base = n if n < size.bases else int(random.integers(size.bases))
        late = int(np.clip(due[base] + random.integers(-7, 8), -14, length - 1))
        wish = int(random.integers(0, length // 2)) if random.random() < 0.1 else None
        aircraft.append(
            Candidate(
                key=str(n),
                name=f"XX-{n:03d}",
                base=base,
                due_on=start + datetime.timedelta(days=late),
                weight=int(random.choice([1, 2, 3])),
                reason="due",
                from_on=None if wish is None else start + datetime.timedelta(days=wish),
            )
        )
    return Problem(
        home=Place("Home", 40.0, -98.0),
        bases=bases,
        aircraft=tuple(aircraft),
        days=tuple(Day(day, 600.0, 8) for n, day in enumerate(days) if n not in blocked),
        ends_on=start + datetime.timedelta(days=length - 1),
        nights_out=2,
    )


def timed(problem: Problem, effort: Effort) -> tuple[Solution, str]:
    """Find tours and check them; the seconds it took, by the clock and of the processor."""
    begun, worked = time.perf_counter(), time.process_time()
    found = solve(problem, effort=effort)
    taken = f"{time.perf_counter() - begun:.1f} s ({time.process_time() - worked:.1f} s processor)"
    broken = faults(World(problem), found.routes)
    assert not broken, broken
    return found, taken


def described(name: str, problem: Problem, found: Solution, taken: str) -> None:
    """Print what tours cost."""
    world = World(problem)
    late, days = late_aircraft(world, found.routes)
    nights = sum(route.end != 0 for route in found.routes)
    report(
        name,
        f"{taken}, {found.turns} turns; {late} aircraft late by {days} days in all "
        f"({found.cost.late} weighted), {len(world.left_out(found.routes))} left out; "
        f"{found.cost.travel_m / 1000:.0f} km, {nights} nights out",
    )


def main() -> float:
    """Plan once, and with ten times the search; the gap in one scale, in per cent."""
    return compare(FULL)


def quick() -> float:
    """The same on a small instance."""
    return compare(QUICK)


def compare(size: Size) -> float:
    """Print both and the gaps; the gap in one scale, in per cent."""
    problem = instance(size)
    days = len(problem.days)
    report(
        "instance", f"{size.aircraft} aircraft, {size.bases} bases, {days} days, {size.weeks} weeks"
    )
    effort = size.effort
    ours, taken = timed(problem, effort)
    described("ours", problem, ours, taken)
    longer = replace(effort, turns=TIMES * effort.turns, patience=TIMES * effort.patience)
    reference, most = timed(problem, longer)
    described(f"with {TIMES} times the search", problem, reference, most)
    report("proven bound of the weighted days late, without travel", f"{ours.late_bound}")
    minutes = sum(day.usable_minutes for day in problem.days)
    heavy_m = minutes * 60.0 * problem.speed_m_s
    gaps = {
        "days late, weighted": (ours.cost.late, reference.cost.late),
        "travel": (ours.cost.travel_m, reference.cost.travel_m),
        "both in one scale": tuple(
            one.cost.late * heavy_m + one.cost.travel_m for one in (ours, reference)
        ),
    }
    for name, (mine, theirs) in gaps.items():
        report(f"gap of {name}", f"{gap_percent(mine, theirs):.2f} %")
    return gap_percent(*gaps["both in one scale"])


def gap_percent(ours: float, reference: float) -> float:
    """How much more ours is than the reference, in per cent of it; 0 where both are nothing."""
    return 100.0 * (ours - reference) / reference if reference else 100.0 * (ours > 0)


def report(name: str, value: str) -> None:
    """Print one line."""
    print(f"{name}: {value}", flush=True)  # noqa: T201 -- a benchmark talks to a terminal
