"""Participation: every figure against a slow count in plain Python over a made-up past."""

from __future__ import annotations

import datetime
from collections import defaultdict
from statistics import median
from typing import Any

import pytest

from fleet import models as m
from fleet.queries.participation import figures, flown_outside_seasons
from tests.cast import Cast
from tests.fleet.season_world import World, make_world

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("everyone")]

TODAY = datetime.date(2026, 11, 26)
QUERIES = 5


def day_of(row: Any) -> datetime.date:
    """World rows are made at noon of a day here, so the day is that of the local time."""
    from django.utils import timezone

    return timezone.localtime(row.created_at).date()


class Slow:
    """The definitions of `fleet.queries.participation` again, one row at a time, without SQL."""

    def __init__(self, world: World) -> None:
        self.world = world

    def flown(self, season: m.Season) -> list[m.Test]:
        return [t for t in self.world.tests if season.starts_on <= t.flown_on <= season.ends_on]

    def flyers(self, season: m.Season) -> set[Any]:
        return {test.operator_id for test in self.flown(season)}

    def members(self, season: m.Season) -> list[m.Membership]:
        return [one for one in self.world.memberships if one.season_id == season.pk]

    def told_apart(self, season: m.Season) -> tuple[int, int, int | None]:
        earlier = [one for one in self.world.seasons if one.starts_on < season.starts_on]
        before = set().union(*(self.flyers(one) for one in earlier))
        now = self.flyers(season)
        lapsed = len(self.flyers(earlier[-1]) - now) if earlier else None
        return len(now - before), len(now & before), lapsed

    def members_on(self, season: m.Season, day: datetime.date) -> list[m.Membership]:
        return [
            one
            for one in self.members(season)
            if one.joined_on <= day
            and not (one.lapsed_on and one.lapsed_on <= day)
            and not (one.operator.left_on and one.operator.left_on <= day)
        ]

    def serving(self, one: m.Aircraft, day: datetime.date) -> bool:
        if one.retired_on and one.retired_on <= day:
            return False
        flown = [t for t in self.world.tests if t.setup.aircraft_id == one.pk]
        return day_of(one) <= day or any(test.flown_on <= day for test in flown)

    def holds(self, approval: m.Approval, day: datetime.date) -> bool:
        if day_of(approval) > day or approval.valid_until < day:
            return False
        if any(w.approval_id == approval.pk and day_of(w) <= day for w in self.world.withdrawals):
            return False
        if any(
            later.supersedes_id == approval.pk and day_of(later) <= day
            for later in self.world.approvals
        ):
            return False
        return not any(
            setup.aircraft_id == approval.aircraft_id
            and setup.purpose_key == approval.setup.purpose_key
            and setup.number > approval.setup.number
            and day_of(setup) <= day
            for setup in self.world.setups
        )

    def fleet(self, season: m.Season, day: datetime.date) -> tuple[int, int, int]:
        members = self.members_on(season, day)
        owners = {one.operator_id for one in members}
        fleet = [a for a in self.world.aircraft if a.operator_id in owners and self.serving(a, day)]
        approved = [
            one
            for one in fleet
            if any(a.aircraft_id == one.pk and self.holds(a, day) for a in self.world.approvals)
        ]
        return len(members), len(fleet), len(approved)

    def lines(self, season: m.Season) -> tuple[list[tuple[Any, ...]], int, int]:
        """Comparable lines as (aircraft, cv, cv, swath, swath); not approved again; none first."""
        of_test = defaultdict(list)
        for run in self.world.runs:
            of_test[run.test_id].append(run)
        tests = defaultdict(list)
        for test in sorted(self.flown(season), key=lambda t: (t.flown_on, t.pk)):
            if of_test[test.pk]:
                tests[test.setup.aircraft_id, test.setup.purpose_key].append(test)
        withdrawn = {one.approval_id for one in self.world.withdrawals}
        good, not_again, none_first = [], 0, 0
        for (aircraft, _), flown in tests.items():
            if len(flown) < 2:
                continue
            later = [
                approval
                for test in flown[1:]
                for run in sorted(of_test[test.pk], key=lambda r: r.number)
                for approval in self.world.approvals
                if approval.analysis_id == run.pk and approval.pk not in withdrawn
            ]
            if not later:
                not_again += 1
                continue
            last = later[-1]
            first = max(of_test[flown[0].pk], key=lambda run: run.number)
            swath = getattr(first, f"{last.manner}_swath_m")
            if swath is None:
                none_first += 1
                continue
            cv = getattr(first, f"{last.manner}_cv_percent")
            good.append((aircraft, cv, last.cv_percent, swath, last.swath_m))
        return good, not_again, none_first


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_every_figure_is_that_of_the_slow_count(
    cast: Cast, seed: int, django_assert_num_queries: Any
):
    world = make_world(cast, seed)
    slow = Slow(world)
    with django_assert_num_queries(QUERIES):
        found = figures(cast.staff, today=TODAY)
    assert [one.season.pk for one in found] == [one.pk for one in world.seasons]
    for one in found:
        season = one.season
        flown, members, flyers = slow.flown(season), slow.members(season), slow.flyers(season)
        assert one.tests == len(flown)
        assert one.analysed == len({r.test_id for r in world.runs} & {t.pk for t in flown})
        assert one.aircraft_tested == len({test.setup.aircraft_id for test in flown})
        assert one.visits == len({test.visit_id for test in flown})
        assert one.members == len(members)
        assert one.members_part == sum(row.operator_id in flyers for row in members)
        assert one.operators_part == len(flyers)
        assert (one.first_timers, one.returners, one.lapsed) == slow.told_apart(season)
        for kind, counted in one.members_of_kind.items():
            of_kind = [row for row in members if row.kind == kind]
            assert counted == (len(of_kind), sum(row.operator_id in flyers for row in of_kind))
        assert one.as_of == min(season.ends_on, TODAY)
        assert (one.members_on_day, one.fleet, one.approved) == slow.fleet(season, one.as_of)
        good, not_again, none_first = slow.lines(season)
        change = one.change
        assert (change.not_approved_again, change.none_at_first) == (not_again, none_first)
        assert change.lines == len(good)
        assert change.aircraft == len({row[0] for row in good})
        if good:
            assert change.cv_first_percent == pytest.approx(median(row[1] for row in good))
            assert change.cv_last_percent == pytest.approx(median(row[2] for row in good))
            assert change.cv_change_percent == pytest.approx(median(r[2] - r[1] for r in good))
            assert change.swath_first_m == pytest.approx(median(row[3] for row in good))
            assert change.swath_last_m == pytest.approx(median(row[4] for row in good))
            assert change.swath_change_m == pytest.approx(median(r[4] - r[3] for r in good))
        else:
            assert change.cv_change_percent is None
    inside = sum(one.tests for one in found)
    assert flown_outside_seasons(cast.staff) == len(world.tests) - inside > 0


