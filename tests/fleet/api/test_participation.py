"""Participation over the API says what the pages say; every answer is held against the schema."""

from __future__ import annotations

import pytest

from fleet import tenancy
from fleet.queries.participation import figures
from tests.cast import Cast
from tests.fleet.api.client import signed_in
from tests.fleet.season_world import make_world

pytestmark = [pytest.mark.django_db]


def test_the_figures_and_their_lists(cast: Cast):
    with tenancy.everyone():
        world = make_world(cast, 1)
        found = {str(one.season.pk): one for one in figures(cast.staff)}
    client = signed_in(cast.staff)
    answer = client.get("/api/v1/seasons/participation/").json()
    assert [row["name"] for row in answer["results"]] == [
        one.name for one in reversed(world.seasons)
    ]
    for row in answer["results"]:
        one = found[row["season"]]
        assert row["tests"] == one.tests
        assert (row["members_part"], row["members"]) == (one.members_part, one.members)
        assert (row["approved"], row["fleet"]) == (one.approved, one.fleet)
        assert row["change"]["swath_change_m"] == one.change.swath_change_m
        address = f"/api/v1/seasons/{row['season']}/participation/"
        whole = client.get(address).json()
        for by in ("by_jurisdiction", "by_aircraft_kind", "by_membership", "by_visit"):
            assert sum(group["tests"] for group in whole[by]) == one.tests
        for part in ("members/", "aircraft/"):
            rows = client.get(address + part, {"limit": 200}).json()["results"]
            assert sum(each["tests"] for each in rows) == one.tests
    assert client.get("/api/v1/seasons/participation/", {"colour": "blue"}).status_code == 400


def test_an_owner_gets_their_own_part_only(cast: Cast):
    with tenancy.everyone():
        world = make_world(cast, 1)
    cast.owner.operator = world.tests[0].operator
    cast.owner.save()
    client = signed_in(cast.owner)
    for season in world.seasons:
        address = f"/api/v1/seasons/{season.pk}/participation/"
        for row in client.get(address + "members/").json()["results"]:
            assert row["operator"] == str(cast.owner.operator_id)
        for row in client.get(address + "aircraft/").json()["results"]:
            assert row["operator"] == str(cast.owner.operator_id)
        mine = [
            test
            for test in world.tests
            if test.operator_id == cast.owner.operator_id
            and season.starts_on <= test.flown_on <= season.ends_on
        ]
        assert client.get(address).json()["tests"] == len(mine)
    assert signed_in(cast.checker).get("/api/v1/seasons/participation/").status_code == 403
