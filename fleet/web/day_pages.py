"""The day of a visit: signing up, the running order, what was used, the calendar file."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterable
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.utils.http import content_disposition_header
from django.utils.text import slugify
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from fleet import rules
from fleet.models import SignUp, SignUpState, Visit
from fleet.queries.calendars import calendar_of
from fleet.queries.clinics import places_left, sign_ups_of, turns, why_closed
from fleet.queries.gifts import supplies_of
from fleet.queries.whose import aircraft_of, called, visits_of
from fleet.services import clinics, gifts
from fleet.services import visits as visit_services
from fleet.web.forms_visits import CallOffForm, SupplyForm
from fleet.web.paging import page_of

SAID = "said_of_the_day"  # in the session: what was done last, and how to undo it
CALENDAR_TYPE = "text/calendar; charset=utf-8"
Fields = Iterable[tuple[str, str]]


def say(
    request: HttpRequest, words: str, *, undo: str = "", fields: Fields = (), wrong: bool = False
) -> None:
    """Keep a sentence for the next look at a visit, with the address that undoes the deed.

    Not a message of the page: only the running order is fetched anew where there is script.
    """
    request.session[SAID] = {
        "words": words,
        "undo": undo,
        "fields": [list(pair) for pair in fields],
        "wrong": wrong,
    }


def said(request: HttpRequest) -> dict[str, Any] | None:
    """Return what was kept, once."""
    kept: dict[str, Any] | None = request.session.pop(SAID, None)
    return kept


def _done(request: HttpRequest, deed: Callable[[], Any]) -> bool:
    """Do a deed of the day; keep its refusal for the page. Say whether anything changed."""
    try:
        return deed() is not False
    except ValidationError as refusal:
        say(request, " ".join(refusal.messages), wrong=True)
        return False


def _back(visit_id: UUID, day: datetime.date | None = None) -> HttpResponse:
    address = reverse("visit", args=[visit_id])
    return redirect(f"{address}?day={day}" if day else address)


# --- signing up


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def sign_up(request: HttpRequest, visit_id: Any) -> HttpResponse:
    """Choose the aircraft to sign up, and say a wish."""
    found: Visit = get_object_or_404(visits_of(request.user), pk=visit_id)
    by = rules.allow(rules.may_sign_up, request.user)
    errors: list[str] = []
    if request.method == "POST":
        chosen = get_object_or_404(aircraft_of(by), pk=key_of(request.POST.get("aircraft")))
        try:
            row = clinics.sign_up(
                by=by,
                visit=found,
                aircraft=chosen,
                wish=request.POST.get("wish", ""),
                day=day_of(request.POST.get("day")),
            )
        except ValidationError as refused:
            errors = refused.messages
        else:
            [turn] = turns([row])
            say(request, f"{chosen} is signed up: {turn.words}.")
            return _back(found.pk, row.day)
    closed = why_closed(found)
    context = {
        "visit": found,
        "closed": closed if not by.sees_everyone or found.cancelled_on else "",
        "left": places_left([found]).get(found.pk),
        "errors": errors,
        "wish": request.POST.get("wish", ""),
        **_choices(request, found),
        "section": "visits",
    }
    return render(request, "fleet/sign_up.html", context)


def _choices(request: HttpRequest, visit: Visit) -> dict[str, Any]:
    """Aircraft in service, as searched for, each with its turn where it is signed up already."""
    asked = request.GET.get("q", "").strip()
    fleet = aircraft_of(request.user).filter(retired_on__isnull=True)
    if visit.host_id is not None:
        fleet = fleet.filter(operator=visit.host_id)
    fleet = called(fleet, asked)
    page = page_of(request, fleet)
    standing = sign_ups_of(request.user).filter(visit=visit).exclude(state=SignUpState.CANCELLED)
    there = {turn.sign_up.aircraft_id: turn for turn in turns(standing)}
    return {"page": page, "rows": [(one, there.get(one.pk)) for one in page], "asked": asked}


@login_required
@require_POST
def sign_up_cancel(request: HttpRequest, sign_up_id: Any) -> HttpResponse:
    """Call a sign-up off."""
    row = get_object_or_404(sign_ups_of(request.user), pk=sign_up_id)
    by = rules.allow(rules.may_sign_up, request.user)
    day = row.day
    if _done(request, lambda: clinics.cancel(row, by=by)):
        say(request, f"{row.aircraft} is called off. It can be signed up again.")
    found = visits_of(by).filter(pk=row.visit_id).exists()
    return _back(row.visit_id, day if by.sees_everyone else None) if found else redirect("visits")


# --- the running order


@login_required
@require_POST
def sign_up_mark(request: HttpRequest, sign_up_id: Any) -> HttpResponse:
    """Note an aircraft as flown or absent, or take that back."""
    row = get_object_or_404(sign_ups_of(request.user), pk=sign_up_id)
    by = rules.allow(rules.may_run_day, request.user)
    deeds = {
        "flown": (clinics.mark_flown, "has flown"),
        "absent": (clinics.mark_absent, "did not come"),
        "placed": (clinics.put_back, "is back in the order"),
    }
    state = request.POST.get("state", "")
    if state not in deeds:
        say(request, "Say whether it has flown, did not come, or is back.", wrong=True)
        return _back(row.visit_id)
    deed, words = deeds[state]
    if _done(request, lambda: deed(row, by=by)):
        if state == "placed":
            [turn] = turns(sign_ups_of(by).filter(pk=row.pk))
            say(request, f"{row.aircraft} is back: {turn.words}.")
        else:
            undo = reverse("sign-up-mark", args=[row.pk])
            say(request, f"{row.aircraft} {words}.", undo=undo, fields=[("state", "placed")])
    return _back(row.visit_id, row.day)


@login_required
@require_POST
def sign_up_move(request: HttpRequest, sign_up_id: Any) -> HttpResponse:
    """Move an aircraft before another one, or to another day."""
    row = get_object_or_404(sign_ups_of(request.user), pk=sign_up_id)
    by = rules.allow(rules.may_run_day, request.user)
    here = reverse("sign-up-move", args=[row.pk])
    if day := day_of(request.POST.get("day")):
        if _done(request, lambda: clinics.move_to_day(row, by=by, day=day)):
            undo = {"undo": here, "fields": [("day", str(row.day))]} if row.day else {}
            say(request, f"{row.aircraft} flies on {day:%-d %B}.", **undo)
            row.day = day
        return _back(row.visit_id, row.day)
    others = sign_ups_of(by).filter(visit=row.visit_id)
    other = get_object_or_404(others, pk=key_of(request.POST.get("before")))
    before = _order(row)
    if _done(request, lambda: clinics.move_before(row, by=by, other=other)):
        _say_order(
            request, row.visit_id, row.day, before, f"{row.aircraft} before {other.aircraft}."
        )
    return _back(row.visit_id, row.day)


@login_required
@require_POST
def order(request: HttpRequest, visit_id: Any) -> HttpResponse:
    """Put those to fly on a day in an order, as a list of keys."""
    found: Visit = get_object_or_404(visits_of(request.user), pk=visit_id)
    by = rules.allow(rules.may_run_day, request.user)
    day = day_of(request.POST.get("day")) or found.starts_on
    keys = [key for text in request.POST.getlist("order") if (key := key_of(text))]
    rows = sign_ups_of(by).filter(visit=found, day=day, state=SignUpState.PLACED)
    before = [str(row.pk) for row in rows]
    if _done(request, lambda: clinics.reorder(found, by=by, day=day, order=keys)):
        _say_order(request, found.pk, day, before, "The new order is saved.")
    return _back(found.pk, day)


def _order(row: SignUp) -> list[str]:
    rows = SignUp.objects.filter(visit=row.visit_id, day=row.day, state=SignUpState.PLACED)
    return [str(key) for key in rows.order_by("position").values_list("pk", flat=True)]


def _say_order(
    request: HttpRequest, visit_id: UUID, day: datetime.date | None, before: list[str], words: str
) -> None:
    fields = [("day", str(day)), *(("order", key) for key in before)]
    say(request, words, undo=reverse("visit-order", args=[visit_id]), fields=fields)


# --- the visit as a whole


@login_required
@require_POST
def call_off(request: HttpRequest, visit_id: Any) -> HttpResponse:
    """Call a visit off, with the reason."""
    found: Visit = get_object_or_404(visits_of(request.user), pk=visit_id)
    by = rules.allow(rules.may_plan_visits, request.user)
    form = CallOffForm(request.POST, system=by.unit_system)
    if form.carries_out(lambda: visit_services.call_off_visit(found, by=by, **form.cleaned_data)):
        say(request, "The visit is called off.", undo=reverse("visit-put-back", args=[found.pk]))
    else:
        say(request, _first_error(form), wrong=True)
    return _back(found.pk)


@login_required
@require_POST
def put_back(request: HttpRequest, visit_id: Any) -> HttpResponse:
    """Put a visit back on that was called off."""
    found: Visit = get_object_or_404(visits_of(request.user), pk=visit_id)
    by = rules.allow(rules.may_plan_visits, request.user)
    if _done(request, lambda: visit_services.put_visit_back(found, by=by)):
        say(request, "The visit takes place after all.")
    return _back(found.pk)


@login_required
@require_safe
def calendar(request: HttpRequest, visit_id: Any) -> HttpResponse:
    """Hand out the calendar file of a visit."""
    found: Visit = get_object_or_404(visits_of(request.user), pk=visit_id)
    name = f"{slugify(found.place) or 'visit'}-{found.starts_on}.ics"
    disposition = content_disposition_header(as_attachment=True, filename=name) or ""
    return HttpResponse(
        calendar_of(request.user, found),
        content_type=CALENDAR_TYPE,
        headers={"Content-Disposition": disposition, "Cache-Control": "private, no-store"},
    )


@login_required
@require_POST
def supply_new(request: HttpRequest, visit_id: Any) -> HttpResponse:
    """Note what a visit used up."""
    found: Visit = get_object_or_404(visits_of(request.user), pk=visit_id)
    by = rules.allow(rules.may_run_day, request.user)
    form = SupplyForm(request.POST, system=by.unit_system)
    if form.carries_out(lambda: gifts.record_supply(by=by, visit=found, **form.cleaned_data)):
        undo = reverse("supply-remove", args=[form.outcome.pk])
        say(request, f"Noted: {form.outcome}.", undo=undo)
    else:
        say(request, _first_error(form), wrong=True)
    return _back(found.pk)


@login_required
@require_POST
def supply_remove(request: HttpRequest, supply_id: Any) -> HttpResponse:
    """Take back what was noted by mistake."""
    use = get_object_or_404(supplies_of(request.user), pk=supply_id)
    by = rules.allow(rules.may_run_day, request.user)
    words = str(use)
    gifts.remove_supply(use, by=by)
    messages.success(request, f"Taken back: {words}.")
    return _back(use.visit_id)


def _first_error(form: Any) -> str:
    """Say the first thing that is wrong, with the name of its field."""
    name, errors = next(iter(form.errors.items()))
    label = form.fields[name].label if name in form.fields else ""
    return f"{label}: {errors[0]}" if label else str(errors[0])


def key_of(given: str | None) -> UUID | None:
    """Return a key as it was sent; one that cannot be a key finds nothing."""
    try:
        return UUID(given or "")
    except ValueError:
        return None


def day_of(given: str | None) -> datetime.date | None:
    """Return a day as it was sent, or None."""
    try:
        return datetime.date.fromisoformat(given or "")
    except ValueError:
        return None


def day_to_show(visit: Visit, asked: str | None) -> datetime.date:
    """Return the day asked for, else today, kept within the visit."""
    day = day_of(asked) or timezone.localdate()
    return min(max(day, visit.starts_on), visit.ends_on)


urlpatterns = [
    path("visits/<uuid:visit_id>/sign-up/", sign_up, name="visit-sign-up"),
    path("visits/<uuid:visit_id>/order/", order, name="visit-order"),
    path("visits/<uuid:visit_id>/call-off/", call_off, name="visit-call-off"),
    path("visits/<uuid:visit_id>/put-back/", put_back, name="visit-put-back"),
    path("visits/<uuid:visit_id>/calendar/", calendar, name="visit-calendar"),
    path("visits/<uuid:visit_id>/supplies/", supply_new, name="supply-new"),
    path("supplies/<uuid:supply_id>/remove/", supply_remove, name="supply-remove"),
    path("sign-ups/<uuid:sign_up_id>/cancel/", sign_up_cancel, name="sign-up-cancel"),
    path("sign-ups/<uuid:sign_up_id>/mark/", sign_up_mark, name="sign-up-mark"),
    path("sign-ups/<uuid:sign_up_id>/move/", sign_up_move, name="sign-up-move"),
]
