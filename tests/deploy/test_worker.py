"""Real worker processes, killed in every way: nothing accepted is lost, nothing is done twice.

With the embedded default on SQLite, over a Redis of its own on PostgreSQL; where one of them is
named, it is that one on both.
"""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from uuid import uuid4

import pytest
from django.conf import settings as django_settings

import deploy.celery
from deploy import alive
from fleet import jobs, tenancy
from fleet.models import AnalysisRun, AuditRow, Job, JobState
from fleet.services import analyses
from tests.cast import make_cast, make_tested
from tests.deploy import kinds
from tests.deploy.worker_harness import (
    BROKERS,
    PrivateRedis,
    Worker,
    database_of_test,
    private_redis,
    redis_program,
    wait_for,
)

pytestmark = [pytest.mark.service, pytest.mark.django_db(transaction=True)]

LEASE_S = 1.5
PATIENCE_S = 60.0


class Subject:
    """Stands for the record that a job is about."""

    def __init__(self) -> None:
        self.pk = uuid4()


@pytest.fixture(autouse=True)
def _kinds() -> Iterator[None]:
    kinds.register()
    with tenancy.everyone():
        yield


@pytest.fixture(params=BROKERS)
def redis(request, settings, monkeypatch) -> Iterator[PrivateRedis | None]:
    """The broker of this run: None for the embedded default."""
    settings.JOB_LEASE_SECONDS = LEASE_S
    monkeypatch.delenv("CELERY_BROKER_URL", raising=False)
    if request.param == "embedded":
        settings.JOB_HINT = "fleet.nudge.send_hint"
        yield None
        return
    if redis_program() is None:
        pytest.skip("NOT TESTED: redis-server is not installed (apt-get install redis-server)")
    with private_redis() as server:
        settings.JOB_HINT = "deploy.celery.send_hint"
        app = deploy.celery.make_app(server.url, 2)
        monkeypatch.setattr(deploy.celery, "app", app)
        yield server
        app.close()


@pytest.fixture
def make_worker(transactional_db, redis) -> Iterator[Callable[[], Worker]]:
    """Start workers on the database of the test; whatever is left of them goes at the end."""
    started: list[Worker] = []

    def make() -> Worker:
        worker = Worker(
            Path(django_settings.DATA),
            database_of_test(),
            broker_url=redis.url if redis else "",
            lease_s=LEASE_S,
        )
        started.append(worker)
        worker.start()
        return worker

    yield make
    for worker in started:
        worker.end()


def accept(count: int, seconds: float, kind: str = "test_sleep") -> list[Job]:
    return [
        jobs.enqueue(
            kind, subject=Subject(), operator=None, by=None, parameters={"seconds": seconds}
        )
        for _ in range(count)
    ]


def at_work() -> int:
    return Job.objects.filter(state=JobState.RUNNING, share=0.5).count()


def all_ended() -> bool:
    return not Job.objects.filter(state__in=jobs.OPEN).exists()


def assert_each_done_once(accepted: list[Job]) -> None:
    """Every job is done, and there is exactly one result row for each and none besides."""
    assert {job.pk for job in accepted} == set(
        Job.objects.filter(state=JobState.DONE).values_list("pk", flat=True)
    )
    results = AuditRow.objects.filter(deed="analysis_finished").values_list("subject_id", flat=True)
    assert sorted(results) == sorted(job.pk for job in accepted)


def test_worker_killed_in_the_middle(make_worker, settings) -> None:
    worker = make_worker()
    accepted = accept(6, 0.7)
    # A web process that dies between commit and hint leaves this behind.
    right_hint, settings.JOB_HINT = settings.JOB_HINT, f"{__name__}.no_hint"
    accepted += accept(1, 0.1)
    settings.JOB_HINT = right_hint
    wait_for(lambda: at_work() == 2, PATIENCE_S, worker)
    worker.kill()
    cut_off = list(Job.objects.filter(state=JobState.RUNNING).values_list("pk", flat=True))
    assert len(cut_off) == 2
    assert Job.objects.filter(state=JobState.QUEUED).count() >= 3

    worker = make_worker()
    wait_for(all_ended, PATIENCE_S, worker)
    assert_each_done_once(accepted)
    assert all(job.attempts >= 2 for job in Job.objects.filter(pk__in=cut_off))


def no_hint(job_id: object) -> None:
    """Stand for a process that was killed before it could send anything."""


def test_pool_children_killed_in_the_middle(make_worker) -> None:
    worker = make_worker()
    accepted = accept(3, 0.7)
    wait_for(lambda: at_work() == 2, PATIENCE_S, worker)
    for child in worker.children():
        os.kill(child, signal.SIGKILL)
    wait_for(all_ended, PATIENCE_S, worker)
    assert_each_done_once(accepted)
    assert Job.objects.filter(attempts__gte=2).count() >= 2


def test_idle_pool_children_killed(make_worker) -> None:
    """An idle child holds the lock of the pool's queue; killed, it must not take it along."""
    worker = make_worker()
    for child in worker.children():
        os.kill(child, signal.SIGKILL)
    accepted = accept(4, 0.1)
    wait_for(all_ended, PATIENCE_S, worker)
    assert_each_done_once(accepted)


