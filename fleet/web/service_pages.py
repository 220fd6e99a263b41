"""Records of service: the list, one record with what the laws ask for, the form, corrections."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from fleet import rules, tables
from fleet.models import Aircraft, Jurisdiction, Person, Season, ServiceRecord, WorksUnder
from fleet.queries.duties import today_in
from fleet.queries.logbook import Logbook
from fleet.queries.service_records import (
    asking,
    asking_among,
    holding,
    in_season,
    keep_until,
    last_values,
    service_records_of,
    standing,
    suggestions,
)
from fleet.queries.whose import aircraft_of
from fleet.record_lists import CAUTION, named
from fleet.services import service_records as services
from fleet.web.forms_service import FilterForm, ServiceForm, StrikeForm, answers
from fleet.web.paging import page_of
from fleet.web.service_view import facts_of, records_table, state_of, ticks_of

FORM = ["GET", "HEAD", "POST"]
LISTED_ON_AIRCRAFT = 5


@login_required
@require_safe
def service_records(request: HttpRequest) -> HttpResponse:
    """What was applied, the latest day first, by aircraft, days, season and words."""
    person: Person = rules.allow(rules.may_read_service_records, request.user)
    form = FilterForm(
        request.GET,
        aircraft=aircraft_of(person) if person.is_operators else None,
        seasons=Season.objects.order_by("-starts_on"),
    )
    rows = _sought(service_records_of(person), form)
    if export := tables.answer(request, lambda: records_table(rows)):
        return export
    page = page_of(request, rows)
    places = asking(person.operator) if person.operator else []
    context = {
        "form": form,
        "is_narrowed": any(form.data.get(name) for name in form.fields if name != "q"),
        "page": page,
        "rows": [(one, state_of(one)) for one in page.object_list],
        "may_record": bool(places) and rules.may_keep_service_records(person),
        "places": [(place, named(place.record_lists)) for place in places],
        "caution": CAUTION,
        "section": "papers",
    }
    return render(request, "fleet/service_records.html", context)


def _sought(rows: QuerySet[ServiceRecord], form: FilterForm) -> QuerySet[ServiceRecord]:
    form.is_valid()  # what cannot be read says so beside its field, and narrows nothing
    asked = form.cleaned_data
    if asked.get("show") != "all":
        rows = standing(rows)
    if asked.get("aircraft"):
        rows = rows.filter(aircraft=asked["aircraft"])
    if asked.get("season"):
        rows = in_season(rows, asked["season"])
    if asked.get("since"):
        rows = rows.filter(served_on__gte=asked["since"])
    if asked.get("until"):
        rows = rows.filter(served_on__lte=asked["until"])
    return holding(rows, asked.get("q", ""))


@login_required
@require_safe
def service_record(request: HttpRequest, record_id: UUID) -> HttpResponse:
    """One record: what it says, what each law asks for, and what became of it."""
    one = get_object_or_404(service_records_of(request.user), pk=record_id)
    context = {
        "record": one,
        "state": state_of(one),
        "facts": list(facts_of(one.values)),
        "ticks": ticks_of(one),
        "keep_until": keep_until(one),
        "corrected_by": getattr(one, "corrected_by", None),
        "may_keep": rules.may_keep_service_records(request.user),
        "caution": CAUTION,
        "section": "papers",
    }
    return render(request, "fleet/service_record.html", context)


# --- The form -------------------------------------------------------------------------------------


@login_required
@require_http_methods(FORM)
def service_record_new(request: HttpRequest) -> HttpResponse:
    """Record an application, beside the aircraft; what is known stands there already."""
    person: Person = rules.allow(rules.may_keep_service_records, request.user)
    began = timezone.now()
    aircraft = _named(aircraft_of(person), request.GET.get("aircraft"))
    like = _named(service_records_of(person), request.GET.get("like"))
    assert person.operator is not None  # by the rule
    places = asking(person.operator, aircraft)
    if not places:
        messages.info(request, "Nobody asks here for records of service.")
        return redirect("service-records")
    asked = request.GET.get("under") or (like and str(like.jurisdiction_id))
    place = next((one for one in places if str(one.pk) == asked), places[0])
    form = ServiceForm(
        request.POST or None,
        available=place.record_lists,
        aircraft=aircraft_of(person),
        values=_begun(person, place, aircraft, like),
        initial={"aircraft": aircraft or (like and like.aircraft)},
        suggested=suggestions(person),
        system=person.unit_system,
    )
    if form.carries_out(
        lambda: services.record_service(by=person, jurisdiction=place, **form.values())
    ):
        twice = form.outcome.created_at < began
        messages.success(request, "It was recorded already." if twice else "Recorded.")
        return redirect("service-record", form.outcome.pk)
    context = {
        "title": f"What was applied{f' with {aircraft}' if aircraft else ''}?",
        "places": places if len(places) > 1 else [],
        "aircraft": aircraft,
        "save": "Record it",
    }
    return _form_page(request, form, place, context)


def _begun(
    person: Person, place: Jurisdiction, aircraft: Aircraft | None, like: ServiceRecord | None
) -> dict[str, Any]:
    """Return what a new record begins with.

    Never the time nor how much: these must be written down each time, or they would be wrong.
    """
    today = {"served_on": today_in(place)}
    if like is not None:
        kept = {key: _without_numbers(value) for key, value in like.values.items()}
        return {**kept, "served_at": None, **today}
    last = last_values(person, aircraft)
    kept = {
        key: last[key] for key in ("pilots", "applicator_name", "applicator_number") if key in last
    }
    if person.role == "pilot":
        own = [row for row in kept.get("pilots", []) if row.get("name") == person.name]
        kept["pilots"] = own or [{"name": person.name}]
    for key in ("area", "materials"):
        if key in last:
            units = _without_numbers(last[key])
            kept[key] = units if key == "area" else [{"amount": units[0].get("amount", {})}]
    return {**kept, **today}


def _without_numbers(value: Any) -> Any:
    """Return a value with its units, but without how much."""
    if isinstance(value, list):
        return [{key: _without_numbers(inner) for key, inner in row.items()} for row in value]
    if isinstance(value, Mapping):
        return {"unit": value.get("unit")}
    return value


@login_required
@require_http_methods(FORM)
def service_record_correct(request: HttpRequest, record_id: UUID) -> HttpResponse:
    """Put a right record beside a wrong one."""
    one = get_object_or_404(service_records_of(request.user), pk=record_id)
    person: Person = rules.allow(rules.may_keep_service_records, request.user)
    available = list(dict.fromkeys([*one.lists, *one.jurisdiction.record_lists]))
    form = ServiceForm(
        request.POST or None,
        available=available,
        aircraft=aircraft_of(person),
        values=one.values,
        initial={"aircraft": one.aircraft, **answers(available, one.lists)},
        correcting=True,
        system=person.unit_system,
    )
    if form.carries_out(lambda: services.correct_service_record(one, by=person, **form.values())):
        messages.success(request, "Corrected. The record that was wrong stays readable.")
        return redirect("service-record", form.outcome.pk)
    context = {"title": f"Correct the {_lower(one)}", "record": one, "save": "Save the correction"}
    return _form_page(request, form, one.jurisdiction, context)


@login_required
@require_http_methods(FORM)
def service_record_strike(request: HttpRequest, record_id: UUID) -> HttpResponse:
    """Say that what was recorded did not take place."""
    one = get_object_or_404(service_records_of(request.user), pk=record_id)
    person: Person = rules.allow(rules.may_keep_service_records, request.user)
    form = StrikeForm(request.POST or None, system=person.unit_system)
    if form.carries_out(
        lambda: services.strike_service_record(one, by=person, **form.cleaned_data)
    ):
        messages.success(request, "Noted: it did not take place.")
        return redirect("service-record", form.outcome.pk)
    context = {
        "form": form,
        "title": f"The {_lower(one)} tells of nothing that took place",
        "crumbs": [*_crumbs(), (reverse("service-record", args=[one.pk]), str(one))],
        "save": "It did not take place",
        "section": "papers",
    }
    return render(request, "fleet/form.html", context)


def _form_page(
    request: HttpRequest, form: ServiceForm, place: Jurisdiction, context: dict[str, Any]
) -> HttpResponse:
    shown = {
        "form": form,
        "place": place,
        "lists": named(place.record_lists),
        "crumbs": _crumbs(),
        "caution": CAUTION,
        "section": "papers",
    }
    return render(request, "fleet/service_form.html", {**shown, **context})


def _crumbs() -> list[tuple[str, str]]:
    return [(reverse("papers"), "Papers"), (reverse("service-records"), "Records of service")]


def _lower(one: ServiceRecord) -> str:
    words = str(one)
    return words[:1].lower() + words[1:]


def _named(rows: QuerySet[Any], key: str | None) -> Any:
    """Return the row that a query names; 404 for what is not there, None for nothing."""
    if not key:
        return None
    try:
        return get_object_or_404(rows, pk=UUID(key))
    except ValueError:
        return None


def may_record_service(
    person: Person, aircraft: Aircraft, under: Iterable[WorksUnder] | None = None
) -> bool:
    """Whether an application with an aircraft can be recorded: by whom, and where it is asked.

    Under whose rules the aircraft works is looked up where it is not given.
    """
    if not rules.may_keep_service_records(person) or aircraft.retired_on:
        return False
    operator = aircraft.operator
    return bool(asking(operator, aircraft) if under is None else asking_among(operator, under))


def service_context(person: Person, book: Logbook) -> dict[str, Any]:
    """Return what the page of an aircraft shows of its records of service."""
    rows = standing(service_records_of(person)).filter(aircraft=book.aircraft)
    return {
        "service_records": rows.select_related(None).only("served_on", "values")[
            :LISTED_ON_AIRCRAFT
        ],
        "may_record_service": may_record_service(person, book.aircraft, book.under),
    }


urlpatterns = [
    path("service-records/", service_records, name="service-records"),
    path("service-records/new/", service_record_new, name="service-record-new"),
    path("service-records/<uuid:record_id>/", service_record, name="service-record"),
    path(
        "service-records/<uuid:record_id>/correct/",
        service_record_correct,
        name="service-record-correct",
    ),
    path(
        "service-records/<uuid:record_id>/strike/",
        service_record_strike,
        name="service-record-strike",
    ),
]
