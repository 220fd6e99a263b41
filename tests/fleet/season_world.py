"""A made-up past of an association: seasons, members, fleets, tests, analyses, approvals.

Drawn by a seeded generator, written in bulk, and kept as plain records beside, so that a test can
count them again in plain Python. Every odd case comes up: seasons across New Year and gaps between
them, operators that left or lapsed in the middle, guests, operators without a membership, members
without aircraft, aircraft sold, tests without an analysis or outside every season, analyses that
recommend nothing, approvals superseded, withdrawn and ended by a newer set-up.
"""

from __future__ import annotations

import datetime
import random
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from django.utils import timezone

from fleet import models as m
from tests.cast import Cast

DAY = datetime.timedelta(days=1)
PURPOSES = ("main work", "edges")
KINDS = ("fixed_wing", "helicopter", "uncrewed")
STATES = ("North Fold", "Low Plains", None)


@dataclass
class World:
    """What was written, as model instances by kind; the relations are their own."""

    seasons: list[m.Season] = field(default_factory=list)
    operators: list[m.Operator] = field(default_factory=list)
    memberships: list[m.Membership] = field(default_factory=list)
    aircraft: list[m.Aircraft] = field(default_factory=list)
    setups: list[m.SetUp] = field(default_factory=list)
    visits: list[m.Visit] = field(default_factory=list)
    tests: list[m.Test] = field(default_factory=list)
    jobs: list[m.Job] = field(default_factory=list)
    runs: list[m.AnalysisRun] = field(default_factory=list)
    approvals: list[m.Approval] = field(default_factory=list)
    withdrawals: list[m.Withdrawal] = field(default_factory=list)


def make_world(
    cast: Cast,
    seed: int,
    *,
    operators: int = 12,
    fleet: int = 3,
    years: int = 3,
    tests: int = 2,
    weight: int = 0,
) -> World:
    """Draw and write a past of `years` seasons up to 2026/27.

    `fleet` is the most aircraft of an operator, `tests` the most tests of an aircraft in a year,
    `weight` the size of each analysis's document.
    """
    rng = random.Random(seed)
    world = World()
    _seasons(world, years)
    states = [name and m.Jurisdiction.objects.create(name=name) for name in STATES]
    for number in range(operators):
        _operator(world, rng, number, rng.choice(states))
    for season in world.seasons:
        world.visits += [
            m.Visit(
                kind="clinic",
                place=f"Strip {number}",
                starts_on=season.starts_on,
                ends_on=season.ends_on,
                analyst=cast.analyst,
            )
            for number in range(3)
        ]
    stray = m.Visit(
        kind="clinic",
        place="Between seasons",
        starts_on=world.seasons[0].starts_on - 400 * DAY,
        ends_on=world.seasons[-1].ends_on,
        analyst=cast.analyst,
    )
    world.visits.append(stray)
    for operator in world.operators:
        for _ in range(rng.randint(0, fleet)):
            _aircraft(world, rng, operator, tests, cast.analyst, "x" * weight)
    _write(world)
    return world


def moment(day: datetime.date) -> datetime.datetime:
    """Return noon of a day."""
    return timezone.make_aware(datetime.datetime.combine(day, datetime.time(12)))


def _seasons(world: World, years: int) -> None:
    """From 1 November to 31 August, so that ten months run across New Year and two are none's."""
    for year in range(2026 - years + 1, 2027):
        world.seasons.append(
            m.Season(
                name=f"{year}/{(year + 1) % 100:02d}",
                starts_on=datetime.date(year, 11, 1),
                ends_on=datetime.date(year + 1, 8, 31),
            )
        )


def _operator(world: World, rng: random.Random, number: int, state: Any) -> None:
    first, last = world.seasons[0].starts_on, datetime.date(2026, 12, 31)
    left = None
    if rng.random() < 0.25:
        left = first + rng.randint(0, (last - first).days) * DAY
    operator = m.Operator(
        name=f"Spray {number:04d}", base="Strip", jurisdiction=state, left_on=left
    )
    operator.created_at = moment(first - 500 * DAY)
    world.operators.append(operator)
    for season in world.seasons:
        if rng.random() < 0.3:
            continue
        joined = season.starts_on + rng.choice((-30, 0, 40)) * DAY
        lapsed = joined + rng.randint(0, 250) * DAY if rng.random() < 0.25 else None
        world.memberships.append(
            m.Membership(
                operator=operator,
                season=season,
                kind=rng.choice(("full", "full", "associate", "guest")),
                joined_on=joined,
                lapsed_on=lapsed,
            )
        )


