"""The season: what a board asks of it, who is behind the figures, seasons side by side."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from typing import Any
from uuid import UUID

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import path
from django.utils import timezone
from django.views.decorators.http import require_safe

from fleet import rules, tables
from fleet.models import Membership, Person, Season
from fleet.queries import participants
from fleet.queries.members import season_on
from fleet.queries.participation import Figures, figures, flown_outside_seasons
from fleet.web import season_tables, season_words
from fleet.web.paging import page_of
from patterns.draw import (
    COMPACT,
    WIDE,
    ChangeBar,
    PartBar,
    SharePoint,
    change_chart,
    part_chart,
    share_chart,
)

TABS = {
    "member": "By member",
    "aircraft": "By aircraft",
    "visit": "By visit",
    "jurisdiction": "By jurisdiction",
    "kind": "By kind of aircraft",
    "membership": "By kind of membership",
}
GROUPS: dict[str, tuple[str, Callable[..., list[participants.Group]]]] = {
    "jurisdiction": ("jurisdiction", participants.by_jurisdiction),
    "kind": ("kind of aircraft", participants.by_aircraft_kind),
    "membership": ("kind of membership", participants.by_membership),
}
MOST_SEASONS = 12  # side by side on a screen; a file has all of them


@login_required
@require_safe
def season(request: HttpRequest, season_id: UUID | None = None) -> HttpResponse:
    """One season, the one that runs now where none is named."""
    person = rules.allow(rules.may_see_season, request.user)
    found = get_object_or_404(Season, pk=season_id) if season_id else season_on()
    if found is None:
        return render(request, "fleet/season_none.html", {"section": "season"})
    today = timezone.localdate()
    return (
        _office(request, person, found, today)
        if person.sees_everyone
        else _own(request, person, found, today)
    )


def _office(
    request: HttpRequest, person: Person, found: Season, today: datetime.date
) -> HttpResponse:
    by = request.GET.get("by", "member")
    by = by if by in TABS else "member"
    part = request.GET.get("part", "")
    rows, table = _listed(person, found, today, by, part)
    if export := tables.answer(request, table):
        return export
    page = page_of(request, rows)
    if by == "member":
        for row in page:
            row.membership_words = season_tables.membership_words(row.membership)
            row.part_words = participants.PART_WORDS[row.part]
    [one] = figures(person, [found], today=today)
    context = {
        **_told(one, person),
        "others": Season.objects.exclude(pk=found.pk)[:MOST_SEASONS],
        "by": by,
        "tabs": TABS.items(),
        "group_name": GROUPS[by][0].capitalize() if by in GROUPS else "",
        "page": page,
        "parts": _parts(one, part),
        "part": part,
        "section": "season",
    }
    return render(request, "fleet/season.html", context)


def _listed(
    person: Person, found: Season, today: datetime.date, by: str, part: str
) -> tuple[Any, Callable[[], tables.Table]]:
    """Return the rows of a tab, and the same as a file."""
    if by == "member":
        rows = participants.members(person, found, today)
        if part in participants.PARTS:
            rows = rows.filter(participants.PARTS[part][1])
        return rows, lambda: season_tables.members_table(found, rows)
    if by == "aircraft":
        fleet = participants.aircraft(person, found, today)
        return fleet, lambda: season_tables.aircraft_table(found, fleet)
    if by == "visit":
        visits = participants.visits(person, found)
        return visits, lambda: season_tables.visits_table(found, visits)
    name, ask = GROUPS[by]
    groups = ask(person, found, today)
    return groups, lambda: season_tables.groups_table(found, name, groups)


def _parts(one: Figures, asked: str) -> list[tuple[str, str, int | None, bool]]:
    """Return how operators took part: key, words, how many (None: not known), asked for."""
    counts = {
        "first": one.first_timers,
        "again": one.returners,
        "lapsed": one.lapsed,
        "none": one.no_part,
        "others": one.others_part,
    }
    return [
        (key, words, counts[key], key == asked) for key, (words, _) in participants.PARTS.items()
    ]


def _told(one: Figures, person: Person) -> dict[str, Any]:
    """Return the figures of a season with the sentences beside them."""
    return {
        "one": one,
        "season": one.season,
        "dates": season_words.dates(one.season),
        "of_members": season_words.of_members(one),
        "beside_members": season_words.beside_members(one),
        "of_fleet": season_words.of_fleet(one),
        "of_tests": season_words.of_tests(one),
        "compared": season_words.compared(one.change),
        "cv_change": season_words.cv_change(one.change),
        "swath_change": season_words.swath_change(one.change, person.unit_system),
        "meanings": season_words.MEANINGS,
    }


def _own(request: HttpRequest, person: Person, found: Season, today: datetime.date) -> HttpResponse:
    """Show people of an operator their own part of a season."""
    rows = participants.aircraft(person, found, today)
    if export := tables.answer(request, lambda: season_tables.aircraft_table(found, rows)):
        return export
    [one] = figures(person, [found], today=today)
    belongs = Membership.objects.filter(operator=person.operator_id, season=found).first()
    context = {
        **_told(one, person),
        "membership": belongs,
        "others": Season.objects.exclude(pk=found.pk)[:MOST_SEASONS],
        "page": page_of(request, rows),
        "section": "season",
    }
    return render(request, "fleet/season_own.html", context)


@login_required
@require_safe
def season_compare(request: HttpRequest) -> HttpResponse:
    """Show seasons side by side, in charts with the table behind them."""
    person = rules.allow(rules.sees_everyone, request.user)
    shown = list(Season.objects.all()) if "as" in request.GET else _last_seasons()
    found = figures(person, shown)
    if export := tables.answer(request, lambda: season_tables.seasons_table(found, person)):
        return export
    context = {
        "found": [_told(one, person) for one in reversed(found)],
        "charts": _charts(found, person) if found else [],
        "outside": flown_outside_seasons(person),
        "meanings": season_words.MEANINGS,
        "section": "season",
    }
    return render(request, "fleet/season_compare.html", context)


def _last_seasons() -> list[Season]:
    return list(Season.objects.all()[:MOST_SEASONS])


def _charts(found: list[Figures], person: Person) -> list[tuple[str, str, str]]:
    """Return each chart for a desk and for a phone, with what it is of."""
    part = [PartBar(str(f.season), f.first_timers, f.returners, f.no_part) for f in found]
    share = [SharePoint(str(f.season), f.approved, f.fleet) for f in found]
    changes = {
        "cv": [
            ChangeBar(
                str(f.season),
                f.change.cv_first_percent,
                f.change.cv_last_percent,
                f.change.aircraft,
            )
            for f in found
        ],
        "swath": [
            ChangeBar(
                str(f.season), f.change.swath_first_m, f.change.swath_last_m, f.change.aircraft
            )
            for f in found
        ],
    }
    system: Any = person.unit_system

    def both(draw: Callable[..., str], name: str, note: str) -> tuple[str, str, str]:
        wide = draw(chart_id=f"{name}-wide", size=WIDE)
        return wide, draw(chart_id=f"{name}-small", size=COMPACT), note

    return [
        both(
            lambda **sized: part_chart(part, what="operators", **sized),
            "part",
            "The whole bar is the members of the season and others that flew in it.",
        ),
        both(
            lambda **sized: share_chart(
                share,
                title="Share of the fleet with a valid approval, by season",
                name="Share of the aircraft in service",
                of_what="aircraft in service of members",
                **sized,
            ),
            "share",
            "On each season's last day, or today while it runs.",
        ),
        both(
            lambda **sized: change_chart(changes["cv"], quantity="cv", system=system, **sized),
            "cv",
            "Aircraft tested more than once in the season and approved on a later test.",
        ),
        both(
            lambda **sized: change_chart(
                changes["swath"], quantity="swath", system=system, **sized
            ),
            "swath",
            "Aircraft tested more than once in the season and approved on a later test.",
        ),
    ]


urlpatterns = [
    path("season/", season, name="season"),
    path("season/compare/", season_compare, name="season-compare"),
    path("season/<uuid:season_id>/", season, name="season-of"),
]
