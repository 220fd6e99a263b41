"""Visits, the day sheet of each, and starting a test on it."""

from __future__ import annotations

import datetime
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.db.models import Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from fleet import rules, tables
from fleet.models import Person, Role, SignUp, SignUpState, Test, Visit
from fleet.queries.cards import scans_to_confirm
from fleet.queries.clinics import days_of, places_left, sign_ups_of, turns, why_closed
from fleet.queries.gifts import gifts_of, supplies_of, supply_sums
from fleet.queries.progress import tests_on
from fleet.queries.running_order import running_order
from fleet.queries.standing import standings
from fleet.queries.whose import aircraft_of, operators_of, setups_of, visits_of
from fleet.services import tests as test_services
from fleet.services import visits as visit_services
from fleet.web.day_pages import day_to_show, key_of, said
from fleet.web.forms_testing import VisitForm
from fleet.web.forms_visits import CallOffForm, SupplyForm
from fleet.web.lists import tests_table, visits_table
from fleet.web.paging import page_of
from patterns.draw.passes import finding_words, letter

# What stays the same from test to test on one field; the weather is entered anew each time.
CARRIED = (
    "line_heading_deg",
    "wind_height_m",
    "liquid",
    "reader",
    "file_unit",
    "file_origin",
    "file_flight_line",
)
MOST_WAITING = 20


@login_required
@require_safe
def visits(request: HttpRequest) -> HttpResponse:
    """Visits: those of today first, then the coming ones, then the past.

    An operator reads before that where they are signed up, and what is open for sign-up.
    """
    today = timezone.localdate()
    seen = visits_of(request.user)
    if export := tables.answer(request, lambda: visits_table(seen)):
        return export
    now = list(seen.filter(starts_on__lte=today, ends_on__gte=today).order_by("starts_on", "id"))
    coming = list(seen.filter(starts_on__gt=today).order_by("starts_on", "id"))
    past = seen.filter(ends_on__lt=today).order_by("-starts_on", "-id")
    left = places_left([*now, *coming])
    for one in (*now, *coming):
        one.left = left.get(one.pk)
    context = {
        "now": now,
        "coming": coming,
        "past": page_of(request, past),
        "may_plan": rules.may_plan_visits(request.user),
        "section": "visits",
    }
    if rules.may_test(request.user):
        context |= _for_analyst(request.user)
    if not request.user.sees_everyone:
        context |= _for_operator(request.user, now, coming)
    return render(request, "fleet/visits.html", context)


def _for_analyst(person: Person) -> dict[str, Any]:
    """What waits for a word of theirs, the oldest first."""
    waiting = scans_to_confirm(person)
    shown = list(waiting[:MOST_WAITING])
    more = waiting.count() - len(shown) if len(shown) == MOST_WAITING else 0
    return {"to_confirm": shown, "more_to_confirm": more}


def _for_operator(person: Person, now: list[Visit], coming: list[Visit]) -> dict[str, Any]:
    """What is theirs comes first: each visit stands in one list only."""
    held = (SignUpState.PLACED, SignUpState.WAITING)
    keys = [one.pk for one in (*now, *coming)]
    mine = turns(sign_ups_of(person).filter(visit__in=keys, state__in=held))
    open_ones = [one for one in (*now, *coming) if not why_closed(one)]
    shown = {turn.sign_up.visit_id for turn in mine} | {one.pk for one in open_ones}
    return {
        "mine": mine,
        "open_ones": open_ones,
        "now": [one for one in now if one.pk not in shown],
        "coming": [one for one in coming if one.pk not in shown],
        "may_sign_up": rules.may_sign_up(person),
    }


@login_required
@require_safe
def visit(request: HttpRequest, visit_id: Any) -> HttpResponse:
    """Show the day of a visit.

    Staff and analysts: the running order, the next aircraft first. An operator: their places, and
    how far their tests are.
    """
    found = get_object_or_404(visits_of(request.user), pk=visit_id)
    by = request.user
    if export := tables.answer(
        request, lambda: tests_table(found, tests_on(by, found), by.unit_system)
    ):
        return export
    context = {
        "visit": found,
        "said": said(request),
        "may_test": rules.may_test(by),
        "may_plan": rules.may_plan_visits(by),
        "may_run": rules.may_run_day(by),
        "may_note_gifts": rules.may_manage_season(by),
        "may_sign_up": rules.may_sign_up(by) and (by.sees_everyone or not why_closed(found)),
        "left": places_left([found]).get(found.pk),
        "section": "visits",
    }
    if by.sees_everyone:
        context |= _day(request, found)
    else:
        context |= {
            "rows": tests_on(by, found),
            "mine": turns(sign_ups_of(by).filter(visit=found)),
            "closed": why_closed(found),
        }
    return render(request, "fleet/visit.html", context)


