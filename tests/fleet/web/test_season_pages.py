"""The season's pages: what a board asks first, who is behind it, and files of every list."""

from __future__ import annotations

import csv
import datetime
import io
from typing import Any
from unittest import mock

import openpyxl
import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from fleet import models as m
from fleet import tenancy
from fleet.queries.participation import figures
from tests.cast import Cast
from tests.fleet.season_world import World, make_world

pytestmark = [pytest.mark.django_db]

TODAY = datetime.date(2026, 11, 26)
BYS = ("member", "aircraft", "visit", "jurisdiction", "kind", "membership")


@pytest.fixture
def world(cast: Cast) -> Any:
    with tenancy.everyone():
        made = make_world(cast, 1)
    with mock.patch.object(timezone, "localdate", side_effect=_localdate):
        yield made


_real = timezone.localdate


def _localdate(value: Any = None, **more: Any) -> datetime.date:
    return TODAY if value is None else _real(value, **more)


def ask(person: m.Person, name: str, *args: Any, **query: str) -> Any:
    client = Client()
    client.force_login(person)
    return client.get(reverse(name, args=args), query)


def test_the_season_that_runs_comes_first(cast: Cast, world: World):
    page = ask(cast.staff, "season").content.decode()
    assert "Season 2026/27" in page
    assert "so far" in page
    with tenancy.everyone():
        one = figures(cast.staff, today=TODAY)[-1]
    words = f"{one.approved} of {one.fleet} aircraft in service of {one.members_on_day} members"
    assert f"{words} on 26 November 2026" in page
    assert f"of {one.members} members of the season" in page


@pytest.mark.parametrize("by", BYS)
def test_every_tab_and_its_files(cast: Cast, world: World, by: str):
    season = world.seasons[1]
    answer = ask(cast.analyst, "season-of", season.pk, by=by)
    assert answer.status_code == 200
    page = answer.content.decode()
    assert "data-name=" in page
    text = ask(cast.analyst, "season-of", season.pk, by=by, **{"as": "csv"}).content
    rows = list(csv.reader(io.StringIO(text.decode("utf-8-sig"))))
    book = openpyxl.load_workbook(
        io.BytesIO(ask(cast.analyst, "season-of", season.pk, by=by, **{"as": "xlsx"}).content)
    )
    assert book.active is not None
    assert book.active.max_row == len(rows) > 1
    with tenancy.everyone():
        [one] = figures(cast.staff, [season], today=TODAY)
    tests = rows[0].index("Tests")
    assert sum(int(row[tests]) for row in rows[1:]) == one.tests


def test_parts_lead_to_their_lists(cast: Cast, world: World):
    season = world.seasons[2]
    with tenancy.everyone():
        [one] = figures(cast.staff, [season], today=TODAY)
    for part, number in (
        ("first", one.first_timers),
        ("again", one.returners),
        ("lapsed", one.lapsed),
        ("none", one.no_part),
        ("others", one.others_part),
    ):
        text = ask(cast.staff, "season-of", season.pk, part=part, **{"as": "csv"}).content
        assert len(text.decode("utf-8-sig").splitlines()) - 1 == number, part


def test_side_by_side(cast: Cast, world: World):
    page = ask(cast.staff, "season-compare").content.decode()
    assert page.count("<svg") == 8  # four charts, each for a desk and for a phone
    for season in world.seasons:
        assert page.count(season.name) > 8
    assert "outside every season" in page
    text = ask(cast.staff, "season-compare", **{"as": "csv"}).content.decode("utf-8-sig")
    assert len(text.splitlines()) == 1 + len(world.seasons)


def test_people_of_an_operator_see_their_own(cast: Cast, world: World):
    theirs = world.tests[0].operator
    cast.owner.operator = theirs
    cast.owner.save()
    page = ask(cast.owner, "season-of", world.seasons[1].pk).content.decode()
    assert "Your season" in page
    for one in world.aircraft:
        assert one.operator_id == theirs.pk or one.registration not in page
    assert "by=member" not in page
    assert "Your season" in ask(cast.owner, "fleet").content.decode()
    assert ask(cast.checker, "season").status_code == 403


def test_without_a_season(cast: Cast):
    assert "No season yet" in ask(cast.staff, "season").content.decode()
    assert "no season yet" in ask(cast.analyst, "season-compare").content.decode()


def test_nothing_to_share_is_said(cast: Cast, world: World):
    with tenancy.everyone():
        empty = m.Season.objects.create(
            name="1999", starts_on=datetime.date(1999, 1, 1), ends_on=datetime.date(1999, 12, 31)
        )
        coming = m.Season.objects.create(
            name="2030", starts_on=datetime.date(2030, 1, 1), ends_on=datetime.date(2030, 12, 31)
        )
    page = ask(cast.staff, "season-of", empty.pk).content.decode()
    assert "no members, so no share" in page
    assert "no aircraft in service of 0 members on 31 December 1999: no share" in page
    assert "the season has not begun" in ask(cast.staff, "season-of", coming.pk).content.decode()


@pytest.mark.parametrize("by", BYS)
def test_queries_do_not_grow(cast: Cast, world: World, by: str, django_assert_max_num_queries: Any):
    client = Client()
    client.force_login(cast.staff)
    address = reverse("season-of", args=[world.seasons[1].pk])
    # Session and person, the season, five for its figures, those of the list, the other seasons.
    with django_assert_max_num_queries(12):
        client.get(address, {"by": by})
