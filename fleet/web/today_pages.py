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
from fleet.queries.whose import aircraft_of
from fleet.web.service_pages import may_record_service


@login_required
@require_safe
def today(request: HttpRequest) -> HttpResponse:
    """All of the operator's aircraft in service, each with the swaths approved now."""
    if not request.user.is_operators:
        return redirect("checked" if request.user.is_checker else "due")
    context = {
        "aircraft": _by_aircraft(standings(request.user)),
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