def _day(request: HttpRequest, found: Visit) -> dict[str, Any]:
    """What the page of a day shows to staff and analysts."""
    by = request.user
    order = running_order(by, found, day_to_show(found, request.GET.get("day")))
    keys = [line.sign_up.pk for line in order.to_fly]
    supplies = list(supplies_of(by).filter(visit=found))
    given = list(gifts_of(by).filter(visit=found))
    return {
        "order": order,
        "rows": order.tests,
        # Each with the one above and the one below: "up" and "down" move one before the other.
        "to_fly": list(zip(order.to_fly, [None, *keys], [*keys[1:], None], strict=False)),
        "findings": [
            {"letter": letter(index), "words": finding_words(zone, by.unit_system, passes)}
            for passes in [order.finding_passes]
            for index, zone in enumerate(order.findings)
        ],
        "supplies": supplies,
        "supply_sums": supply_sums(supplies),
        "gifts": given,
        "supply_form": SupplyForm(system=by.unit_system),
        "call_off_form": CallOffForm(system=by.unit_system),
    }


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def visit_new(request: HttpRequest) -> HttpResponse:
    """Plan a visit."""
    by = rules.allow(rules.may_plan_visits, request.user)
    first = {"kind": "clinic", "starts_on": timezone.localdate()}
    if by.is_analyst:
        first["analyst"] = by
    form = _visit_form(request, {**first, "host": request.GET.get("operator")})
    del form.fields["let_wait"]  # nobody has a place yet
    if form.carries_out(lambda: visit_services.plan_visit(by=by, **form.cleaned_data)):
        return redirect("visit", form.outcome.pk)
    return render(request, "fleet/visit_form.html", {"form": form, "section": "visits"})


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def visit_edit(request: HttpRequest, visit_id: Any) -> HttpResponse:
    """Change a visit."""
    found = get_object_or_404(visits_of(request.user), pk=visit_id)
    by = rules.allow(rules.may_plan_visits, request.user)
    form = _visit_form(request, {f: getattr(found, f) for f in visit_services.VISIT_FIELDS})
    if form.carries_out(lambda: visit_services.change_visit(found, by=by, **form.cleaned_data)):
        return redirect("visit", found.pk)
    context = {"form": form, "visit": found, "section": "visits"}
    return render(request, "fleet/visit_form.html", context)


def _visit_form(request: HttpRequest, initial: dict[str, Any]) -> VisitForm:
    # Who left is not offered any more, but stays where it stands.
    kept = getattr(initial.get("host"), "pk", None)
    operators = operators_of(request.user).filter(Q(left_on__isnull=True) | Q(pk=kept))
    return VisitForm(
        request.POST or None,
        initial=initial,
        operators=operators,
        analysts=Person.objects.filter(role=Role.ANALYST, is_active=True),
        system=request.user.unit_system,
    )


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def test_new(request: HttpRequest, visit_id: Any) -> HttpResponse:
    """Start a test: choose the aircraft with its set-up; the conditions come next."""
    found = get_object_or_404(visits_of(request.user), pk=visit_id)
    by = rules.allow(rules.may_test, request.user)
    errors: list[str] = []
    if request.method == "POST":
        setup = get_object_or_404(setups_of(by), pk=key_of(request.POST.get("setup")))
        try:
            started = test_services.start_test(
                by=by,
                visit=found,
                setup=setup,
                flown_on=_flown_on(request, found),
                **_carried(found),
            )
        except ValidationError as refused:
            errors = refused.messages
        else:
            messages.success(request, f"Test of {setup.aircraft} started.")
            return redirect("test-edit", started.pk)
    asked = request.GET.get("q", "").strip()
    context = {
        "visit": found,
        "page": page_of(request, _candidates(by, found, asked)),
        "asked": asked,
        "days": days_of(found),
        "flown_on": min(max(timezone.localdate(), found.starts_on), found.ends_on),
        "errors": errors,
        "section": "visits",
    }
    return render(request, "fleet/test_new.html", context)


def _flown_on(request: HttpRequest, found: Visit) -> datetime.date:
    try:
        return datetime.date.fromisoformat(request.POST.get("flown_on", ""))
    except ValueError:
        return found.starts_on


def _candidates(person: Person, found: Visit, asked: str) -> list[Any]:
    """Aircraft in service with the set-up in force for each purpose, as searched for.

    Those that are awaited on the visit come first.
    """
    fleet = aircraft_of(person).filter(retired_on__isnull=True, operator__left_on__isnull=True)
    if found.host_id is not None:
        fleet = fleet.filter(operator=found.host_id)
    rows = standings(person, aircraft=fleet)
    words = asked.casefold().split()
    rows = [row for row in rows if all(word in _said_of(row) for word in words)]
    placed = SignUp.objects.filter(visit=found, state=SignUpState.PLACED)
    awaited = set(placed.values_list("aircraft", flat=True))

    def order(row: Any) -> tuple[bool, bool, str]:
        return (row.aircraft.pk not in awaited, row.setup is None, row.aircraft.registration)

    return sorted(rows, key=order)


def _said_of(row: Any) -> str:
    aircraft, purpose = row.aircraft, row.setup.purpose if row.setup else ""
    parts = (aircraft.registration, aircraft.operator.name, aircraft.make, aircraft.model, purpose)
    return " ".join(parts).casefold()


def _carried(found: Visit) -> dict[str, Any]:
    last = Test.objects.filter(visit=found).order_by("created_at").last()
    return {name: getattr(last, name) for name in CARRIED} if last else {}


urlpatterns = [
    path("visits/", visits, name="visits"),
    path("visits/new/", visit_new, name="visit-new"),
    path("visits/<uuid:visit_id>/", visit, name="visit"),
    path("visits/<uuid:visit_id>/edit/", visit_edit, name="visit-edit"),
    path("visits/<uuid:visit_id>/tests/new/", test_new, name="test-new"),
]