def test_stops_when_its_whole_group_is_told_to(make_worker) -> None:
    """Service managers tell every process of a service, the pool's children too."""
    worker = make_worker()
    os.killpg(worker.pid, signal.SIGTERM)
    assert worker.stop() == 0


@pytest.mark.parametrize("redis", ["embedded"], indirect=True)
def test_sleeping_worker_whose_lease_ran_out_writes_nothing(make_worker) -> None:
    sleeper = make_worker()
    (job,) = accepted = accept(1, 0.7)
    wait_for(lambda: at_work() == 1, PATIENCE_S, sleeper)
    os.killpg(sleeper.pid, signal.SIGSTOP)
    other = make_worker()
    wait_for(all_ended, PATIENCE_S, other)
    first_end = Job.objects.get(pk=job.pk).ended_at
    os.killpg(sleeper.pid, signal.SIGCONT)
    wait_for(lambda: "taken over by another worker" in sleeper.last_words(), PATIENCE_S, sleeper)
    assert_each_done_once(accepted)
    assert Job.objects.get(pk=job.pk).ended_at == first_end


@pytest.mark.parametrize("redis", ["embedded"], indirect=True)
def test_job_that_kills_its_worker_is_given_up(make_worker) -> None:
    worker = make_worker()
    (poison,) = accept(1, 0.0, kind="test_poison")
    harmless = accept(3, 0.05)
    wait_for(all_ended, PATIENCE_S, worker)
    poison.refresh_from_db()
    assert poison.state == JobState.CRASHED
    assert poison.reason == "The worker stopped 3 times while doing this."
    assert poison.attempts == 3
    assert_each_done_once(harmless)


def test_stopping_finishes_the_job_at_hand(make_worker) -> None:
    worker = make_worker()
    (at_hand, *_) = accepted = accept(4, 0.8)
    wait_for(lambda: at_work() == 2, PATIENCE_S, worker)
    assert worker.stop() == 0
    assert alive.seen(worker.data) is None
    at_hand.refresh_from_db()
    assert at_hand.state == JobState.DONE
    assert at_hand.attempts == 1
    worker = make_worker()
    wait_for(all_ended, PATIENCE_S, worker)
    assert_each_done_once(accepted)


@pytest.mark.parametrize("redis", ["redis"], indirect=True)
def test_broker_emptied_and_killed_in_the_middle(make_worker, redis) -> None:
    worker = make_worker()
    accepted = accept(5, 0.4)
    wait_for(lambda: at_work() == 2, PATIENCE_S, worker)
    redis.empty()
    wait_for(all_ended, PATIENCE_S, worker)
    assert_each_done_once(accepted)

    accepted += accept(3, 0.4)
    wait_for(lambda: at_work() == 2, PATIENCE_S, worker)
    redis.kill()
    before = time.monotonic()
    accepted += accept(2, 0.1)  # the person's deed goes through all the same, without a long wait
    assert time.monotonic() - before < 6
    redis.start()
    wait_for(all_ended, PATIENCE_S, worker)
    assert_each_done_once(accepted)


def test_worker_killed_in_the_middle_of_real_analyses(make_worker) -> None:
    worker = make_worker()
    cast = make_cast()
    test = make_tested(cast, passes=4)
    accepted = [
        analyses.request_analysis(
            test, by=cast.analyst, settings=analyses.Settings(cv_limit_percent=limit)
        )
        for limit in range(15, 25)
    ]
    cut_off = kill_in_the_middle(worker)
    assert not all_ended()

    worker = make_worker()
    wait_for(all_ended, PATIENCE_S, worker)
    runs = AnalysisRun.objects.filter(job__in=accepted)
    assert sorted(runs.values_list("job_id", flat=True)) == sorted(job.pk for job in accepted)
    assert AnalysisRun.objects.count() == len(accepted)
    assert set(Job.objects.values_list("state", flat=True)) == {JobState.DONE}
    # The one done again gives what an uninterrupted one of the same inputs gives.
    again = Job.objects.get(pk=cut_off)
    assert again.attempts >= 2
    assert_same_as_undisturbed(again, worker)


def kill_in_the_middle(worker: Worker) -> object:
    """Kill the worker while it is inside an analysis, and return the key of that job.

    It is halted for the look at the rows, so that it cannot finish between look and kill.
    """
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        os.killpg(worker.pid, signal.SIGSTOP)
        inside = Job.objects.filter(state=JobState.RUNNING, share__gt=0).first()
        if inside is not None:
            worker.kill()
            return inside.pk
        os.killpg(worker.pid, signal.SIGCONT)
        time.sleep(0.01)
    raise AssertionError(f"no analysis was seen at work; the log:\n{worker.last_words()}")


def assert_same_as_undisturbed(job: Job, worker: Worker) -> None:
    """The same inputs analysed in one go, here or by the worker if it was first: the same bytes."""
    disturbed = AnalysisRun.objects.get(job=job)
    repeat = analyses.request_analysis(
        disturbed.test,
        by=job.requested_by,
        settings=analyses.Settings(**job.parameters["settings"]),
    )
    assert repeat.pk != job.pk
    jobs.run(repeat.pk)
    wait_for(all_ended, PATIENCE_S, worker)
    assert AnalysisRun.objects.get(job=repeat).document_digest == disturbed.document_digest
