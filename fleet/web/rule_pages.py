"""Rules: jurisdictions, what their rules say, waivers, and the checker's list."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import groupby
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from fleet import rules, tables
from fleet.judging.says import says
from fleet.judging.words import rhythm_words
from fleet.models import Aircraft, Jurisdiction, Person, Requirement
from fleet.queries.duties import today_in
from fleet.queries.rulebook import (
    checked_by,
    jurisdictions_of,
    requirements_of,
    waivers_of,
    works_under_of,
)
from fleet.queries.whose import aircraft_of
from fleet.record_lists import named
from fleet.services import requirements as services
from fleet.tables import Column, Table
from fleet.web.fields import SpokenForm
from fleet.web.forms_rules import (
    EndForm,
    JurisdictionForm,
    ReasonForm,
    RuleForm,
    UnderForm,
    WaiverForm,
)
from fleet.web.paging import page_of

FORM = ["GET", "HEAD", "POST"]


@login_required
@require_safe
def rulebook(request: HttpRequest) -> HttpResponse:
    """Every jurisdiction with its rules."""
    person: Person = request.user
    if export := tables.answer(request, lambda: rules_table(requirements_of(person))):
        return export
    found = groupby(requirements_of(person), key=lambda one: one.jurisdiction_id)
    by_jurisdiction = {key: [_line(one) for one in rows] for key, rows in found}
    context = {
        "jurisdictions": [
            (one, by_jurisdiction.get(one.pk, []), named(one.record_lists))
            for one in jurisdictions_of(person)
        ],
        "may_keep": rules.may_keep_rules(person),
        "section": "season" if person.sees_everyone else "rules",
    }
    return render(request, "fleet/rules.html", context)


def _line(requirement: Requirement) -> dict[str, Any]:
    """What the list shows of a rule: the version in force, or the one to come."""
    today = today_in(requirement.jurisdiction)
    versions = list(requirement.versions.all())  # newest first
    now = next((one for one in versions if one.effective_from <= today), None)
    shown = now or versions[-1]
    over = requirement.ended_on is not None and requirement.ended_on < today
    return {
        "rule": requirement,
        "version": shown,
        "rhythm": rhythm_words(shown),
        "stands": "over" if over else "now" if now else "later",
    }


def rules_table(rows: Iterable[Requirement]) -> Table:
    """Return every version of every rule, with its source, as a list to export."""
    columns = [
        Column("Jurisdiction"),
        Column("Rule"),
        Column("In force from", "date"),
        Column("Rule ended on", "date"),
        Column("What it asks"),
        Column("For"),
        Column("Accepted passes", "whole"),
        Column("Kept for years", "whole"),
        Column("Source"),
    ]
    lines = (
        (
            one.jurisdiction.name,
            one.name,
            version.effective_from,
            one.ended_on,
            rhythm_words(version),
            version.get_covers_display(),
            version.minimum_passes,
            version.retention_years,
            version.source,
        )
        for one in rows
        for version in one.versions.all()
    )
    return Table("Rules", columns, lines)


@login_required
@require_safe
def rule(request: HttpRequest, requirement_id: UUID) -> HttpResponse:
    """One rule: each of its versions, with the source."""
    person: Person = request.user
    one = get_object_or_404(requirements_of(person), pk=requirement_id)
    today = today_in(one.jurisdiction)
    versions = list(one.versions.all())
    now = next((each for each in versions if each.effective_from <= today), None)
    over = one.ended_on is not None and one.ended_on < today
    context = {
        "one": one,
        "versions": [(each, says(each, person.unit_system), each is now) for each in versions],
        "today": today,
        "over": over,
        "may_keep": rules.may_keep_rules(person) and not over,
        "section": "season" if person.sees_everyone else "rules",
    }
    return render(request, "fleet/rule.html", context)


@login_required
@require_http_methods(FORM)
def jurisdiction_new(request: HttpRequest) -> HttpResponse:
    """Add a jurisdiction."""
    person: Person = rules.allow(rules.may_keep_rules, request.user)
    form = JurisdictionForm(request.POST or None, system=person.unit_system)
    if form.carries_out(lambda: services.add_jurisdiction(by=person, **form.cleaned_data)):
        messages.success(request, f"{form.outcome} is on the list. Add its rules next.")
        return redirect("rules")
    return _form_page(request, form, "Add a jurisdiction")


@login_required
@require_http_methods(FORM)
def jurisdiction_edit(request: HttpRequest, jurisdiction_id: UUID) -> HttpResponse:
    """Change a jurisdiction's particulars."""
    one = get_object_or_404(Jurisdiction, pk=jurisdiction_id)
    person: Person = rules.allow(rules.may_keep_rules, request.user)
    form = JurisdictionForm(
        request.POST or None,
        system=person.unit_system,
        initial={name: getattr(one, name) for name in services.JURISDICTION_FIELDS},
    )
    if form.carries_out(lambda: services.change_jurisdiction(one, by=person, **form.cleaned_data)):
        messages.success(request, "Saved.")
        return redirect("rules")
    return _form_page(request, form, f"Change {one}")


