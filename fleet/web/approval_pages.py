"""Approving a swath, what an approval rests on, and taking one back."""

from __future__ import annotations

import datetime
import math
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from fleet import rules
from fleet.models import AnalysisRun, Approval, Manner, Visit
from fleet.queries.evidence import (
    approval_in_force,
    at_swath,
    line_of,
    newer_setup,
    passes_of_analysis,
)
from fleet.queries.standing import standing_of
from fleet.queries.whose import analyses_of, approvals_of
from fleet.services import approvals
from fleet.web.forms_testing import ApproveForm, WithdrawForm, one_year_after


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def approve(request: HttpRequest, analysis_id: Any) -> HttpResponse:
    """Approve a swath on an analysis; say live what the evidence is for the swath typed."""
    run = get_object_or_404(analyses_of(request.user), pk=analysis_id)
    by = rules.allow(rules.may_approve, request.user)
    if request.htmx:
        form = ApproveForm(request.GET, system=by.unit_system)
        return render(request, "fleet/parts/evidence.html", _evidence(run, form))
    form = ApproveForm(request.POST or None, initial=_first(request, run), system=by.unit_system)
    if form.carries_out(lambda: approvals.approve(run, by=by, **form.cleaned_data)):
        messages.success(request, "Approved.")
        return redirect("approval", form.outcome.pk)
    context = {
        "run": run,
        "test": run.test,
        "superseded": approval_in_force(run.test.setup),
        "newer": newer_setup(run.test.setup),
        "section": "visits",
        **_evidence(run, form),
    }
    return render(request, "fleet/approve.html", context)


def _first(request: HttpRequest, run: AnalysisRun) -> dict[str, Any]:
    """Swath and way of flying as chosen with the slider, or as recommended."""
    manner = request.GET.get("manner", "")
    manner = manner if manner in Manner.values else run.test.setup.manner
    ends_on = one_year_after(run.test.flown_on)
    return {
        "swath_m": _chosen_m(request) or getattr(run.result.recommended, manner).swath_m,
        "manner": manner,
        "valid_until": ends_on if ends_on > timezone.localdate() else None,
    }


def _chosen_m(request: HttpRequest) -> float | None:
    try:
        swath_m = float(request.GET.get("at_m", ""))
    except ValueError:
        return None
    return swath_m if math.isfinite(swath_m) and swath_m > 0 else None


def _evidence(run: AnalysisRun, form: ApproveForm) -> dict[str, Any]:
    """What the analysis says of the swath and way of flying that stand in the form."""
    if form.is_bound:
        form.is_valid()  # cleans what was typed, once; errors of the service stay
        swath_m = form.cleaned_data.get("swath_m")
        manner = form.cleaned_data.get("manner")
    else:
        swath_m, manner = form.initial["swath_m"], form.initial["manner"]
    known = swath_m is not None and manner
    at = at_swath(run, swath_m, manner) if known else None
    parameters = run.result.parameters
    return {
        "form": form,
        "at": at,
        "limit": parameters.cv_limit_percent,
        "confidence": 100 * parameters.confidence,
    }


@login_required
@require_safe
def approval(request: HttpRequest, approval_id: Any) -> HttpResponse:
    """Show an approval and what it rests on."""
    found = get_object_or_404(approvals_of(request.user), pk=approval_id)
    return _page(request, found, WithdrawForm(system=request.user.unit_system))


@login_required
@require_POST
def withdraw(request: HttpRequest, approval_id: Any) -> HttpResponse:
    """Take an approval back, with the reason."""
    found = get_object_or_404(approvals_of(request.user), pk=approval_id)
    by = rules.allow(rules.may_approve, request.user)
    form = WithdrawForm(request.POST, system=by.unit_system)
    if form.carries_out(lambda: approvals.withdraw(found, by=by, **form.cleaned_data)):
        messages.success(request, "Withdrawn.")
        return redirect("approval", found.pk)
    return _page(request, found, form)


def _page(request: HttpRequest, found: Approval, form: WithdrawForm) -> HttpResponse:
    run = found.analysis
    state, words, why = _state(found)
    context = {
        "approval": found,
        "run": run,
        "test": run.test,
        "state": state,
        "words": words,
        "why": why,
        "at": at_swath(run, found.swath_m, found.manner),
        "confidence": 100 * run.result.parameters.confidence,
        "passes": passes_of_analysis(run),
        "line": line_of(found.aircraft, found.setup.purpose_key),
        "form": form,
        "day_goes_on": _day_goes_on(request, run.test.visit),
        "may_withdraw": rules.may_approve(request.user) and _is_open(found),
        "section": "visits",
    }
    return render(request, "fleet/approval.html", context)


def _day_goes_on(request: HttpRequest, visit: Visit) -> bool:
    """Whether the reader runs a visit that is on today: then the next aircraft waits."""
    today = timezone.localdate()
    return rules.may_test(request.user) and visit.starts_on <= today <= visit.ends_on


def _state(found: Approval) -> tuple[str, str, str]:
    """Whether it is in force, in a code, words and a sentence."""
    newer = getattr(found, "superseded_by", None)
    if newer is not None:
        day = timezone.localdate(newer.created_at)
        return "superseded", "Superseded", f"A newer approval took its place on {_day(day)}."
    standing = standing_of(found)
    words = "In force" if standing.in_force else standing.words
    return standing.state, words, standing.why


def _is_open(found: Approval) -> bool:
    return not hasattr(found, "superseded_by") and not hasattr(found, "withdrawal")


def _day(date: datetime.date) -> str:
    return f"{date:%-d %B %Y}"


urlpatterns = [
    path("analyses/<uuid:analysis_id>/approve/", approve, name="approve"),
    path("approvals/<uuid:approval_id>/", approval, name="approval"),
    path("approvals/<uuid:approval_id>/withdraw/", withdraw, name="withdraw"),
]
