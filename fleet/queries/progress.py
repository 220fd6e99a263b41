"""How far each test is: passes in, analysed, approved. Set-wise, for the day sheet and the test."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

from django.db.models import Count, Q

from fleet.models import ENDED, AnalysisRun, Approval, FlightPass, Job, Manner, Person, Test, Visit
from fleet.queries.cards import scans_to_confirm
from fleet.queries.endings import approval_state
from fleet.queries.whose import tests_of

# What a list shows of an analysis stands in columns of its own; the document stays where it is.
HEAVY = ("document", "inputs", "weather", "parameters")


@dataclass(frozen=True, slots=True)
class Progress:
    """One test: files in, the newest analysis, the approval that rests on it, the open job.

    An approval has its `state`: a key of `endings.ENDINGS`.
    `ended` is the last approval that rested on it, where that was superseded or withdrawn.
    `unconfirmed` are the scans of cards whose outlines nobody has confirmed; `tests_on` asks.
    """

    test: Test
    file_count: int = 0
    aborted_count: int = 0
    analysis: AnalysisRun | None = None
    approval: Approval | None = None
    ended: Approval | None = None
    job: Job | None = None
    unconfirmed: tuple[int, ...] = ()

    @property
    def state(self) -> str:
        """Return the code of how far it is."""
        if self.job is not None:
            return "running"
        if self.approval is not None:
            return "approved"
        if self.ended is not None:
            return "withdrawn" if hasattr(self.ended, "withdrawal") else "superseded"
        if self.analysis is not None:
            return "done"
        return "queued" if self.file_count else "untested"

    @property
    def swath_m(self) -> float | None:
        """Return the swath recommended for the set-up's own way of flying. [m]"""
        if self.analysis is None:
            return None
        return recommended_m(self.analysis, self.test.setup.manner)


def recommended_m(run: AnalysisRun, manner: str) -> float | None:
    """Return the swath that an analysis recommends for a way of flying, without its document."""
    one_way = manner == Manner.ONE_WAY
    swath_m: float | None = run.one_way_swath_m if one_way else run.back_and_forth_swath_m
    return swath_m


def tests_on(person: Person, visit: Visit) -> list[Progress]:
    """Return the tests of a visit in the order in which they were started."""
    found = progress_of(tests_of(person).filter(visit=visit).order_by("created_at", "id"))
    waiting: dict[Any, list[int]] = {}
    scans = scans_to_confirm(person).filter(test__visit=visit).values_list("test_id", "number")
    for test_id, number in scans:
        waiting.setdefault(test_id, []).append(number)
    return [replace(one, unconfirmed=tuple(waiting.get(one.test.pk, ()))) for one in found]


def progress_of(tests: Iterable[Test]) -> list[Progress]:
    """Say how far each of these tests is: four queries, however many there are."""
    tests = list(tests)
    keys = [test.pk for test in tests]
    counts = {
        row["test"]: row
        for row in FlightPass.objects.filter(test__in=keys)
        .order_by()
        .values("test")
        .annotate(
            files=Count("id", filter=Q(raw_file__isnull=False)),
            aborted=Count("id", filter=Q(raw_file__isnull=True)),
        )
    }
    analyses = {
        run.test_id: run
        for run in AnalysisRun.objects.filter(test__in=keys).defer(*HEAVY).order_by("number")
    }
    approvals: dict[Any, Approval] = {}
    ended: dict[Any, Approval] = {}
    for row in _approvals(keys):
        over = hasattr(row, "superseded_by") or hasattr(row, "withdrawal")
        (ended if over else approvals)[row.analysis.test_id] = row
    jobs = {
        job.subject_id: job
        for job in Job.objects.filter(kind="analysis", subject_id__in=keys)
        .exclude(state__in=ENDED)
        .order_by("created_at")
    }
    return [
        Progress(
            test,
            **_counted(counts.get(test.pk)),
            analysis=analyses.get(test.pk),
            approval=approvals.get(test.pk),
            ended=ended.get(test.pk),
            job=jobs.get(test.pk),
        )
        for test in tests
    ]


def _approvals(keys: list[Any]) -> Iterable[Approval]:
    rows: Iterable[Approval] = (
        Approval.objects.filter(analysis__test__in=keys)
        .select_related("analysis", "superseded_by", "withdrawal")
        .defer(*(f"analysis__{name}" for name in HEAVY))
        .annotate(state=approval_state())
        .order_by("created_at", "id")
    )
    return rows


def _counted(row: dict[str, Any] | None) -> dict[str, Any]:
    if row is None:
        return {}
    return {"file_count": row["files"], "aborted_count": row["aborted"]}