@login_required
@require_http_methods(FORM)
def rule_new(request: HttpRequest, jurisdiction_id: UUID) -> HttpResponse:
    """Add a rule with what it says first."""
    one = get_object_or_404(Jurisdiction, pk=jurisdiction_id)
    person: Person = rules.allow(rules.may_keep_rules, request.user)
    form = RuleForm(
        request.POST or None, system=person.unit_system, initial={"effective_from": today_in(one)}
    )
    if form.carries_out(
        lambda: services.add_requirement(by=person, jurisdiction=one, **form.values())
    ):
        messages.success(request, f"{form.outcome} is recorded.")
        return redirect("rule", form.outcome.pk)
    return _form_page(request, form, f"Add a rule of {one}", template="fleet/rule_form.html")


@login_required
@require_http_methods(FORM)
def rule_version_new(request: HttpRequest, requirement_id: UUID) -> HttpResponse:
    """Record what a rule says from a day on; the form begins with what it says now."""
    one = get_object_or_404(requirements_of(request.user), pk=requirement_id)
    person: Person = rules.allow(rules.may_keep_rules, request.user)
    form = RuleForm(
        request.POST or None,
        system=person.unit_system,
        version=one.versions.all()[0],
        initial={"effective_from": today_in(one.jurisdiction)},
    )
    if form.carries_out(lambda: services.record_version(one, by=person, **form.values())):
        messages.success(
            request, f"Recorded: in force from {form.outcome.effective_from:%-d %B %Y}."
        )
        return redirect("rule", one.pk)
    title = f"What {one.name} says from a day on"
    return _form_page(request, form, title, one, template="fleet/rule_form.html")


@login_required
@require_http_methods(FORM)
def rule_end(request: HttpRequest, requirement_id: UUID) -> HttpResponse:
    """Say which is the last day of a rule."""
    one = get_object_or_404(requirements_of(request.user), pk=requirement_id)
    person: Person = rules.allow(rules.may_keep_rules, request.user)
    form = EndForm(request.POST or None, system=person.unit_system)
    if form.carries_out(lambda: services.end_requirement(one, by=person, **form.cleaned_data)):
        messages.success(request, "Saved. What was judged stays.")
        return redirect("rule", one.pk)
    return _form_page(request, form, f"End {one.name}", one)


@login_required
@require_http_methods(FORM)
def waiver_new(request: HttpRequest, aircraft_id: UUID) -> HttpResponse:
    """Grant an aircraft a waiver of a rule."""
    one: Aircraft = get_object_or_404(aircraft_of(request.user), pk=aircraft_id)
    person: Person = rules.allow(rules.may_keep_rules, request.user)
    form = WaiverForm(
        request.POST or None,
        system=person.unit_system,
        requirements=Requirement.objects.filter(
            jurisdiction__in=_jurisdictions(person, one)
        ).select_related("jurisdiction"),
        initial={"requirement": request.GET.get("rule"), "from_on": timezone.localdate()},
    )
    if form.carries_out(
        lambda: services.grant_waiver(by=person, aircraft=one, **form.cleaned_data)
    ):
        messages.success(request, f"{one} has a waiver until {form.outcome.until_on:%-d %B %Y}.")
        return redirect("aircraft", one.pk)
    return _form_page(request, form, f"Grant {one} a waiver", aircraft=one)


def _jurisdictions(person: Person, one: Aircraft) -> set[Any]:
    under = works_under_of(person).filter(aircraft=one).values_list("jurisdiction", flat=True)
    return {one.operator.jurisdiction_id, *under} - {None}


