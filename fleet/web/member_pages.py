"""Seasons, and who belongs to them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.db.models import Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from fleet import rules, tables
from fleet.models import Membership, Person, Season
from fleet.queries.members import (
    joining_day,
    members_with_fleet,
    memberships_of,
    season_before,
    season_on,
    seasons_of,
)
from fleet.queries.whose import operators_of
from fleet.services import season as services
from fleet.tables import Column, Table
from fleet.web.fields import SpokenForm
from fleet.web.forms_members import MembershipForm, SeasonForm
from fleet.web.lists import members_table
from fleet.web.paging import page_of

# What an office asks of a season's members: a name, and which of them.
QUESTIONS: dict[str, tuple[str, Q]] = {
    "members": ("Members", Q(lapsed_on=None)),
    "full": ("Full", Q(lapsed_on=None, kind="full")),
    "associate": ("Associate", Q(lapsed_on=None, kind="associate")),
    "guest": ("Guests", Q(lapsed_on=None, kind="guest")),
    "lapsed": ("Lapsed", Q(lapsed_on__isnull=False)),
    "all": ("All", Q()),
}


@login_required
@require_safe
def seasons(request: HttpRequest) -> HttpResponse:
    """Programme years, the newest first."""
    person = rules.allow(rules.sees_everyone, request.user)
    rows = seasons_of(person)
    if export := tables.answer(request, lambda: seasons_table(rows)):
        return export
    context = {
        "page": page_of(request, rows),
        "may_manage": rules.may_manage_season(person),
        "section": "season",
    }
    return render(request, "fleet/seasons.html", context)


def seasons_table(rows: Iterable[Any]) -> Table:
    """Return seasons, as `seasons_of` gives them, as a list to export."""
    columns = [
        Column("Season"),
        Column("First day", "date"),
        Column("Last day", "date"),
        Column("Members", "whole"),
        Column("Lapsed", "whole"),
    ]
    lines = (
        (one.name, one.starts_on, one.ends_on, one.member_count, one.lapsed_count) for one in rows
    )
    return Table("Seasons", columns, lines)


@login_required
@require_safe
def members(request: HttpRequest) -> HttpResponse:
    """Lead to the members of the season that runs now."""
    rules.allow(rules.sees_everyone, request.user)
    season = season_on()
    return redirect("season-members", season.pk) if season else redirect("seasons")


@login_required
@require_safe
def season_members(request: HttpRequest, season_id: UUID) -> HttpResponse:
    """Who belongs to a season, searched by name, home base and note."""
    person = rules.allow(rules.sees_everyone, request.user)
    season = get_object_or_404(Season, pk=season_id)
    found = members_with_fleet(person, season)
    words = request.GET.get("q", "").strip()
    for word in words.split():
        found = found.filter(
            Q(operator__name__icontains=word)
            | Q(operator__base__icontains=word)
            | Q(note__icontains=word)
        )
    asked = request.GET.get("show", "members")
    asked = asked if asked in QUESTIONS else "members"
    rows = found.filter(QUESTIONS[asked][1])
    if export := tables.answer(request, lambda: members_table(season, rows)):
        return export
    context = {
        "season": season,
        "others": Season.objects.exclude(pk=season.pk)[:12],
        "before": season_before(season),
        "page": page_of(request, rows),
        "questions": _questions(found, asked),
        "asked": asked,
        "words": words,
        "may_manage": rules.may_manage_season(person),
        "section": "season",
    }
    return render(request, "fleet/members.html", context)


def _questions(found: Any, asked: str) -> list[tuple[str, str, int, bool]]:
    """Return each question with how many rows answer it: one read of two short columns."""
    rows = list(found.order_by().values_list("kind", "lapsed_on"))
    standing = [kind for kind, lapsed_on in rows if lapsed_on is None]
    counts = {
        "members": len(standing),
        "lapsed": len(rows) - len(standing),
        "all": len(rows),
        **{kind: standing.count(kind) for kind in ("full", "associate", "guest")},
    }
    return [(key, words, counts[key], key == asked) for key, (words, _) in QUESTIONS.items()]


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def season_new(request: HttpRequest) -> HttpResponse:
    """Add a programme year."""
    person: Person = rules.allow(rules.may_manage_season, request.user)
    form = SeasonForm(request.POST or None, system=person.unit_system)
    if form.carries_out(lambda: services.add_season(by=person, **form.cleaned_data)):
        messages.success(request, f"Season {form.outcome} is there. Carry its members over next.")
        return redirect("season-members", form.outcome.pk)
    return _form_page(request, form, "Add a season")


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def season_edit(request: HttpRequest, season_id: UUID) -> HttpResponse:
    """Change a season's name or days."""
    person: Person = rules.allow(rules.may_manage_season, request.user)
    season: Season = get_object_or_404(Season, pk=season_id)
    form = SeasonForm(
        request.POST or None,
        system=person.unit_system,
        initial={name: getattr(season, name) for name in services.SEASON_FIELDS},
    )
    if form.carries_out(lambda: services.change_season(season, by=person, **form.cleaned_data)):
        messages.success(request, "Saved.")
        return redirect("season-members", season.pk)
    return _form_page(request, form, f"Change season {season}", season)


