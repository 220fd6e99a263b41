"""The result of an analysis, the report on it, and issued papers."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils.http import content_disposition_header
from django.views.decorators.http import require_POST, require_safe

from fleet import rules, storage
from fleet.models import AnalysisRun, Approval, Manner
from fleet.queries.endings import approval_state
from fleet.queries.evidence import at_swath, newer_setup, passes_of_analysis
from fleet.queries.inputs import is_current
from fleet.queries.papers import file_name, papers_of
from fleet.queries.whose import analyses_of
from fleet.services import papers
from fleet.web.forms_testing import ReportForm
from fleet.web.slider import Slider, data, slider
from patterns.analyse import Analysis
from patterns.draw import COMPACT, WIDE, cv_chart, field_chart, passes_chart
from patterns.draw.passes import finding_words, letter

PAPER_OF = {"us": "letter", "metric": "a4"}
FEWEST_PASSES = 3  # common practice, no source


@login_required
@require_safe
def analysis(request: HttpRequest, analysis_id: Any) -> HttpResponse:
    """Show a result: the swath first, then everything it rests on."""
    run = get_object_or_404(analyses_of(request.user), pk=analysis_id)
    system = request.user.unit_system
    shown = slider(run.result, system, _manner(request, run), request.GET.get("swath", ""))
    context = {
        "run": run,
        "test": run.test,
        "result": run.result,
        **_figures(run),
        "slider": shown,
        "slider_data": data(run.result, shown, system),
        "tried": [_tried(run, manner, shown) for manner in Manner],
        "charts": _charts(run.result, shown, system),
        "findings": _findings(run.result, system),
        "passes": passes_of_analysis(run),
        **_standing(run),
        "may_approve": rules.may_approve(request.user),
        "report_form": ReportForm(initial={"page_size": PAPER_OF[system]}, system=system),
        "papers": run.papers.order_by("-created_at"),
        "section": "visits",
    }
    return render(request, "fleet/analysis.html", context)


def _manner(request: HttpRequest, run: AnalysisRun) -> str:
    asked = request.GET.get("manner", "")
    return asked if asked in Manner.values else run.test.setup.manner


def _figures(run: AnalysisRun) -> dict[str, Any]:
    """The recommendation for the set-up's own way of flying, and for the other."""
    own = run.test.setup.manner
    other = Manner.ONE_WAY if own == Manner.BACK_AND_FORTH else Manner.BACK_AND_FORTH
    return {
        "own": getattr(run.result.recommended, own),
        "own_words": Manner(own).label,
        "other": getattr(run.result.recommended, other),
        "other_words": Manner(other).label,
        "confidence": 100 * run.result.parameters.confidence,
        "few_passes": run.accepted_passes < FEWEST_PASSES,
    }


def _tried(run: AnalysisRun, manner: Manner, shown: Slider) -> dict[str, Any]:
    """CV of one way of flying where the slider stands, and whether that will do."""
    at = at_swath(run, shown.swath_m, manner)
    limit = run.result.parameters.cv_limit_percent
    high = at.cv_percent if at.high_percent is None else at.high_percent
    if at.cv_percent > limit:
        state, words = "expired", f"over {limit:g} %"
    elif high > limit:
        state, words = "due_soon", f"not surely within {limit:g} %"
    else:
        state, words = "approved", f"within {limit:g} %"
    return {"manner": manner, "at": at, "state": state, "words": words}


def _charts(result: Analysis, shown: Slider, system: Any) -> dict[str, dict[str, str]]:
    sizes = (("desk", WIDE), ("phone", COMPACT))
    return {
        "field": {
            name: field_chart(
                result,
                system=system,
                swath_m=shown.swath_m,
                manner=shown.manner,
                half_width_m=shown.half_width_m,
                chart_id=f"field-{name}",
                size=size,
            )
            for name, size in sizes
        },
        "passes": {
            name: passes_chart(result, system=system, chart_id=f"passes-{name}", size=size)
            for name, size in sizes
        },
        "cv": {
            name: cv_chart(result, system=system, chart_id=f"cv-{name}", size=size)
            for name, size in sizes
        },
    }


def _findings(result: Analysis, system: Any) -> list[dict[str, Any]]:
    """Each finding in words, by the letter that stands on the charts."""
    count = result.pattern.passes.shape[0]
    return [
        {
            "letter": letter(index),
            "words": finding_words(zone, system, count),
            "zone": zone,
            "confidence": None if zone.confidence is None else 100 * zone.confidence,
        }
        for index, zone in enumerate(result.findings)
    ]


def _standing(run: AnalysisRun) -> dict[str, Any]:
    """What became of this result, and whether it still speaks of the test as it is."""
    test = run.test
    passes = list(test.passes.select_related("raw_file").order_by("number"))
    return {
        "approvals": list(Approval.objects.filter(analysis=run).annotate(state=approval_state())),
        "current": is_current(run, test, passes),
        "newer": newer_setup(test.setup),
        "others": list(test.analyses.defer("document").exclude(pk=run.pk)),
        "curve": _curve_rows(run.result),
    }


def _curve_rows(result: Analysis) -> list[tuple[Any, ...]]:
    """The table behind the CV chart."""
    sweep = result.uniformity
    one, both = sweep.one_way, sweep.back_and_forth
    columns = (
        sweep.swath_m,
        one.cv_percent,
        one.low_percent,
        one.high_percent,
        both.cv_percent,
        both.low_percent,
        both.high_percent,
    )
    return list(zip(*(column.tolist() for column in columns), strict=True))


@login_required
@require_POST
def report(request: HttpRequest, analysis_id: Any) -> HttpResponse:
    """Ask for the test report of an analysis."""
    run = get_object_or_404(analyses_of(request.user), pk=analysis_id)
    by = rules.allow(rules.may_issue_papers, request.user)
    try:
        job = papers.request_report(
            run, by=by, page_size=request.POST.get("page_size") or PAPER_OF[by.unit_system]
        )
    except ValidationError as errors:
        messages.error(request, " ".join(errors.messages))
        return redirect("analysis", run.pk)
    return redirect("job", job.pk)


@login_required
@require_safe
def paper(request: HttpRequest, paper_id: Any) -> HttpResponse:
    """Hand out an issued paper, byte for byte as it was issued."""
    found = get_object_or_404(papers_of(request.user), pk=paper_id)
    try:
        kept = storage.fetch(found.digest)
    except storage.KeptFileError as error:
        messages.error(request, str(error))
        return redirect("analysis", found.analysis_id) if found.analysis_id else redirect("home")
    name = content_disposition_header(as_attachment=False, filename=file_name(found))
    return HttpResponse(
        kept, content_type="application/pdf", headers={"Content-Disposition": name or ""}
    )


urlpatterns = [
    path("analyses/<uuid:analysis_id>/", analysis, name="analysis"),
    path("analyses/<uuid:analysis_id>/report/", report, name="report"),
    path("papers/<uuid:paper_id>/", paper, name="paper"),
]
