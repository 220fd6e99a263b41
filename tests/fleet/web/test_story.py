"""The page of an aircraft tells its season."""

from __future__ import annotations

import datetime
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from fleet import models as m
from fleet import tenancy
from fleet.queries.duties import Duty
from fleet.queries.logbook import logbook_of
from fleet.queries.story import season_story
from fleet.services import approvals
from fleet.web.fleet_pages import MOST_LISTED
from fleet.web.story_view import drawn
from patterns.draw import story_words
from tests.cast import (
    Cast,
    make_aircraft,
    make_analysis,
    make_approval,
    make_setup,
    make_test,
    make_tested,
)

DAY = datetime.timedelta(days=1)
pytestmark = [pytest.mark.django_db]


@pytest.fixture
def season(db: None) -> m.Season:
    """The year of today, and the one before."""
    year = timezone.localdate().year
    m.Season.objects.create(
        name=f"{year - 1}",
        starts_on=datetime.date(year - 1, 1, 1),
        ends_on=datetime.date(year - 1, 12, 31),
    )
    return m.Season.objects.create(
        name=f"{year}", starts_on=datetime.date(year, 1, 1), ends_on=datetime.date(year, 12, 31)
    )


def page_of(person: m.Person, aircraft: m.Aircraft, **query: Any) -> str:
    client = Client()
    client.force_login(person)
    text: str = client.get(reverse("aircraft", args=[aircraft.pk]), query).content.decode()
    return text


def test_the_story_of_a_season(cast: Cast, season: m.Season):
    with tenancy.everyone():
        aircraft = make_aircraft(cast)
        setup = make_setup(cast, aircraft)
        analysis = make_analysis(cast, make_tested(cast, setup))
        make_approval(cast, analysis)
        make_setup(cast, aircraft, pressure_kpa=300.0)
        edges = make_setup(cast, aircraft, purpose="Edges")
        other = make_approval(cast, make_analysis(cast, make_tested(cast, edges)))
        approvals.withdraw(other, by=cast.analyst, reason="The reader was out of order.")
    page = page_of(cast.owner, aircraft)
    assert page.count('class="sw-chart sw-story"') == 2
    for words in (
        "Main season work: set-up revision 2.",
        "ended because the set-up changed",
        "Edges: the approval of",
        "was withdrawn",
        "Visit: Tamber Flat airstrip.",
    ):
        assert words in page
    before = m.Season.objects.get(name=f"{season.starts_on.year - 1}")
    earlier = page_of(cast.owner, aircraft, season=str(before.pk))
    assert "Nothing is on record in this season." in earlier
    assert "?season=" in page
    assert page_of(cast.owner, aircraft, season="nonsense").count("sw-story") == 2


@pytest.mark.parametrize(
    ("superseded", "withdrawn", "changed", "until", "ended", "held"),
    [
        (None, None, None, 90, "stands", 90),
        (None, None, None, 20, "expired", 20),
        (10, None, None, 90, "superseded", 10),
        (10, None, None, 5, "expired", 5),
        (None, 12, None, 90, "withdrawn", 12),
        (None, None, 7, 90, "changed", 7),
        (15, 12, 7, 90, "changed", 7),
        (9, 12, 11, 90, "superseded", 9),
    ],
)
def test_what_ended_an_approval_first(superseded, withdrawn, changed, until, ended, held):
    """Days after it was given; today is day 30."""
    from fleet.queries.story import _held

    start = datetime.datetime(2026, 3, 1, 12, tzinfo=datetime.UTC)

    def at(days: int) -> datetime.datetime:
        return start + datetime.timedelta(days=days)

    setup = m.SetUp(purpose_key="main", number=1)
    approval = m.Approval(setup=setup, valid_until=at(until).date())
    approval.created_at = start
    approval.withdrawal = m.Withdrawal()
    approval.withdrawal.created_at = at(withdrawn or 0)
    later = m.Approval()
    later.created_at = at(superseded or 0)
    approval._state.fields_cache["superseded_by"] = later if superseded else None
    approval._state.fields_cache["withdrawal"] = approval.withdrawal if withdrawn else None
    setups = [setup]
    if changed:
        newer = m.SetUp(purpose_key="main", number=2)
        newer.created_at = at(changed)
        setups.append(newer)
    found = _held(approval, setups, at(30).date())
    assert (found.ended, found.until) == (ended, at(held).date())