@login_required
@require_POST
def carry_over(request: HttpRequest, season_id: UUID) -> HttpResponse:
    """Take the members of the season before into this one."""
    person: Person = rules.allow(rules.may_manage_season, request.user)
    season: Season = get_object_or_404(Season, pk=season_id)
    try:
        done = services.carry_over(season, by=person)
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    else:
        messages.success(request, _told(done))
    return redirect("season-members", season.pk)


def _told(done: services.CarriedOver) -> str:
    """Say how many came along, and why the others did not."""
    stayed = [
        f"{count} {words}"
        for count, words in (
            (done.there_already, "here already"),
            (done.guests, "guests"),
            (done.lapsed, "lapsed"),
            (done.left, "left the association"),
        )
        if count
    ]
    said = f"{done.carried} carried over from {done.source}."
    return f"{said} Not carried over: {', '.join(stayed)}." if stayed else said


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def member_new(request: HttpRequest, season_id: UUID) -> HttpResponse:
    """Take an operator in as a member."""
    person: Person = rules.allow(rules.may_manage_season, request.user)
    season: Season = get_object_or_404(Season, pk=season_id)
    operators = (
        operators_of(person).filter(left_on__isnull=True).exclude(memberships__season=season)
    )
    form = MembershipForm(
        request.POST or None,
        system=person.unit_system,
        operators=operators,
        initial={"operator": request.GET.get("operator"), "joined_on": joining_day(season)},
    )
    if form.carries_out(lambda: services.join(by=person, season=season, **form.cleaned_data)):
        messages.success(request, f"{form.outcome.operator} belongs to season {season}.")
        return redirect("season-members", season.pk)
    return _form_page(request, form, f"Add a member of {season}", season)


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def member_edit(request: HttpRequest, membership_id: UUID) -> HttpResponse:
    """Change a membership, or say that it lapsed."""
    one: Membership = get_object_or_404(memberships_of(request.user), pk=membership_id)
    person: Person = rules.allow(rules.may_manage_season, request.user)
    form = MembershipForm(
        request.POST or None,
        system=person.unit_system,
        initial={name: getattr(one, name) for name in services.MEMBERSHIP_FIELDS},
    )
    if form.carries_out(lambda: services.change_membership(one, by=person, **form.cleaned_data)):
        messages.success(request, "Saved.")
        return redirect("season-members", one.season_id)
    return _form_page(request, form, f"Membership of {one}", one.season)


def _form_page(
    request: HttpRequest, form: SpokenForm, title: str, season: Season | None = None
) -> HttpResponse:
    crumbs = [(reverse("seasons"), "Seasons")]
    if season is not None:
        address = reverse("season-members", args=[season.pk])
        crumbs.append((address, f"Members of {season}"))
    context = {"form": form, "title": title, "crumbs": crumbs, "section": "season"}
    return render(request, "fleet/form.html", context)


urlpatterns = [
    path("seasons/", seasons, name="seasons"),
    path("seasons/new/", season_new, name="season-new"),
    path("seasons/<uuid:season_id>/edit/", season_edit, name="season-edit"),
    path("seasons/<uuid:season_id>/members/", season_members, name="season-members"),
    path("seasons/<uuid:season_id>/members/new/", member_new, name="member-new"),
    path("seasons/<uuid:season_id>/carry-over/", carry_over, name="season-carry-over"),
    path("members/", members, name="members"),
    path("memberships/<uuid:membership_id>/", member_edit, name="member-edit"),
]
