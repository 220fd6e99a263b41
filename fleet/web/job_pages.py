"""Work under way: how far it is, in its own words, and where it leads."""

from __future__ import annotations

from typing import Any

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_safe
from django_htmx.http import HttpResponseClientRedirect, HttpResponseStopPolling

from fleet.models import Job, JobState
from fleet.queries.members import SHEET_APPLY, SHEET_LOOK
from fleet.queries.papers import slips_of
from fleet.queries.whose import analyses_of, card_scans_of, jobs_of, tests_of

STOP_POLLING = HttpResponseStopPolling.status_code
NAMES = {"analysis": "Analysis", "paper": "Paper"}


@login_required
@require_safe
def job(request: HttpRequest, job_id: Any) -> HttpResponse:
    """Show a job; once it is done, go to what came of it."""
    found = get_object_or_404(jobs_of(request.user), pk=job_id)
    stay = "stay" in request.GET  # asked from a page that somebody may be typing on
    if found.kind == "cards":  # the page of the cards tells of its own jobs
        scan = get_object_or_404(card_scans_of(request.user), pk=found.subject_id)
        return redirect(reverse("cards", args=[scan.test_id]) + f"#scan-{scan.number}")
    if found.kind == "export":
        return redirect("operator-export", found.subject_id)
    if found.kind in (SHEET_LOOK, SHEET_APPLY):
        return redirect("import", found.subject_id)
    if found.kind == "plan":  # so does the page of the plan
        return redirect("plan", found.subject_id)
    there = _result(found) if found.state == JobState.DONE else ""
    if there and not stay:
        return HttpResponseClientRedirect(there) if request.htmx else redirect(there)
    context = {
        "job": found,
        "name": NAMES.get(found.kind, found.kind),
        "result": there,
        **_subject(request, found),
    }
    if not request.htmx:
        return render(request, "fleet/job.html", context)
    status = STOP_POLLING if found.has_ended else 200
    return render(request, "fleet/parts/job.html", context, status=status)


def _result(found: Job) -> str:
    if found.kind == "paper":
        return reverse("paper", args=[found.paper.pk])
    return reverse("analysis", args=[found.analysis.pk])


def _subject(request: HttpRequest, found: Job) -> dict[str, Any]:
    """What the work is about, and the way back to it."""
    if found.kind == "paper":
        slip = get_object_or_404(slips_of(request.user), pk=found.subject_id)
        if slip.analysis_id is None:
            return {"slip": slip, "back": reverse("papers"), "section": "papers"}
        analysis = get_object_or_404(analyses_of(request.user), pk=slip.analysis_id)
        back = reverse("analysis", args=[analysis.pk])
        return {"test": analysis.test, "slip": slip, "back": back, "section": "visits"}
    test = get_object_or_404(tests_of(request.user), pk=found.subject_id)
    return {"test": test, "back": reverse("test", args=[test.pk]), "section": "visits"}


urlpatterns = [path("jobs/<uuid:job_id>/", job, name="job")]