def test_queries_do_not_grow_with_the_season(
    cast: Cast, season: m.Season, django_assert_num_queries: Any
):
    """Those of the whole page; its deferred columns would show here, asked for row by row."""
    client = Client()
    client.force_login(cast.owner)
    with tenancy.everyone():
        aircraft = make_aircraft(cast)
        setup = make_setup(cast, aircraft)
        analysis = make_analysis(cast, make_tested(cast, setup))
        make_approval(cast, analysis)
    address = reverse("aircraft", args=[aircraft.pk])
    with django_assert_num_queries(13):
        client.get(address)
    with tenancy.everyone():
        for _ in range(2):
            make_approval(cast, analysis)
            make_tested(cast, setup)
        make_setup(cast, aircraft, pressure_kpa=300.0)
    with django_assert_num_queries(13):
        page = client.get(address)
    assert page.content.count(b'data-name="Passes"') == 3


def test_older_tests_and_approvals_are_a_step_away(cast: Cast, season: m.Season):
    with tenancy.everyone():
        aircraft = make_aircraft(cast)
        setup = make_setup(cast, aircraft)
        analysis = make_analysis(cast, make_tested(cast, setup))
        for _ in range(MOST_LISTED + 1):
            make_approval(cast, analysis)
            make_test(cast, setup)
    newest = page_of(cast.owner, aircraft, season=season.pk)
    assert newest.count('data-name="Passes"') == newest.count('data-name="Until"') == MOST_LISTED
    for kind, many in (("tests", MOST_LISTED + 2), ("approvals", MOST_LISTED + 1)):
        assert f'href="?season={season.pk}&amp;all=1#{kind}">All {many} {kind}</a>' in newest
    everything = page_of(cast.owner, aircraft, season=season.pk, all="1")
    assert everything.count('data-name="Passes"') == MOST_LISTED + 2
    assert everything.count('data-name="Until"') == MOST_LISTED + 1
    assert "#tests" not in everything


def test_sign_ups_are_told_in_their_season(cast: Cast, season: m.Season):
    """On the day of the turn, else on the visit's first; not when it was called off."""
    first = season.starts_on
    with tenancy.everyone():
        aircraft = make_aircraft(cast)
        for start, days, place, state, turn in (
            (first - DAY, 3, "Across New Year", "placed", first),
            (season.ends_on, 1, "On the last day", "waiting", None),
            (first - DAY, 1, "The day before", "placed", None),
            (season.ends_on + DAY, 1, "The day after", "placed", None),
            (first + DAY, 1, "Called off", "cancelled", None),
        ):
            visit = m.Visit.objects.create(
                kind="clinic", place=place, starts_on=start, ends_on=start + (days - 1) * DAY,
                analyst=cast.analyst,
            )  # fmt: skip
            m.SignUp.objects.create(
                operator=cast.operator, aircraft=aircraft, visit=visit, day=turn, state=state,
                signed_up_by=cast.owner,
            )  # fmt: skip
        told = season_story(logbook_of(cast.owner, aircraft), season, timezone.localdate())
        other = logbook_of(cast.outsider, aircraft)
    assert [(one.day, one.text) for one in drawn(told, season, "us").visits] == [
        (first, "Across New Year, has a place"),
        (season.ends_on, "On the last day, on the waiting list"),
    ]
    assert other.sign_ups == []


def test_what_is_due_is_told_in_its_season(cast: Cast, season: m.Season):
    with tenancy.everyone():
        aircraft = make_aircraft(cast)
        rule = m.Requirement(jurisdiction=cast.state, name="Yearly test")
        days = (season.starts_on, season.ends_on + datetime.timedelta(days=1), None)
        asked = [
            Duty(
                aircraft=aircraft,
                requirement=rule,
                version=None,
                state="overdue",
                met_until=None,
                due_on=day,
                verdict=None,
            )
            for day in days
        ]
        book = logbook_of(cast.staff, aircraft)
        told = season_story(book, season, timezone.localdate(), asked)
    assert [one.due_on for one in told.duties] == [season.starts_on]
    assert "Due: Calloway: Yearly test." in [
        words for _, words in story_words(drawn(told, season, "us"))
    ]
