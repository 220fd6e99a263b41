"""Analyses: asked for by an analyst, done by a worker from the kept files, stored once."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any, Literal

from django.db import transaction
from django.db.models import Max

from fleet import audit, jobs, rules, storage
from fleet.models import ENDED, AnalysisRun, Job, Person, Test
from fleet.queries.inputs import inputs_of
from fleet.services.base import refuse
from fleet.validators import check_ranges
from patterns.analyse import (
    METHOD_VERSION,
    Analysis,
    Parameters,
    PassInput,
    analyse,
)
from patterns.average import Centring
from patterns.document import to_bytes
from patterns.tracefile import ReadOptions, read_trace
from patterns.units import to_si

# The sweep: every swath an analyst could mean, in whole feet or half metres.
SWEEPS: dict[str, tuple[float, ...]] = {
    "us": tuple(round(float(to_si(feet, "ft")), 4) for feet in range(10, 132)),
    "metric": tuple(round(half / 2, 1) for half in range(6, 81)),
}


@dataclass(frozen=True, slots=True)
class Settings:
    """What the analyst may choose for an analysis."""

    cv_limit_percent: float = 25.0
    line_error_m: float = 1.0
    centring: Centring = "flight_line"
    sweep: Literal["us", "metric"] = "us"

    def parameters(self) -> Parameters:
        """Return the parameters of the method."""
        return Parameters(
            swaths_m=SWEEPS[self.sweep],
            cv_limit_percent=self.cv_limit_percent,
            line_error_m=self.line_error_m,
            centring=self.centring,
        )


@transaction.atomic
def request_analysis(test: Test, *, by: Person, settings: Settings | None = None) -> Job:
    """Ask for an analysis of the passes as they stand now.

    The job keeps a copy of its inputs, so that a change made while it waits does not slip in.
    Asked again while the same analysis is still under way, the job under way comes back.
    """
    rules.allow(rules.may_test, by)
    settings = settings or Settings()
    _check_settings(settings)
    Test.objects.select_for_update().get(pk=test.pk)
    passes = list(test.passes.select_related("raw_file").exclude(raw_file=None))
    if not passes:
        refuse({"passes": ["There is no pass with a file yet."]})
    parameters = {"settings": asdict(settings), "inputs": inputs_of(test, passes)}
    under_way = Job.objects.filter(kind="analysis", subject_id=test.pk).exclude(state__in=ENDED)
    job: Job
    for job in under_way:
        if job.parameters["inputs"] == parameters["inputs"] and (
            job.parameters["settings"] == parameters["settings"]
        ):
            return job
    audit.record("analysis_requested", test, by=by, operator=test.operator, after=asdict(settings))
    return jobs.enqueue(
        "analysis", subject=test, operator=test.operator, by=by, parameters=parameters
    )


def _check_settings(settings: Settings) -> None:
    errors: dict[str, Any] = check_ranges(asdict(settings))
    if settings.centring not in ("flight_line", "deposition"):
        errors["centring"] = ["Must be flight_line or deposition."]
    if settings.sweep not in SWEEPS:
        errors["sweep"] = ["Must be us or metric."]
    refuse(errors)


@jobs.handler("analysis")
def perform(job: Job, progress: jobs.Progress) -> Callable[[], None]:
    """Analyse the inputs that the job holds; the returned function stores the result."""
    inputs = dict(job.parameters["inputs"])
    settings = Settings(**job.parameters["settings"])
    traces = _read(inputs, progress)
    progress(0.5, f"Laying {len(traces)} passes over one another, swath by swath")
    result = analyse(traces, settings.parameters())
    progress(0.9, "Writing the result down")
    return lambda: _store(job, settings, inputs, result)


def _read(inputs: dict[str, Any], progress: jobs.Progress) -> list[PassInput]:
    options = ReadOptions(**inputs["reading"])
    traces = []
    for done, entry in enumerate(inputs["passes"]):
        progress(0.5 * done / len(inputs["passes"]), f"Reading pass {entry['number']}")
        data = _fetch(entry)
        traces.append(
            PassInput(
                trace=read_trace(data, source=entry["file"], options=options),
                overrule=entry["overrule"] or None,
                overrule_reason=entry["overrule_reason"],
            )
        )
    return traces


def _fetch(entry: dict[str, Any]) -> bytes:
    try:
        return storage.fetch(entry["digest"])
    except storage.KeptFileError as error:
        raise jobs.JobRefused(f"{entry['file']}: {error} Add the file again.") from error


def _store(job: Job, settings: Settings, inputs: dict[str, Any], result: Analysis) -> None:
    test = Test.objects.select_for_update().get(pk=job.subject_id)
    weather = inputs.pop("weather")
    document = to_bytes(result)
    one_way, both_ways = result.recommended.one_way, result.recommended.back_and_forth
    run = AnalysisRun(
        operator=test.operator,
        test=test,
        job=job,
        number=(test.analyses.aggregate(last=Max("number"))["last"] or 0) + 1,
        method_version=METHOD_VERSION,
        parameters=asdict(settings),
        inputs=inputs,
        inputs_digest=storage.digest_of(json.dumps(inputs, sort_keys=True).encode()),
        weather=weather,
        document=document.decode(),
        document_digest=storage.digest_of(document),
        accepted_passes=sum(outcome.accepted for outcome in result.passes),
        one_way_swath_m=one_way.swath_m,
        one_way_cv_percent=one_way.cv_percent,
        back_and_forth_swath_m=both_ways.swath_m,
        back_and_forth_cv_percent=both_ways.cv_percent,
        requested_by=job.requested_by,
    )
    run.save(force_insert=True)
    audit.record(
        "analysis_finished",
        run,
        by=None,
        operator=test.operator,
        after={"document_digest": run.document_digest, "inputs_digest": run.inputs_digest},
    )
