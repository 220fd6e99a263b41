"""What the page of a test shows: the next step first, then each pass as good as it is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from django.http import HttpRequest

from fleet import rules
from fleet.models import AnalysisRun, FlightPass, Job, JobState, Test
from fleet.queries.inputs import is_current
from fleet.queries.progress import Progress, progress_of
from fleet.queries.quality import Quality, quality_of
from fleet.services.analyses import Settings
from fleet.services.passes import Added
from fleet.weather import weather_of
from fleet.web.forms_testing import AbortedForm, OverruleForm, SettingsForm
from patterns.draw import COMPACT, Size, trace_chart

BESIDE: Final = Size(640.0, 190.0, 13.0)
"""A trace on a desk, with its remarks beside it."""


@dataclass(frozen=True, slots=True)
class PassSheet:
    """One pass with its drawings and the form of the analyst's word."""

    quality: Quality
    drawings: dict[str, str] = field(default_factory=dict)
    form: OverruleForm | None = None


def sheet(
    request: HttpRequest, test: Test, added: Sequence[Added] = (), **forms: Any
) -> dict[str, Any]:
    """Return what the template of a test needs."""
    passes = list(test.passes.select_related("raw_file").order_by("number"))
    progress = progress_of([test])[0]
    analyses = list(test.analyses.defer("document").order_by("-number"))
    current = bool(analyses) and is_current(analyses[0], test, passes)
    system = request.user.unit_system
    may_test = rules.may_test(request.user)
    first = {"sweep": system, **(analyses[0].parameters if analyses else {})}
    return {
        "test": test,
        "visit": test.visit,
        "progress": progress,
        "passes": [_pass_sheet(one, system, may_test) for one in judged(test, passes, system)],
        "analyses": analyses,
        "current": current,
        "failed": _failed_job(test, analyses),
        "next": _next_step(progress, current),
        "weather": weather_of(test, passes),
        "added": added,
        "may_test": may_test,
        "aborted_form": AbortedForm(system=system),
        "settings_form": SettingsForm(initial=first, system=system),
        "section": "visits",
        **forms,
    }


def judged(test: Test, passes: Sequence[FlightPass], system: str) -> list[Quality]:
    """Judge the passes on the grid that an analysis with the person's sweep would use."""
    sweep = "metric" if system == "metric" else "us"
    return quality_of(test, passes, Settings(sweep=sweep).parameters())


def drawings(one: Quality, system: str, wide: Size = BESIDE) -> dict[str, str]:
    """Draw a trace for a desk and for a phone."""
    if one.trace is None:
        return {}
    return {
        name: trace_chart(
            one.trace,
            one.prepared,
            step_m=one.step_m,
            system="metric" if system == "metric" else "us",
            chart_id=f"pass-{one.flight_pass.number}-{name}",
            size=size,
        )
        for name, size in (("desk", wide), ("phone", COMPACT))
    }


def overrule_form(one: FlightPass, system: str, data: Any = None) -> OverruleForm:
    """Return the form of the analyst's word on a pass; ids are told apart by its number."""
    initial = {"overrule": one.overrule, "overrule_reason": one.overrule_reason}
    return OverruleForm(data, initial=initial, auto_id=f"id_%s_{one.number}", system=system)


def _pass_sheet(one: Quality, system: str, may_test: bool) -> PassSheet:
    form = overrule_form(one.flight_pass, system) if may_test and one.trace is not None else None
    return PassSheet(one, drawings(one, system), form)


def _next_step(progress: Progress, current: bool) -> str:
    if progress.job is not None:
        return "wait"
    if not progress.file_count:
        return "add"
    if not current:
        return "analyse"
    return "evidence" if progress.approval is not None else "result"


def _failed_job(test: Test, analyses: Sequence[AnalysisRun]) -> Job | None:
    """The last attempt at an analysis, when nothing came of it."""
    last: Job | None = Job.objects.filter(kind="analysis", subject_id=test.pk).first()
    if last is None or last.state not in (JobState.FAILED, JobState.CRASHED):
        return None
    if analyses and analyses[0].created_at > last.created_at:
        return None
    return last
