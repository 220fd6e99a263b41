"""The main job without a browser: from the raw files of one test to its report.

Run by `deploy/run --once` beside a worker, on a data folder that holds the demo season. It takes
the set-up and the raw files of a demo test, records a new test of them with the services that the
pages use, and waits for the worker, whose results it prints.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.db.models import Count, Q

from fleet import storage, tenancy
from fleet.measures import said, show
from fleet.models import AnalysisRun, Job, JobState, Paper, Person, Test
from fleet.services import analyses, papers, passes, tests
from patterns.analyse import Analysis, PassOutcome
from patterns.swath import SwathChoice
from patterns.zones import Zone

PATIENCE_SECONDS = 300.0
POLL_SECONDS = 0.1
ENOUGH_PASSES = 3


def demo_test() -> Test:
    """Return a test of the demo season whose passes were all flown to the end.

    The latest with a finding, so that there is one to see; the latest of all where none has any.
    """
    whole = Test.objects.annotate(
        files=Count("passes", filter=Q(passes__raw_file__isnull=False)),
        aborted=Count("passes", filter=~Q(passes__aborted_reason="")),
    ).filter(files__gte=ENOUGH_PASSES, aborted=0)
    rows = whole.select_related("setup__aircraft", "visit__analyst", "operator")
    found: list[Test] = list(rows.prefetch_related("analyses").order_by("-flown_on", "id"))
    if not found:
        raise CommandError(f"The demo season has no test with {ENOUGH_PASSES} whole passes.")
    return next((test for test in found if has_finding(test)), found[0])


def has_finding(test: Test) -> bool:
    """Whether an analysis of a test found a low or high zone."""
    return any(run.raw_result["findings"] for run in test.analyses.all())


def record_again(example: Test, analyst: Person) -> Test:
    """Start a test with the set-up, conditions and raw files of `example`."""
    conditions = {name: getattr(example, name) for name in (*tests.CONDITIONS, *tests.READING)}
    test = tests.start_test(
        by=analyst,
        visit=example.visit,
        setup=example.setup,
        flown_on=example.flown_on,
        **{name: value for name, value in conditions.items() if value not in (None, "")},
    )
    files = [
        (flown.raw_file.name, storage.fetch(flown.raw_file.digest))
        for flown in example.passes.select_related("raw_file").exclude(raw_file=None)
        if flown.raw_file is not None
    ]
    for added in passes.add_passes(test, by=analyst, files=files):
        if added.flight_pass is None:
            raise CommandError(f"{added.name} was not accepted: {added.error}")
    return test


def ended(job: Job) -> Job:
    """Wait until the worker has done a job, telling its progress; raise when it could not."""
    deadline = time.monotonic() + PATIENCE_SECONDS
    told = ""
    while not job.has_ended:
        if time.monotonic() > deadline:
            raise CommandError(
                f"The {job.kind} did not end within {PATIENCE_SECONDS:.0f} s "
                f"(state: {job.get_state_display()})."
            )
        if job.words and job.words != told:
            told = job.words
            say(f"  {told} …")
        time.sleep(POLL_SECONDS)
        job.refresh_from_db()
    if job.state != JobState.DONE:
        raise CommandError(f"The {job.kind} was not done: {job.reason or job.get_state_display()}")
    return job


# --- What it prints -----------------------------------------------------------------------------


def say(words: str = "") -> None:
    """Print at once."""
    print(words, flush=True)


def pass_line(number: int, outcome: PassOutcome, system: str) -> str:
    """Return one line about a pass: used or why not, and where its deposit was centred."""
    reasons = [remark.text for remark in outcome.remarks if remark.weight != "note"]
    verdict = "used" if outcome.accepted else "left out"
    centre = show(outcome.centre_m, "length", system)
    why = "; ".join(said(reason, system) for reason in reasons)
    return f"  {number:>4}  {outcome.source:<28.28} {verdict:<9} {centre:>9}  {why}".rstrip()


def swath_line(choice: SwathChoice, system: str) -> str:
    """Return one line about the recommended swath for one way of flying."""
    manner = "back and forth" if choice.manner == "back_and_forth" else "one way"
    if choice.swath_m is None or choice.cv_percent is None:
        return f"  {manner:<16} none  {said(choice.reason, system)}"
    bounds = ""
    if choice.cv_low_percent is not None and choice.cv_high_percent is not None:
        bounds = f" ({choice.cv_low_percent:.1f} to {choice.cv_high_percent:.1f} %)"
    swath = show(choice.swath_m, "swath", system)
    return f"  {manner:<16} {swath:>8}  CV {choice.cv_percent:.1f} %{bounds}"


def finding_line(zone: Zone, system: str) -> str:
    """Return one line about a low or high zone."""
    edges = f"{show(zone.from_m, 'length', system)} to {show(zone.to_m, 'length', system)}"
    sure = "" if zone.confidence is None else f", confidence {100 * zone.confidence:.0f} %"
    return f"  {zone.kind} zone at {edges}: {zone.depth_percent:+.0f} %{sure}"


def print_result(test: Test, run: AnalysisRun, system: str) -> None:
    """Print the table: passes, swaths, findings."""
    result: Analysis = run.result
    say(f"\n{test.setup.aircraft}, {test.setup}; {test.operator}")
    say(f"{test.visit}; method {run.method_version}\n")
    say(f"  Pass  {'File':<28} {'':<9} {'Centre':>9}  Remarks")
    for number, outcome in enumerate(result.passes, start=1):
        say(pass_line(number, outcome, system))
    say("\n  Recommended swath")
    say(swath_line(result.recommended.one_way, system))
    say(swath_line(result.recommended.back_and_forth, system))
    say("\n  Findings (places from the flight line, left negative)")
    for zone in result.findings:
        say(finding_line(zone, system))
    if not result.findings:
        say("  none that stands in every accepted pass")


def report_name(test: Test) -> str:
    """Return a file name that says which aircraft and day."""
    return f"{test.setup.aircraft.registration}-{test.flown_on:%Y-%m-%d}-test-report.pdf"


def write_report(paper: Paper, path: Path) -> Path:
    """Write the report's bytes and return where they are."""
    data = storage.fetch(paper.digest)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    except OSError as error:
        raise CommandError(
            f"The report cannot be written to {path}: {error.strerror}. Name another: --out FILE"
        ) from None
    return path


class Command(BaseCommand):
    """Does the whole job."""

    help = "Have a worker analyse the raw files of a demo test again, and write the report."

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Say where the report goes."""
        parser.add_argument("--out", type=Path, help="write the report to this file")
        parser.add_argument("--folder", type=Path, default=Path(), help="or into this folder")

    def handle(self, *_: Any, out: Path | None, folder: Path, **__: Any) -> None:
        """Record, analyse, print, report."""
        with tenancy.everyone():
            example = demo_test()
            analyst = example.visit.analyst
            test = record_again(example, analyst)
            say(f"{test.passes.count()} passes recorded; the worker analyses them.")
            run = AnalysisRun.objects.get(job=ended(analyses.request_analysis(test, by=analyst)))
            print_result(test, run, analyst.unit_system)
            say("\nThe worker makes the report.")
            paper = Paper.objects.get(job=ended(papers.request_report(run, by=analyst)))
            path = write_report(paper, out or folder / report_name(test))
        say("\nA test finding, never permission to spray: the label and the law decide.")
        say(f"Report: {path}")
