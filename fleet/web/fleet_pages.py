"""The fleet: aircraft, how each stands, and how each is set up."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from fleet import rules, tables
from fleet.models import Aircraft, Person, SetUp
from fleet.queries.approvals import approvals_listed
from fleet.queries.duties import duties_on
from fleet.queries.logbook import logbook_of
from fleet.queries.standing import standings
from fleet.queries.whose import (
    aircraft_of,
    called,
    operators_of,
    setups_of,
    tests_with_counts,
)
from fleet.services import aircraft as services
from fleet.web.forms_fleet import AircraftForm, SetUpForm, nozzle_lines
from fleet.web.lists import fleet_table
from fleet.web.paging import page_of
from fleet.web.service_pages import service_context
from fleet.web.story_view import story_context
from patterns.draw import COMPACT, WIDE, NozzlePlace, boom_sketch

# Newest tests and approvals on the page of an aircraft; the others are a step away.
MOST_LISTED = 8


@login_required
@require_safe
def fleet(request: HttpRequest) -> HttpResponse:
    """Aircraft, searched by registration, model or operator."""
    words = request.GET.get("q", "").strip()
    rows = called(aircraft_of(request.user), words)
    listed = rows.select_related("operator__jurisdiction")
    if export := tables.answer(request, lambda: fleet_table(request.user, listed)):
        return export
    page = page_of(request, rows)
    held: dict[Any, list[Any]] = {}
    in_service = [one for one in page.object_list if one.retired_on is None]
    for standing in standings(request.user, aircraft=in_service):
        held.setdefault(standing.aircraft.pk, []).append(standing)
    context = {
        "page": page,
        "rows": [(one, held.get(one.pk, [])) for one in page.object_list],
        "words": words,
        "may_change": rules.may_change_fleet(request.user),
        "section": "fleet",
    }
    return render(request, "fleet/fleet.html", context)


@login_required
@require_safe
def aircraft(request: HttpRequest, aircraft_id: UUID) -> HttpResponse:
    """One aircraft: how it stands, its set-ups, its tests, its approvals."""
    person: Person = request.user
    mine = aircraft_of(person).select_related("operator__jurisdiction")
    one = get_object_or_404(mine, pk=aircraft_id)
    book = logbook_of(person, one)
    held = duties_on(person, book)
    standing = standings(person, aircraft=[one], setups=book.setups, approvals=book.approvals)
    listed = None if "all" in request.GET else MOST_LISTED
    context = {
        "one": one,
        "standings": [] if one.retired_on else standing,
        "holds": any(each.in_force for each in standing),
        "setups": book.setups,
        "tests": book.tests[:listed],
        "all_tests": len(book.tests),
        "approvals": book.approvals[:listed],
        "all_approvals": len(book.approvals),
        **story_context(person, book, request.GET.get("season"), held),
        **service_context(person, book),
        "may_change": rules.may_change_fleet(person),
        "may_record": rules.may_record_setups(person),
        "duties": held,
        "waivers": book.waivers,
        "under": book.under,
        "may_keep": rules.may_keep_rules(person),
        "section": "fleet",
    }
    return render(request, "fleet/aircraft.html", context)


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def aircraft_new(request: HttpRequest) -> HttpResponse:
    """Add an aircraft."""
    person: Person = rules.allow(rules.may_change_fleet, request.user)
    operators = operators_of(person).filter(left_on__isnull=True)
    form = AircraftForm(
        request.POST or None,
        system=person.unit_system,
        operators=operators,
        initial={"operator": request.GET.get("operator")},
    )
    if form.carries_out(lambda: services.add_aircraft(by=person, **form.values(operators))):
        messages.success(request, f"{form.outcome} is in the fleet. Record its set-up next.")
        return redirect("aircraft", form.outcome.pk)
    context = {"form": form, "title": "Add an aircraft", "crumbs": _crumbs(), "section": "fleet"}
    return render(request, "fleet/form.html", context)


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def aircraft_edit(request: HttpRequest, aircraft_id: UUID) -> HttpResponse:
    """Change an aircraft's particulars or retire it."""
    one: Aircraft = get_object_or_404(aircraft_of(request.user), pk=aircraft_id)
    person: Person = rules.allow(rules.may_change_fleet, request.user)
    form = AircraftForm(
        request.POST or None,
        system=person.unit_system,
        initial={name: getattr(one, name) for name in services.AIRCRAFT_FIELDS},
    )
    if form.carries_out(lambda: services.change_aircraft(one, by=person, **form.cleaned_data)):
        messages.success(request, "Saved.")
        return redirect("aircraft", one.pk)
    context = {
        "form": form,
        "title": f"Change {one}",
        "crumbs": _crumbs(one),
        "section": "fleet",
    }
    return render(request, "fleet/form.html", context)


