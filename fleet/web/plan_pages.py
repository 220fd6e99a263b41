"""Return visits: plans, a plan with its tours and words, the search under way, wishes."""

from __future__ import annotations

import datetime
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.db.models import Max
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe
from django_htmx.http import HttpResponseClientRefresh

from fleet import rules
from fleet.models import Person, Role, TourPlan
from fleet.queries.plan_inputs import gather
from fleet.queries.plans import last_job, view_of
from fleet.queries.whose import aircraft_of, operators_of, plans_of, proposals_of, wishes_of
from fleet.services import plans as services
from fleet.services import wishes as wish_services
from fleet.web.forms_plans import DayForm, PlanForm, WishForm, WordForm
from fleet.web.paging import page_of
from patterns.draw import COMPACT, WIDE, MapPlace, MapTour, tour_map


@login_required
@require_safe
def plans(request: HttpRequest) -> HttpResponse:
    """Plans of return visits, the newest first."""
    rules.allow(rules.may_plan_visits, request.user)
    rows = plans_of(request.user).annotate(last_number=Max("proposals__number"))
    context = {"page": page_of(request, rows.order_by("-created_at", "-id")), "section": "visits"}
    return render(request, "fleet/plans.html", context)


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def plan_new(request: HttpRequest) -> HttpResponse:
    """Make a plan, then ask for its first tours at once."""
    by = rules.allow(rules.may_plan_visits, request.user)
    monday = timezone.localdate() + datetime.timedelta(days=7 - timezone.localdate().weekday())
    initial: dict[str, Any] = {
        **services.DEFAULTS,
        "starts_on": monday,
        "ends_on": monday + datetime.timedelta(days=8 * 7 - 3),
    }
    if by.is_analyst:
        initial["analyst"] = by
    last = plans_of(by).first()
    if last is not None:
        initial |= {f: getattr(last, f) for f in ("analyst", *_START)} | last.settings
    initial["blocked_days"] = ""
    form = PlanForm(
        request.POST or None,
        initial=initial,
        analysts=Person.objects.filter(role=Role.ANALYST, is_active=True),
        system=by.unit_system,
    )
    if form.carries_out(lambda: services.make_plan(by=by, **form.plan())):
        _ask(request, form.outcome)
        return redirect("plan", form.outcome.pk)
    return render(request, "fleet/plan_form.html", {"form": form, "section": "visits"})


_START = ("start_place", "start_latitude_deg", "start_longitude_deg")


@login_required
@require_safe
def plan(request: HttpRequest, plan_id: Any) -> HttpResponse:
    """Show a plan: the search under way, or the newest proposal; an older one by ?proposal=."""
    found = get_object_or_404(plans_of(request.user), pk=plan_id)
    job = last_job(found)
    if request.htmx:
        if job is None or job.has_ended:  # the whole page has something else to show now
            return HttpResponseClientRefresh()
        return render(request, "fleet/parts/plan_job.html", {"plan": found, "job": job})
    mine = proposals_of(request.user).filter(plan=found).order_by("-number")
    asked = request.GET.get("proposal", "")
    if asked.isdigit():
        mine = mine.filter(number=int(asked))
    proposal = mine.first()
    view = view_of(request.user, proposal) if proposal is not None else None
    context = {
        "plan": found,
        "job": job,
        "view": view,
        "numbers": list(found.proposals.order_by("-number").values_list("number", flat=True)),
        "blocked": [datetime.date.fromisoformat(one) for one in found.settings["blocked_days"]],
        "maps": _maps(view.result, request.user.unit_system) if view else None,
        "waiting": None if view else _waiting(request.user, found),
        "section": "visits",
    }
    return render(request, "fleet/plan.html", context)


def _waiting(person: Person, found: TourPlan) -> Any:
    """What the planner would be given, as long as there is no proposal to look at."""
    return gather(person, found)


def _maps(result: dict[str, Any], system: str) -> dict[str, str]:
    """The sketch of the tours, for a desk and for a phone."""
    places = [
        MapPlace(place["name"].split(",")[0], place["latitude_deg"], place["longitude_deg"])
        for place in result["places"]
    ]
    ways: dict[int, list[int]] = {}
    for day in result["days"]:
        if day["tour"] is not None:
            path_so_far = ways.setdefault(day["tour"], [day["start"]])
            path_so_far += [stop["place"] for stop in day["stops"]]
            path_so_far += [] if day["end"] else [0]
    tours = [MapTour(f"Tour {number}", tuple(way)) for number, way in ways.items()]
    return {
        "wide": tour_map(places, tours, system=system, chart_id="tours-wide", size=WIDE),
        "phone": tour_map(places, tours, system=system, chart_id="tours-phone", size=COMPACT),
    }


@login_required
@require_POST
def plan_again(request: HttpRequest, plan_id: Any) -> HttpResponse:
    """Ask for tours anew, from everything as it stands now."""
    found = get_object_or_404(plans_of(request.user), pk=plan_id)
    rules.allow(rules.may_plan_visits, request.user)
    _ask(request, found)
    return redirect("plan", found.pk)


def _ask(request: HttpRequest, found: TourPlan) -> None:
    try:
        services.request_proposal(found, by=request.user)
    except ValidationError as refused:
        for words in refused.messages:
            messages.warning(request, words)


@login_required
@require_POST
def plan_stop(request: HttpRequest, plan_id: Any) -> HttpResponse:
    """Stop the search and take the best so far."""
    found = get_object_or_404(plans_of(request.user), pk=plan_id)
    if not services.stop_early(found, by=rules.allow(rules.may_plan_visits, request.user)):
        messages.info(request, "The search has ended already.")
    return redirect("plan", found.pk)