def _aircraft(
    world: World, rng: random.Random, operator: m.Operator, most: int, analyst: Any, document: str
) -> None:
    first, last = world.seasons[0].starts_on - 300 * DAY, world.seasons[-1].starts_on + 60 * DAY
    known = first + rng.choice((-200, 100, 500)) * DAY
    retired = known + rng.randint(100, 900) * DAY if rng.random() < 0.3 else None
    one = m.Aircraft(
        operator=operator,
        registration=f"XX-{len(world.aircraft):05d}",
        model="Sower 400",
        kind=rng.choice(KINDS),
        span_m=15.0,
        retired_on=retired,
    )
    one.created_at = moment(known)
    world.aircraft.append(one)
    for purpose in PURPOSES[: rng.randint(1, 2)]:
        number, day = 0, first
        newest: m.Approval | None = None
        while day < last:
            if number == 0 or rng.random() < 0.3:
                number += 1
                setup = _setup(world, one, purpose, number, day, rng)
                newest = None
            for _ in range(rng.randint(0, most)):
                day += rng.randint(0, 60) * DAY
                newest = _test(world, rng, setup, min(day, last), analyst, newest, document)
            day += rng.randint(90, 300) * DAY


def _setup(
    world: World, one: m.Aircraft, purpose: str, number: int, day: datetime.date, rng: random.Random
) -> m.SetUp:
    setup = m.SetUp(
        operator=one.operator,
        aircraft=one,
        purpose=purpose.title(),
        purpose_key=purpose,
        number=number,
        boom_width_m=10.0,
        nozzles=[{"place_m": n / 4, "type": "fan", "size": "4010"} for n in range(-20, 21)],
        pressure_kpa=276.0,
        airspeed_m_s=62.0,
        release_height_m=3.0,
        rate_l_per_ha=28.0,
        manner=rng.choice(("one_way", "back_and_forth")),
    )
    setup.created_at = moment(day)
    world.setups.append(setup)
    return setup


def _test(
    world: World,
    rng: random.Random,
    setup: m.SetUp,
    day: datetime.date,
    analyst: Any,
    newest: m.Approval | None,
    document: str,
) -> m.Approval | None:
    home = [one for one in world.visits if one.starts_on <= day <= one.ends_on]
    test = m.Test(
        operator=setup.operator, visit=rng.choice(home), setup=setup, flown_on=day, note=""
    )
    test.created_at = moment(day)
    world.tests.append(test)
    for number in range(1, rng.choice((0, 1, 1, 1, 2)) + 1):
        run = _run(test, rng, number, analyst, document)
        world.jobs.append(run.job)
        world.runs.append(run)
        if rng.random() < 0.6:
            supersedes = newest if newest is not None and rng.random() < 0.7 else None
            newest = m.Approval(
                operator=setup.operator,
                aircraft=setup.aircraft,
                setup=setup,
                analysis=run,
                swath_m=rng.uniform(12, 25),
                cv_percent=rng.uniform(5, 25),
                manner=rng.choice(("one_way", "back_and_forth")),
                approved_by=analyst,
                valid_until=day + rng.randint(60, 500) * DAY,
                supersedes=supersedes,
            )
            newest.created_at = moment(day) + number * datetime.timedelta(minutes=5)
            world.approvals.append(newest)
            if rng.random() < 0.15:
                taken = m.Withdrawal(
                    operator=setup.operator, approval=newest, withdrawn_by=analyst, reason="Wrong."
                )
                taken.created_at = moment(day + rng.randint(0, 90) * DAY)
                world.withdrawals.append(taken)
    return newest


def _run(
    test: m.Test, rng: random.Random, number: int, analyst: Any, document: str
) -> m.AnalysisRun:
    job = m.Job(operator=test.operator, kind="analysis", subject_id=test.pk, state="done")
    none = rng.random() < 0.15
    return m.AnalysisRun(
        operator=test.operator,
        test=test,
        job=job,
        number=number,
        method_version="1",
        parameters={},
        inputs={},
        inputs_digest="",
        weather={},
        document=document,
        document_digest=uuid.uuid4().hex,
        accepted_passes=3,
        one_way_swath_m=None if none else rng.uniform(12, 25),
        one_way_cv_percent=None if none else rng.uniform(5, 25),
        back_and_forth_swath_m=None if none else rng.uniform(12, 25),
        back_and_forth_cv_percent=None if none else rng.uniform(5, 25),
        requested_by=analyst,
    )


def _write(world: World) -> None:
    with _moments_kept():
        for rows in (
            world.seasons,
            world.operators,
            world.memberships,
            world.aircraft,
            world.setups,
            world.visits,
            world.tests,
            world.jobs,
            world.runs,
            world.approvals,
            world.withdrawals,
        ):
            if rows:
                type(rows[0]).objects.bulk_create(rows, batch_size=500)


@contextmanager
def _moments_kept() -> Iterator[None]:
    """Let rows be written with the moment they carry instead of now."""
    kinds = (m.Operator, m.Aircraft, m.SetUp, m.Test, m.Approval, m.Withdrawal)
    fields = [kind._meta.get_field("created_at") for kind in kinds]
    for one in fields:
        one.auto_now_add = False
    try:
        yield
    finally:
        for one in fields:
            one.auto_now_add = True