def _crumbs(one: Aircraft | None = None) -> list[tuple[str, str]]:
    crumbs = [(reverse("fleet"), "Fleet")]
    return crumbs if one is None else [*crumbs, (reverse("aircraft", args=[one.pk]), str(one))]


@login_required
@require_safe
def setup(request: HttpRequest, setup_id: UUID) -> HttpResponse:
    """One set-up revision, as it was recorded."""
    one: SetUp = get_object_or_404(setups_of(request.user), pk=setup_id)
    later = (
        setups_of(request.user)
        .filter(aircraft=one.aircraft_id, purpose_key=one.purpose_key, number__gt=one.number)
        .order_by("-number")
        .first()
    )
    context = {
        "one": one,
        "later": later,
        "sketch_wide": _sketch(one, request.user, WIDE, "boom-wide"),
        "sketch_small": _sketch(one, request.user, COMPACT, "boom-small"),
        "tests": tests_with_counts(request.user).filter(setup=one),
        "approvals": approvals_listed(request.user).filter(setup=one),
        "may_record": rules.may_record_setups(request.user),
        "section": "fleet",
    }
    return render(request, "fleet/setup.html", context)


def _sketch(one: SetUp, person: Person, size: Any, chart_id: str) -> str:
    return boom_sketch(
        [NozzlePlace(nozzle["place_m"]) for nozzle in one.nozzles],
        boom_width_m=one.boom_width_m,
        span_m=one.aircraft.span_m,
        system=person.unit_system,
        span_name="rotor diameter" if one.aircraft.kind == "helicopter" else "wingspan",
        chart_id=chart_id,
        size=size,
    )


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def setup_new(request: HttpRequest, aircraft_id: UUID) -> HttpResponse:
    """Record how an aircraft is now set up, starting from the revision in force."""
    one: Aircraft = get_object_or_404(aircraft_of(request.user), pk=aircraft_id)
    person: Person = rules.allow(rules.may_record_setups, request.user)
    lines = setups_of(person).filter(aircraft=one)
    form = SetUpForm(
        request.POST or None,
        system=person.unit_system,
        initial=_from_revision(lines, request.GET.get("purpose"), person),
    )
    if form.carries_out(lambda: services.record_setup(by=person, aircraft=one, **form.values())):
        messages.success(request, f"Recorded as revision {form.outcome.number}. Test it next.")
        return redirect("setup", form.outcome.pk)
    context = {
        "form": form,
        "one": one,
        "purposes": sorted({line.purpose for line in lines}),
        "section": "fleet",
    }
    return render(request, "fleet/setup_form.html", context)


def _from_revision(lines: Any, purpose: str | None, person: Person) -> dict[str, Any]:
    """Return the values of the newest revision (of a purpose, when it is named)."""
    if purpose is not None:
        lines = lines.filter(purpose_key=" ".join(purpose.split()).casefold())
    last = lines.order_by("-created_at").first()
    if last is None:
        return {}
    values = {name: getattr(last, name) for name in services.SETUP_FIELDS if name != "note"}
    lines_shown = nozzle_lines(last.nozzles, person.unit_system)
    return {**values, "nozzles": lines_shown, "nozzles_in_force": last.nozzles}


@login_required
@require_http_methods(["POST"])
def aircraft_retire(request: HttpRequest, aircraft_id: UUID) -> HttpResponse:
    """Take an aircraft out of service, or (when it is out) bring it back."""
    one: Aircraft = get_object_or_404(aircraft_of(request.user), pk=aircraft_id)
    person: Person = rules.allow(rules.may_change_fleet, request.user)
    day = None if one.retired_on else timezone.localdate()
    try:
        services.change_aircraft(one, by=person, retired_on=day)
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    else:
        messages.success(request, f"{one} is {'out of' if day else 'back in'} service.")
    return redirect("aircraft", one.pk)


urlpatterns = [
    path("fleet/", fleet, name="fleet"),
    path("fleet/new/", aircraft_new, name="aircraft-new"),
    path("aircraft/<uuid:aircraft_id>/", aircraft, name="aircraft"),
    path("aircraft/<uuid:aircraft_id>/edit/", aircraft_edit, name="aircraft-edit"),
    path("aircraft/<uuid:aircraft_id>/service/", aircraft_retire, name="aircraft-service"),
    path("aircraft/<uuid:aircraft_id>/set-ups/new/", setup_new, name="setup-new"),
    path("set-ups/<uuid:setup_id>/", setup, name="setup"),
]
