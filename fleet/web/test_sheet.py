"""What the page of a test shows: the next step first, then each pass as good as it is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, fields, replace
from typing import Any, Final

from django.conf import settings as django_settings
from django.http import HttpRequest

from fleet import measures, rules
from fleet.models import AnalysisRun, FlightPass, Job, JobState, Test
from fleet.queries.cards import scans_to_confirm
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
    crosswind: str = ""
    differing: str = ""
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
    settings = settings_of(analyses[0] if analyses else None, system)
    weather = weather_of(test, passes)
    qualities = quality_of(test, passes, settings.parameters())
    counting = sum(one.accepted for one in qualities)
    return {
        "test": test,
        "visit": test.visit,
        "progress": progress,
        "passes": [_pass_sheet(one, weather, system, may_test) for one in qualities],
        "analyses": analyses,
        "current": current,
        "failed": _failed_job(test, analyses),
        "next": _next_step(progress, current, counting),
        "counting": counting,
        "most_files": django_settings.DATA_UPLOAD_MAX_NUMBER_FILES,
        "weather": weather,
        "added": added,
        "may_test": may_test,
        "unconfirmed": list(
            scans_to_confirm(request.user).filter(test=test).values_list("number", flat=True)
        ),
        "aborted_form": AbortedForm(system=system),
        "settings_form": SettingsForm(initial=asdict(settings), system=system),
        "section": "visits",
        **forms,
    }


def settings_of(last: AnalysisRun | None, system: str) -> Settings:
    """The settings of the last analysis, or those a person begins with; the next one's as well."""
    if last is None:
        return Settings(sweep="metric" if system == "metric" else "us")
    known = {each.name for each in fields(Settings)}
    return Settings(**{name: v for name, v in last.parameters.items() if name in known})


def drawings(one: Quality, system: str, wide: Size = BESIDE) -> dict[str, str]:
    """Draw a trace for a desk and for a phone."""
    if one.trace is None or one.prepared is None:
        return {}
    # The chart writes remarks as they are, so they go to it in the reader's units.
    said = tuple(replace(r, text=measures.said(r.text, system)) for r in one.remarks)
    prepared = replace(one.prepared, remarks=said)
    return {
        name: trace_chart(
            one.trace,
            prepared,
            step_m=one.step_m,
            system="metric" if system == "metric" else "us",
            chart_id=f"pass-{one.flight_pass.number}-{name}",
            size=size,
        )
        for name, size in (("desk", wide), ("phone", COMPACT))
    }


def overrule_form(
    one: FlightPass, system: str, data: Any = None, offered: str = ""
) -> OverruleForm:
    """Return the form of the analyst's word on a pass; ids are told apart by its number.

    `offered` stands in it where nothing has been said yet.
    """
    initial = {"overrule": one.overrule or offered, "overrule_reason": one.overrule_reason}
    return OverruleForm(data, initial=initial, auto_id=f"id_%s_{one.number}", system=system)


def _pass_sheet(one: Quality, weather: dict[str, Any], system: str, may_test: bool) -> PassSheet:
    offered = "leave_out" if one.accepted else "include"
    form = overrule_form(one.flight_pass, system, offered=offered)
    return PassSheet(
        quality=one,
        crosswind=crosswind_words(one.flight_pass, weather, system),
        differing=differing_words(one.flight_pass, system),
        drawings=drawings(one, system),
        form=form if may_test and one.trace else None,
    )


def crosswind_words(flight_pass: FlightPass, weather: dict[str, Any], system: str) -> str:
    """Say how strong the wind stood across the line of a pass, and from which side."""
    found = next((w for w in weather["passes"] if w["number"] == flight_pass.number), None)
    if found is None or found["crosswind_m_s"] is None:
        return ""
    across_m_s = found["crosswind_m_s"]
    side = "right" if across_m_s > 0 else "left"
    return f"{measures.show(abs(across_m_s), 'wind', system)} from the {side}"


def differing_words(flight_pass: FlightPass, system: str) -> str:
    """Say what differed from the test on a pass; "" where nothing did."""
    told = {
        "heading {:g}°": flight_pass.heading_deg,
        "airspeed {}": _shown(flight_pass.airspeed_m_s, "airspeed", system),
        "released at {}": _shown(flight_pass.release_height_m, "height", system),
        "wind {}": _shown(flight_pass.wind_speed_m_s, "wind", system),
        "wind from {:g}°": flight_pass.wind_from_deg,
    }
    return ", ".join(words.format(value) for words, value in told.items() if value is not None)


def _shown(value: float | None, quantity: str, system: str) -> str | None:
    return None if value is None else measures.show(value, quantity, system)


def _next_step(progress: Progress, current: bool, counting: int) -> str:
    if progress.job is not None:
        return "wait"
    if not progress.file_count:
        return "add"
    if not current:
        return "analyse" if counting else "none"
    return "evidence" if progress.approval is not None else "result"


def _failed_job(test: Test, analyses: Sequence[AnalysisRun]) -> Job | None:
    """The last attempt at an analysis, when nothing came of it."""
    last: Job | None = Job.objects.filter(kind="analysis", subject_id=test.pk).first()
    if last is None or last.state not in (JobState.FAILED, JobState.CRASHED):
        return None
    if analyses and analyses[0].created_at > last.created_at:
        return None
    return last
