"""The story of an aircraft's season as the page of an aircraft shows it."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from itertools import groupby
from typing import Any

from django.utils import timezone

from fleet import measures
from fleet.models import Person, Season, SignUpState
from fleet.queries.duties import Duty
from fleet.queries.logbook import FlownTest, Logbook
from fleet.queries.participation import all_seasons, season_of_day
from fleet.queries.story import SeasonStory, season_story
from patterns.draw import (
    COMPACT,
    WIDE,
    Story,
    StoryApproval,
    StoryDay,
    StoryLane,
    StoryRevision,
    StoryTest,
    story_chart,
    story_words,
)

MOST_SEASONS = 12


def story_context(
    person: Person, book: Logbook, asked: str | None, duties: Sequence[Duty] = ()
) -> dict[str, Any]:
    """Return what `parts/story.html` shows: the season that was asked for, else today's."""
    today = timezone.localdate()
    seasons = all_seasons()
    season = next((one for one in seasons if str(one.pk) == asked), season_of_day(seasons, today))
    told = season_story(book, season, today, duties)
    story = drawn(told, season, person.unit_system)
    return {
        "story_season": season,
        "story_wide": story_chart(story, chart_id="story-wide", size=WIDE),
        "story_small": story_chart(story, chart_id="story-small", size=COMPACT),
        "story_words": story_words(story),
        "story_others": [one for one in reversed(seasons) if one != season][:MOST_SEASONS],
    }


def drawn(told: SeasonStory, season: Season | None, system: str) -> Story:
    """Return a story in the words and units of its reader."""
    purposes: dict[str, str] = {one.purpose_key: one.purpose for one in told.setups}
    for row in told.tests:
        purposes.setdefault(row.setup.purpose_key, row.setup.purpose)
    for held in told.approvals:
        purposes.setdefault(held.approval.setup.purpose_key, held.approval.setup.purpose)
    name = f"season {season}" if season else f"{told.first.year}"
    return Story(
        title=f"{told.aircraft}, {name}",
        first=told.first,
        last=told.last,
        today=told.today,
        lanes=[_lane(told, key, purpose, system) for key, purpose in purposes.items()],
        due=[
            StoryDay(one.due_on, str(one.requirement))
            for one in told.duties
            if one.due_on is not None
        ],
        visits=_visits(told),
    )


def _lane(told: SeasonStory, key: str, purpose: str, system: str) -> StoryLane:
    return StoryLane(
        purpose,
        revisions=[
            StoryRevision(timezone.localdate(one.created_at), one.number)
            for one in told.setups
            if one.purpose_key == key
        ],
        tests=[
            StoryTest(row.flown_on, _figure(row, system))
            for row in told.tests
            if row.setup.purpose_key == key
        ],
        approvals=[
            StoryApproval(
                one.from_day,
                one.until,
                one.ended,
                f"{measures.show(one.approval.swath_m, 'swath', system)} "
                f"{one.approval.get_manner_display().lower()}",
            )
            for one in told.approvals
            if one.approval.setup.purpose_key == key
        ],
    )


def _figure(row: FlownTest, system: str) -> str:
    """Say what a test recommended for its set-up's way of flying: swath and CV."""
    if row.outcome is None:
        return ""
    if row.swath_m is None:
        return "no swath recommended"
    return f"{measures.show(row.swath_m, 'swath', system)}, CV {row.cv_percent:.0f} %"


def _visits(told: SeasonStory) -> list[StoryDay]:
    """Return the days on which it was flown and for which it was signed up, by place."""
    flown = sorted({(row.flown_on, row.place) for row in told.tests})
    days = [StoryDay(day, ", ".join(place for _, place in on)) for day, on in _by_day(flown)]
    been = {row.visit_id for row in told.tests}
    days += [
        StoryDay(one.day or one.starts_on, f"{one.place}, {SignUpState(one.state).label.lower()}")
        for one in told.sign_ups
        if one.visit_id not in been
    ]
    return sorted(days, key=lambda one: one.day)


def _by_day(flown: list[tuple[datetime.date, str]]) -> Any:
    return groupby(flown, key=lambda one: one[0])
