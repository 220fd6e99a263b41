"""Papers per second, end to end: one worker against two in the same run, and a worker's memory.

Swath cards and certificates of a made fleet, asked for in batches as a season's papers are: real
rows in a database of their own, the embedded default, real worker processes of one pool process
each. The clock runs from the commit of the batches to the last paper issued. The rounds of one and
of two workers take turns, so that what else the machine does falls on both; how much that was is
said. The ratio is that of the rates, two workers to one; 2 would be ideal on two processors.
"""

from __future__ import annotations

import os
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from math import ceil
from pathlib import Path
from typing import Any

COUNT, QUICK = 120, 3
TURNS, QUICK_TURNS = (1, 2, 2, 1), (1, 2)
KINDS = ("swath_card", "certificate")
CLOCK_TICKS_PER_S = os.sysconf("SC_CLK_TCK")


@dataclass
class Found:
    """What was measured with one number of workers."""

    papers: int = 0
    taken_s: float = 0.0
    worked_s: float = 0.0
    others_s: float = 0.0
    peak_kib: dict[str, int] = field(default_factory=lambda: {"pool": 0, "parent": 0})

    @property
    def rate(self) -> float:
        return self.papers / self.taken_s


def main() -> float:
    """Measure at the usual size and return the ratio of two workers to one."""
    return counted(COUNT)


def quick() -> float:
    """Measure at a size that shows no more than that it works."""
    return counted(QUICK, QUICK_TURNS)


def counted(count: int, turns: Sequence[int] = TURNS) -> float:
    """Measure with `count` papers for each number of workers; return the ratio."""
    _report("papers for one worker and for two", f"{count} each, in {len(turns)} turns")
    with tempfile.TemporaryDirectory(prefix="swathbook-bench-") as folder:
        data = Path(folder)
        _set_up(data)
        share = ceil(count / turns.count(1))
        fleet = _Fleet(share)
        found = {1: Found(), 2: Found()}
        for workers in turns:
            _turn(data, fleet, workers, share, found[workers])
    for workers, one in found.items():
        _tell(workers, one)
    return found[2].rate / found[1].rate


def _tell(workers: int, found: Found) -> None:
    name = "1 worker" if workers == 1 else f"{workers} workers"
    _report(name, f"{found.rate:.2f} papers/s, {found.rate / workers:.2f} per worker")
    _report(f"{name}, processor time", f"{found.worked_s / found.papers:.2f} s a paper")
    peaks = {part: kib / 1024 for part, kib in found.peak_kib.items()}
    _report(
        f"{name}, peak memory of one", f"{peaks['pool']:.0f} MiB, parent {peaks['parent']:.0f} MiB"
    )
    _report(
        f"{name}, processors of {os.cpu_count()} taken by others",
        f"{found.others_s / found.taken_s:.2f}",
    )


def _set_up(data: Path) -> None:
    """Make a service of its own in the folder."""
    for name in ("DATABASE_URL", "CELERY_BROKER_URL"):
        os.environ.pop(name, None)
    os.environ |= {"SWATHBOOK_DATA": str(data), "DJANGO_SETTINGS_MODULE": "deploy.settings"}
    import django
    from django.core.management import call_command

    django.setup()
    call_command("migrate", verbosity=0)


