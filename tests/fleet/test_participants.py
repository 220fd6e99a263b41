"""The lists behind a season's figures add up to the figures."""

from __future__ import annotations

import datetime
from collections import Counter
from typing import Any

import pytest

from fleet.queries import participants
from fleet.queries.participation import figures
from tests.cast import Cast
from tests.fleet.season_world import make_world

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("everyone")]

TODAY = datetime.date(2026, 11, 26)


@pytest.mark.parametrize("seed", [1, 5])
def test_members_add_up(cast: Cast, seed: int):
    make_world(cast, seed)
    for one in figures(cast.staff, today=TODAY):
        rows = list(participants.members(cast.staff, one.season, TODAY))
        parts = Counter(row.part for row in rows)
        assert parts["first"] == one.first_timers
        assert parts["again"] == one.returners
        assert parts["lapsed"] == (one.lapsed or 0)
        assert sum(bool(row.membership) for row in rows) == one.members
        assert sum(row.test_count for row in rows) == one.tests
        assert sum(row.tested for row in rows) == one.aircraft_tested
        assert sum(row.fleet for row in rows) == one.fleet
        assert sum(row.approved for row in rows) == one.approved
        found = participants.members(cast.staff, one.season, TODAY)
        none, others = (found.filter(participants.PARTS[key][1]) for key in ("none", "others"))
        assert none.count() == one.no_part
        assert others.count() == one.others_part


@pytest.mark.parametrize("seed", [1, 5])
def test_aircraft_visits_and_groups_add_up(cast: Cast, seed: int):
    make_world(cast, seed)
    for one in figures(cast.staff, today=TODAY):
        season = one.season
        fleet = list(participants.aircraft(cast.staff, season, TODAY))
        assert sum(row.test_count for row in fleet) == one.tests
        assert sum(row.test_count > 0 for row in fleet) == one.aircraft_tested
        assert sum(row.in_fleet for row in fleet) == one.fleet
        assert sum(row.approved for row in fleet) == one.approved
        assert all((row.last_flown_on is None) == (row.test_count == 0) for row in fleet)
        visits = participants.visits(cast.staff, season)
        assert len(visits) == one.visits
        assert sum(row["test_count"] for row in visits) == one.tests
        for by in ("by_jurisdiction", "by_aircraft_kind", "by_membership"):
            groups = getattr(participants, by)(cast.staff, season, TODAY)
            assert sum(row.tests for row in groups) == one.tests, by
            assert sum(row.tested for row in groups) == one.aircraft_tested, by
            assert sum(row.fleet for row in groups) == one.fleet, by
            assert sum(row.approved for row in groups) == one.approved, by
            if by != "by_aircraft_kind":
                assert sum(row.members or 0 for row in groups) == one.members, by
                assert sum(row.part or 0 for row in groups) == one.members_part, by


def test_lists_ask_no_query_for_each_row(cast: Cast, django_assert_num_queries: Any):
    season = make_world(cast, 1).seasons[1]
    with django_assert_num_queries(2):
        assert [row.jurisdiction for row in participants.members(cast.staff, season, TODAY)]
    with django_assert_num_queries(1):
        assert [row.operator.name for row in participants.aircraft(cast.staff, season, TODAY)]
    with django_assert_num_queries(1):
        participants.visits(cast.staff, season)
    for by in ("by_jurisdiction", "by_aircraft_kind", "by_membership"):
        with django_assert_num_queries(2):
            getattr(participants, by)(cast.staff, season, TODAY)
