"""Which swath today? For the operator beside the aircraft."""

from __future__ import annotations

from itertools import groupby
from uuid import UUID

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.views.decorators.http import require_safe

from fleet import rules
from fleet.models import Aircraft
from fleet.queries.standing import Standing, standings
from fleet.queries.whose import aircraft_of, called
from fleet.web.paging import page_of
from fleet.web.service_pages import may_record_service

# More than that nobody looks through on a phone: who has more types a registration.
AIRCRAFT_A_PAGE = 20


@login_required
@require_safe
def today(request: HttpRequest) -> HttpResponse:
    """The operator's aircraft in service, each with the swaths approved now; some a page."""
    person = request.user
    if not person.is_operators:
        return redirect("checked" if person.is_checker else "due")
    words = request.GET.get("q", "").strip()
    fleet = called(aircraft_of(person).filter(retired_on__isnull=True), words)
    page = page_of(request, fleet.order_by("registration"), AIRCRAFT_A_PAGE)
    context = {
        "page": page,
        "words": words,
        "aircraft": _by_aircraft(standings(person, aircraft=page.object_list)),
        "may_record_setups": rules.may_record_setups(request.user),
        "section": "today",
    }
    return render(request, "fleet/today.html", context)


@login_required
@require_safe
def today_aircraft(request: HttpRequest, aircraft_id: UUID) -> HttpResponse:
    """One aircraft, to be read at arm's length."""
    aircraft = get_object_or_404(aircraft_of(request.user), pk=aircraft_id)
    found = [] if aircraft.retired_on else standings(request.user, aircraft=[aircraft])
    context = {
        "one": aircraft,
        "aircraft": _by_aircraft(found),
        "may_record_setups": rules.may_record_setups(request.user),
        "may_record_service": may_record_service(request.user, aircraft),
        "section": "today",
    }
    return render(request, "fleet/today.html", context)


def _by_aircraft(found: list[Standing]) -> list[tuple[Aircraft, list[Standing]]]:
    """Group standings by aircraft; within one, approved swaths come first, the widest first."""

    def order(standing: Standing) -> tuple[str, bool, float]:
        swath = standing.approval.swath_m if standing.approval else 0.0
        return (standing.aircraft.registration, not standing.in_force, -swath)

    groups = groupby(sorted(found, key=order), key=lambda standing: standing.aircraft)
    return [(aircraft, list(rows)) for aircraft, rows in groups]


urlpatterns = [
    path("today/", today, name="today"),
    path("today/<uuid:aircraft_id>/", today_aircraft, name="today-aircraft"),
]
