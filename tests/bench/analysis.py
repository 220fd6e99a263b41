"""Analyses per second, end to end: one worker against two in the same run.

Real rows in a database of their own (that of DATABASE_URL would be left alone), real raw files in
the store, real worker processes of one pool process each, the embedded default. A round accepts
the analyses through the same service as the pages do and waits until the last result is stored.
The passes are read and analysed anew each time: every job has its own CV limit, and there is no
cache. The ratio is that of the medians of the rounds, two workers to one; with two processors and
nothing else running 2 would be ideal.
"""

from __future__ import annotations

import os
import statistics
import tempfile
import time
from pathlib import Path

TESTS, PASSES, ANALYSES, ROUNDS = 5, 4, 60, 3


def main() -> float:
    """Measure and return the ratio of two workers to one."""
    with tempfile.TemporaryDirectory(prefix="swathbook-bench-") as folder:
        data = Path(folder)
        _set_up(data)
        rates: dict[int, list[float]] = {1: [], 2: []}
        tests = _make_tests()
        for number in range(ROUNDS):
            for count, found in rates.items():
                found.append(_round(data, tests, count, number))
    medians = {count: statistics.median(found) for count, found in rates.items()}
    for count, found in rates.items():
        _report(
            f"{count} worker{'s' if count > 1 else ''}",
            f"{medians[count]:.1f} analyses/s, {medians[count] / count:.1f} per worker "
            f"({min(found):.1f} to {max(found):.1f} over {ROUNDS} rounds)",
        )
    return medians[2] / medians[1]


def _set_up(data: Path) -> None:
    """Make a service of its own in the folder."""
    for name in ("DATABASE_URL", "CELERY_BROKER_URL"):
        os.environ.pop(name, None)
    os.environ |= {"SWATHBOOK_DATA": str(data), "DJANGO_SETTINGS_MODULE": "deploy.settings"}
    import django
    from django.core.management import call_command

    django.setup()
    call_command("migrate", verbosity=0)


def _make_tests() -> list[object]:
    """Enter tests of four passes with their raw files."""
    from fleet import tenancy
    from tests.cast import make_aircraft, make_cast, make_setup, make_tested

    cast = make_cast()
    with tenancy.everyone():
        setup = make_setup(cast, make_aircraft(cast))
        return [(cast, make_tested(cast, setup, passes=PASSES)) for _ in range(TESTS)]


def _round(data: Path, tests: list, count: int, number: int) -> float:
    """Analyses per second with `count` workers, from the first request to the last result."""
    from fleet import tenancy
    from fleet.models import AnalysisRun, Job, JobState
    from tests.deploy.worker_harness import Worker, wait_for

    workers = [
        Worker(data, {}, processes=1, settings_module="deploy.settings") for _ in range(count)
    ]
    try:
        for worker in workers:
            worker.start()
        with tenancy.everyone():
            before = AnalysisRun.objects.count()
            start = time.perf_counter()
            jobs = _accept(tests, number)
            wait_for(lambda: AnalysisRun.objects.count() == before + ANALYSES, 300, workers[0])
            taken = time.perf_counter() - start
            states = Job.objects.filter(pk__in=jobs).values_list("state", "attempts")
            assert set(states) == {(JobState.DONE, 1)}, set(states)
    finally:
        for worker in workers:
            worker.end()
    return ANALYSES / taken


def _accept(tests: list, number: int) -> list[object]:
    from fleet.services.analyses import Settings, request_analysis

    jobs = []
    for place in range(ANALYSES):
        cast, test = tests[place % TESTS]
        limit = 15.0 + 0.1 * (ANALYSES * number + place)
        settings = Settings(cv_limit_percent=limit)
        jobs.append(request_analysis(test, by=cast.analyst, settings=settings).pk)
    return jobs


def _report(name: str, value: str) -> None:
    print(f"{name}: {value}", flush=True)  # noqa: T201 -- a benchmark talks to a terminal