@login_required
@require_http_methods(FORM)
def waiver_end(request: HttpRequest, waiver_id: UUID) -> HttpResponse:
    """End a waiver before its last day, with the reason."""
    one = get_object_or_404(waivers_of(request.user), pk=waiver_id)
    person: Person = rules.allow(rules.may_keep_rules, request.user)
    form = ReasonForm(request.POST or None, system=person.unit_system)
    if form.carries_out(lambda: services.end_waiver(one, by=person, **form.cleaned_data)):
        messages.success(request, f"{one.requirement.name} binds {one.aircraft} again.")
        return redirect("aircraft", one.aircraft_id)
    return _form_page(
        request, form, f"End the waiver of {one.aircraft}", aircraft=one.aircraft, save="End it"
    )


@login_required
@require_http_methods(FORM)
def under_new(request: HttpRequest, aircraft_id: UUID) -> HttpResponse:
    """Put an aircraft under a further jurisdiction."""
    one: Aircraft = get_object_or_404(aircraft_of(request.user), pk=aircraft_id)
    person: Person = rules.allow(rules.may_keep_rules, request.user)
    form = UnderForm(request.POST or None, system=person.unit_system)
    if form.carries_out(lambda: services.put_under(by=person, aircraft=one, **form.cleaned_data)):
        messages.success(request, f"{one} works under {form.outcome.jurisdiction} too.")
        return redirect("aircraft", one.pk)
    return _form_page(request, form, f"{one} works elsewhere too", aircraft=one)


@login_required
@require_POST
def under_end(request: HttpRequest, under_id: UUID) -> HttpResponse:
    """Say that today is the last day an aircraft works under a further jurisdiction."""
    one = get_object_or_404(works_under_of(request.user), pk=under_id)
    person: Person = rules.allow(rules.may_keep_rules, request.user)
    try:
        services.end_under(one, by=person, until_on=today_in(one.jurisdiction))
    except ValidationError as refusal:
        messages.error(request, " ".join(refusal.messages))
    else:
        messages.success(request, f"Today is the last day {one}.")
    return redirect("aircraft", one.aircraft_id)


@login_required
@require_safe
def checked(request: HttpRequest) -> HttpResponse:
    """The checker's list: aircraft under their jurisdiction, and how each stands with its rules."""
    person: Person = rules.allow(rules.may_check, request.user)
    words = request.GET.get("q", "").strip()
    context = {
        "page": page_of(request, checked_by(person, words)),
        "words": words,
        "jurisdiction": person.jurisdiction,
        "section": "checked",
    }
    return render(request, "fleet/checked.html", context)


def _form_page(
    request: HttpRequest,
    form: SpokenForm,
    title: str,
    rule: Requirement | None = None,
    *,
    aircraft: Aircraft | None = None,
    template: str = "fleet/form.html",
    save: str = "Save",
) -> HttpResponse:
    crumbs = [(reverse("rules"), "Rules")]
    if rule is not None:
        crumbs.append((reverse("rule", args=[rule.pk]), str(rule)))
    if aircraft is not None:
        crumbs = [
            (reverse("fleet"), "Fleet"),
            (reverse("aircraft", args=[aircraft.pk]), str(aircraft)),
        ]
    section = "season" if aircraft is None else "fleet"
    context = {"form": form, "title": title, "crumbs": crumbs, "section": section, "save": save}
    return render(request, template, context)


urlpatterns = [
    path("rules/", rulebook, name="rules"),
    path("rules/<uuid:requirement_id>/", rule, name="rule"),
    path("rules/<uuid:requirement_id>/versions/new/", rule_version_new, name="rule-version-new"),
    path("rules/<uuid:requirement_id>/end/", rule_end, name="rule-end"),
    path("jurisdictions/new/", jurisdiction_new, name="jurisdiction-new"),
    path("jurisdictions/<uuid:jurisdiction_id>/edit/", jurisdiction_edit, name="jurisdiction-edit"),
    path("jurisdictions/<uuid:jurisdiction_id>/rules/new/", rule_new, name="rule-new"),
    path("aircraft/<uuid:aircraft_id>/waivers/new/", waiver_new, name="waiver-new"),
    path("waivers/<uuid:waiver_id>/end/", waiver_end, name="waiver-end"),
    path("aircraft/<uuid:aircraft_id>/under/new/", under_new, name="under-new"),
    path("under/<uuid:under_id>/end/", under_end, name="under-end"),
    path("checked/", checked, name="checked"),
]