class _Fleet:
    """Aircraft with an approved swath under a rule they meet, and who asks for their papers."""

    def __init__(self, papers: int) -> None:
        from fleet import tenancy
        from fleet.models import Requirement, RequirementVersion, Season
        from tests import cast as casting

        self.cast = casting.make_cast()
        self._manners = [
            (by, system, size)
            for by in (self.cast.staff, self.cast.analyst)
            for system in ("us", "metric")
            for size in ("letter", "a4")
        ]
        count = ceil(papers / len(self._manners) / len(KINDS))
        with tenancy.everyone():
            self.rule = Requirement.objects.create(
                jurisdiction=self.cast.state, name="Pattern test of each aircraft"
            )
            RequirementVersion.objects.create(
                requirement=self.rule,
                number=1,
                effective_from="2020-01-01",
                source="Calloway Register 12.4, invented",
                rhythm="interval",
                interval_months=24,
                minimum_passes=3,
            )
            self.season = Season.objects.create(
                name="2026", starts_on="2026-01-01", ends_on="2026-12-31"
            )
            self.aircraft = [
                casting.make_aircraft(self.cast, number=number) for number in range(1, count + 1)
            ]
            for one in self.aircraft:
                test = casting.make_tested(self.cast, casting.make_setup(self.cast, one))
                casting.make_approval(self.cast, casting.make_analysis(self.cast, test))

    def ask(self, papers: int) -> None:
        """Ask for so many papers, all at once."""
        from django.db import transaction

        from fleet.services.papers import ask_batch

        per_batch = ceil(papers / len(self._manners))
        with transaction.atomic():
            for by, system, size in self._manners:
                ask_batch(
                    self.season,
                    by=by,
                    kinds=KINDS,
                    wanted=self._wanted(min(per_batch, papers)),
                    unit_system=system,
                    page_size=size,
                )
                papers -= per_batch
                if papers <= 0:
                    break

    def _wanted(self, count: int) -> Iterator[Any]:
        from fleet.queries.paper_batches import Wanted

        for place in range(count):
            one, kind = self.aircraft[place // len(KINDS)], KINDS[place % len(KINDS)]
            about = {"aircraft": one}
            if kind == "certificate":
                about["requirement"] = self.rule
            yield Wanted(kind, self.cast.operator, about)


def _turn(data: Path, fleet: _Fleet, count: int, papers: int, found: Found) -> None:
    """Have `papers` papers made by `count` workers, and add up what was measured."""
    from fleet import tenancy
    from fleet.models import Job, JobState, Paper
    from tests.deploy.worker_harness import Worker, wait_for

    workers = [
        Worker(data, {}, processes=1, settings_module="deploy.settings") for _ in range(count)
    ]
    try:
        for worker in workers:
            worker.start()
        with tenancy.everyone():
            goal = Paper.objects.count() + papers
            fleet.ask(papers)
            with _Watch(workers, found):
                wait_for(lambda: Paper.objects.count() >= goal, 30 + 10.0 * papers, workers[0])
            states = Job.objects.filter(kind="paper").values_list("state", "attempts")
            assert set(states) == {(JobState.DONE, 1)}, set(states)
            assert Paper.objects.count() == goal
        found.papers += papers
    finally:
        for worker in workers:
            worker.end()


class _Watch:
    """Looks at the workers' memory and time, and at the processors, while they work."""

    def __init__(self, workers: Sequence[Any], found: Found) -> None:
        self._workers, self._found = workers, found
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._look, daemon=True)
        self._worked: dict[int, float] = {}

    def __enter__(self) -> None:
        self._began, self._busy = time.perf_counter(), _busy_s()
        self._see()
        self._before = dict(self._worked)
        self._thread.start()

    def __exit__(self, *raised: object) -> None:
        taken, busy = time.perf_counter() - self._began, _busy_s() - self._busy
        self._over.set()
        self._thread.join()
        self._see()
        worked = sum(self._worked.values()) - sum(self._before.values())
        self._found.taken_s += taken
        self._found.worked_s += worked
        self._found.others_s += max(busy - worked, 0.0)

    def _look(self) -> None:
        while not self._over.wait(0.25):
            self._see()

    def _see(self) -> None:
        peaks = self._found.peak_kib
        for worker in self._workers:
            for pid in worker.children():
                peaks["pool"] = max(peaks["pool"], self._seen(pid))
            peaks["parent"] = max(peaks["parent"], self._seen(worker.pid))

    def _seen(self, pid: int) -> int:
        """Note the processor time of a process; return its largest resident memory. [KiB]"""
        try:
            ticks = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[11:13]
            status = Path(f"/proc/{pid}/status").read_text()
        except (FileNotFoundError, ProcessLookupError):  # a child that was replaced meanwhile
            return 0
        self._worked[pid] = sum(int(one) for one in ticks) / CLOCK_TICKS_PER_S
        peak = status.partition("VmHWM:")[2].split(maxsplit=1)
        return int(peak[0]) if peak else 0  # one that has ended has no memory


def _busy_s() -> float:
    """Time that all processors together have been busy. [s]"""
    user, nice, system, *_ = Path("/proc/stat").read_text().split("\n", 1)[0].split()[1:]
    return (int(user) + int(nice) + int(system)) / CLOCK_TICKS_PER_S


def _report(name: str, value: str) -> None:
    print(f"{name}: {value}", flush=True)  # noqa: T201 -- a benchmark talks to a terminal