@login_required
@require_POST
def plan_word(request: HttpRequest, plan_id: Any) -> HttpResponse:
    """Say of aircraft, one or all at a stop: on this day, not in this plan, or take that back."""
    found = get_object_or_404(plans_of(request.user), pk=plan_id)
    by = rules.allow(rules.may_plan_visits, request.user)
    form = WordForm(request.POST, fleet=aircraft_of(by), system=by.unit_system)
    if not form.is_valid():
        messages.error(request, " ".join(w for all_of in form.errors.values() for w in all_of))
        return redirect("plan", found.pk)
    fleet, word = list(form.cleaned_data["aircraft"]), form.cleaned_data["word"]
    day = form.cleaned_data["day"]
    try:
        if word == "back":
            services.take_back_all(found, by=by, fleet=fleet)
        else:
            services.say_of_all(found, by=by, fleet=fleet, kind=word, day=day)
    except ValidationError as refused:
        messages.error(request, " ".join(refused.messages))
    else:
        said = {"pin": f"on {day:%-d %B}" if day else "", "drop": "left out", "back": "free again"}
        names = ", ".join(map(str, fleet))
        messages.success(request, f"{names}: {said[word]}, as soon as you plan again.")
    return redirect(reverse("plan", args=[found.pk]) + "#again")


@login_required
@require_POST
def plan_day(request: HttpRequest, plan_id: Any) -> HttpResponse:
    """Block a day of the plan, or give it back."""
    found = get_object_or_404(plans_of(request.user), pk=plan_id)
    by = rules.allow(rules.may_plan_visits, request.user)
    form = DayForm(request.POST, system=by.unit_system)
    if form.carries_out(lambda: services.block_day(found, by=by, **form.cleaned_data)):
        day, blocked = form.cleaned_data["day"], form.cleaned_data["blocked"]
        said = "is blocked" if blocked else "is free again"
        messages.success(request, f"{day:%-d %B} {said}, as soon as you plan again.")
    else:
        messages.error(request, " ".join(w for all_of in form.errors.values() for w in all_of))
    return redirect(reverse("plan", args=[found.pk]) + "#again")


@login_required
@require_POST
def plan_accept(request: HttpRequest, plan_id: Any) -> HttpResponse:
    """Plan the visit that a stop proposes."""
    found = get_object_or_404(plans_of(request.user), pk=plan_id)
    by = rules.allow(rules.may_plan_visits, request.user)
    number, day = request.POST.get("proposal", ""), request.POST.get("day", "")
    proposal = get_object_or_404(
        proposals_of(by), plan=found, number=int(number) if number.isdigit() else 0
    )
    aircraft = get_object_or_404(
        aircraft_of(by), pk__in=[key for key in [request.POST.get("aircraft")] if _is_key(key)]
    )
    operator = get_object_or_404(operators_of(by), pk=aircraft.operator_id)
    try:
        visit = services.accept_stop(
            proposal, by=by, day=datetime.date.fromisoformat(day), operator=operator
        )
    except ValidationError as refused:
        messages.error(request, " ".join(refused.messages))
    except ValueError:
        messages.error(request, "Say which day.")
    else:
        messages.success(request, f"The visit is planned: {visit}.")
        return redirect("visit", visit.pk)
    return redirect("plan", found.pk)


def _is_key(given: str | None) -> bool:
    return given is not None and len(given) == 36 and given.count("-") == 4


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def wish_new(request: HttpRequest, aircraft_id: Any) -> HttpResponse:
    """Wish for a visit to an aircraft, or see and take back the wish that stands."""
    one = get_object_or_404(aircraft_of(request.user), pk=aircraft_id)
    by = rules.allow(rules.may_sign_up, request.user)
    today = timezone.localdate()
    form = WishForm(
        request.POST or None,
        initial={"from_on": today, "until_on": today + datetime.timedelta(days=30)},
        system=by.unit_system,
    )
    if form.carries_out(lambda: wish_services.wish_for(by=by, aircraft=one, **form.cleaned_data)):
        messages.success(request, "Your wish is with the analysts; they see it when they plan.")
        return redirect("aircraft", one.pk)
    standing = wishes_of(by).filter(aircraft=one, settled_on__isnull=True).first()
    context = {"form": form, "one": one, "standing": standing, "section": "fleet"}
    return render(request, "fleet/wish.html", context)


@login_required
@require_POST
def wish_back(request: HttpRequest, aircraft_id: Any) -> HttpResponse:
    """Take the wish for a visit back."""
    one = get_object_or_404(aircraft_of(request.user), pk=aircraft_id)
    by = rules.allow(rules.may_sign_up, request.user)
    for wish in wishes_of(by).filter(aircraft=one, settled_on__isnull=True):
        wish_services.take_wish_back(wish, by=by)
    messages.success(request, "Taken back.")
    return redirect("aircraft", one.pk)


urlpatterns = [
    path("plans/", plans, name="plans"),
    path("plans/new/", plan_new, name="plan-new"),
    path("plans/<uuid:plan_id>/", plan, name="plan"),
    path("plans/<uuid:plan_id>/again/", plan_again, name="plan-again"),
    path("plans/<uuid:plan_id>/stop/", plan_stop, name="plan-stop"),
    path("plans/<uuid:plan_id>/word/", plan_word, name="plan-word"),
    path("plans/<uuid:plan_id>/day/", plan_day, name="plan-day"),
    path("plans/<uuid:plan_id>/accept/", plan_accept, name="plan-accept"),
    path("aircraft/<uuid:aircraft_id>/wish/", wish_new, name="wish-new"),
    path("aircraft/<uuid:aircraft_id>/wish/back/", wish_back, name="wish-back"),
]