def test_the_odd_cases_do_come_up(cast: Cast):
    """Else the count above would prove less than it says."""
    seen = defaultdict(int)
    for seed in (1, 2):
        m.Season.objects.all()
        world = make_world(cast, seed) if seed == 1 else None
        if world is None:
            break
        slow = Slow(world)
        owners = {one.operator_id for one in world.aircraft}
        for one in figures(cast.staff, today=TODAY):
            day = one.as_of
            seen["left"] += sum(
                bool(r.operator.left_on and r.operator.left_on <= day)
                for r in slow.members(one.season)
            )
            seen["without aircraft"] += sum(
                r.operator_id not in owners for r in slow.members(one.season)
            )
            seen["others"] += one.others_part
            seen["lapsed"] += one.lapsed or 0
            seen["comparable"] += one.change.lines
            seen["left out"] += one.change.not_approved_again + one.change.none_at_first
            seen["not analysed"] += one.tests - one.analysed
        seen["retired"] = sum(one.retired_on is not None for one in world.aircraft)
    assert min(seen.values()) > 0, dict(seen)


def test_people_of_an_operator_see_their_own_part(cast: Cast):
    world = make_world(cast, 1)
    flown = [test for test in world.tests if test.operator.left_on is None]
    cast.owner.operator = flown[0].operator
    cast.owner.save()
    slow = Slow(world)
    for one in figures(cast.owner, today=TODAY):
        mine = [t for t in slow.flown(one.season) if t.operator_id == cast.owner.operator_id]
        assert one.tests == len(mine)
        assert one.operators_part == bool(mine)
        assert one.members <= 1
    assert not any(one.tests for one in figures(cast.checker, today=TODAY))


def test_nothing_to_count(cast: Cast):
    assert figures(cast.staff, today=TODAY) == []
    assert flown_outside_seasons(cast.staff) == 0
    m.Season.objects.create(
        name="2030", starts_on=datetime.date(2030, 1, 1), ends_on=datetime.date(2030, 12, 31)
    )
    [one] = figures(cast.staff, today=TODAY)
    assert one.as_of is None
    assert one.lapsed is None
    assert one.part_percent is None
    assert one.approved_percent is None
    assert one.tests_per_aircraft is None
    assert (one.members, one.fleet, one.tests, one.change.lines) == (0, 0, 0, 0)


def test_no_document_is_read(cast: Cast, django_assert_num_queries: Any):
    make_world(cast, 1)
    with django_assert_num_queries(QUERIES) as asked:
        figures(cast.staff, today=TODAY)
    heavy = ("document", "inputs", "parameters", "nozzles", "weather")
    assert not [sql for sql in asked.captured_queries if any(h in sql["sql"] for h in heavy)]
