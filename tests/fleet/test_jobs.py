"""Claiming, fencing, retrying and sweeping: the row is the truth.

The rules are this project's own design (no outside source); what happens to real processes is
tested in tests/deploy/test_worker.py.
"""

from __future__ import annotations

import socket
import stat
import threading
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from django.db import OperationalError, connection, connections, transaction
from django.utils import timezone

from fleet import audit, jobs, nudge, tasks, tenancy
from fleet.models import AuditRow, Job, JobState
from patterns.errors import InputError

pytestmark = [pytest.mark.service, pytest.mark.django_db]

Deed = Callable[[Job, jobs.Progress], Callable[[], None]]


class Subject:
    """Stands for the record that a job is about."""

    def __init__(self) -> None:
        self.pk = uuid4()


@pytest.fixture(autouse=True)
def _scope(settings) -> Iterator[None]:
    settings.JOB_HINT = f"{__name__}.note_hint"
    hinted.clear()
    with tenancy.everyone():
        yield


@pytest.fixture
def does(monkeypatch) -> Callable[[Deed], None]:
    """Make the kind "test" do what is handed in."""

    def register(deed: Deed) -> None:
        monkeypatch.setitem(jobs._handlers, "test", deed)

    register(lambda job, progress: lambda: None)
    return register


hinted: list[Any] = []


def note_hint(job_id: Any) -> None:
    hinted.append(job_id)


def failing_hint(job_id: Any) -> None:
    raise ConnectionRefusedError("nobody there")


def accept(**parameters: Any) -> Job:
    return jobs.enqueue("test", subject=Subject(), operator=None, by=None, parameters=parameters)


def again(job: Job) -> Job:
    return Job.objects.get(pk=job.pk)


def let_lease_run_out(job: Job) -> None:
    """Let time pass, as the row sees it, until its lease or pause is over since a second."""
    row = Job.objects.get(pk=job.pk)
    passed = row.lease_until - timezone.now() + timedelta(seconds=1)
    Job.objects.filter(pk=job.pk).update(
        lease_until=row.lease_until - passed,
        hinted_at=row.hinted_at and row.hinted_at - passed,
    )


def due() -> list[Any]:
    return jobs.take_due(100, unhinted_s=0.0, stale_s=1000.0)


def result_of(job: Job) -> Callable[[], None]:
    return lambda: audit.record("analysis_finished", job, by=None, operator=None)


def results() -> list[Any]:
    return list(
        AuditRow.objects.filter(deed="analysis_finished").values_list("subject_id", flat=True)
    )


# --- asking


def test_job_is_saved_with_the_deed_and_hinted_after_the_commit(
    does, django_capture_on_commit_callbacks
) -> None:
    with django_capture_on_commit_callbacks(execute=True):
        job = accept(limit=3)
        assert hinted == []
    assert hinted == [job.pk]
    assert (again(job).state, again(job).parameters) == (JobState.QUEUED, {"limit": 3})


@pytest.mark.django_db(transaction=True)
def test_deed_rolled_back_leaves_neither_job_nor_hint(does) -> None:
    with transaction.atomic():
        accept()
        transaction.set_rollback(True)
    assert not Job.objects.exists()
    assert hinted == []


@pytest.mark.django_db(transaction=True)
def test_failing_hint_is_logged_and_the_job_stands(does, settings, caplog) -> None:
    settings.JOB_HINT = f"{__name__}.failing_hint"
    job = accept()
    assert "No worker could be told" in caplog.text
    assert due() == [job.pk]


def test_unknown_kind_is_refused_before_anything_is_saved() -> None:
    with pytest.raises(jobs.UnknownKindError, match="'wrong'"):
        jobs.enqueue("wrong", subject=Subject(), operator=None, by=None, parameters={})
    assert not Job.objects.exists()


# --- taking and holding


def test_claim_takes_a_job_once(does) -> None:
    job = accept()
    claimed = jobs.claim(job.pk)
    assert claimed is not None
    assert (claimed.state, claimed.attempts) == (JobState.RUNNING, 1)
    assert claimed.token is not None
    assert 28 < (claimed.lease_until - claimed.started_at).total_seconds() < 31
    assert jobs.claim(job.pk) is None
    assert jobs.claim(uuid4()) is None


def test_job_whose_lease_ran_out_is_taken_by_the_next(does) -> None:
    job = accept()
    first = jobs.claim(job.pk)
    let_lease_run_out(job)
    second = jobs.claim(job.pk)
    assert second.attempts == 2
    assert second.token != first.token


@pytest.mark.parametrize("state", [JobState.DONE, JobState.FAILED, JobState.CRASHED])
def test_ended_job_is_never_taken(does, state) -> None:
    job = accept()
    Job.objects.update(state=state)
    assert jobs.claim(job.pk) is None
    assert due() == []


@pytest.mark.django_db(transaction=True)
def test_of_many_claims_at_one_moment_exactly_one_wins(does) -> None:
    accepted = [accept() for _ in range(10)]
    start = threading.Barrier(4)
    won: list[Any] = []

    def grab() -> None:
        start.wait()
        try:
            with tenancy.everyone():
                won.extend(job.pk for job in accepted if jobs.claim(job.pk))
        finally:
            connections.close_all()

    threads = [threading.Thread(target=grab) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(won) == sorted(job.pk for job in accepted)
    assert set(Job.objects.values_list("attempts", flat=True)) == {1}


def test_progress_is_told_cut_to_length_and_renews_the_lease(does) -> None:
    job = jobs.claim(accept().pk)
    Job.objects.update(lease_until=timezone.now() + timedelta(seconds=1))
    jobs.Progress(job)(1.00001, "x" * 300)
    told = again(job)
    assert (told.share, told.words) == (1.0, "x" * 200)
    assert told.lease_until > timezone.now() + timedelta(seconds=20)


def test_zombie_may_neither_tell_progress_nor_write_its_result(does) -> None:
    job = accept()

    def overtaken(held: Job, progress: jobs.Progress) -> Callable[[], None]:
        let_lease_run_out(held)
        assert jobs.claim(held.pk) is not None  # by another worker
        with pytest.raises(jobs.LeaseLostError):
            progress(0.5, "still here")
        return result_of(held)

    does(overtaken)
    jobs.run(job.pk)
    assert results() == []
    assert (again(job).state, again(job).words, again(job).attempts) == (JobState.RUNNING, "", 2)


@pytest.mark.parametrize("error", [jobs.JobRefused("No."), RuntimeError("late")])
def test_zombie_may_not_end_the_job_badly_either(does, error) -> None:
    job = accept()

    def overtaken(held: Job, progress: jobs.Progress) -> Callable[[], None]:
        let_lease_run_out(held)
        jobs.claim(held.pk)
        raise error

    does(overtaken)
    jobs.run(job.pk)
    assert (again(job).state, again(job).reason) == (JobState.RUNNING, "")


@pytest.mark.django_db(transaction=True)
def test_lease_is_renewed_while_the_work_takes_longer(does, settings) -> None:
    settings.JOB_LEASE_SECONDS = 0.6
    job = accept()

    def slow(held: Job, progress: jobs.Progress) -> Callable[[], None]:
        first = again(held).lease_until
        threading.Event().wait(1.5)
        assert again(held).lease_until > first + timedelta(seconds=0.8)
        assert jobs.claim(held.pk) is None
        return result_of(held)

    does(slow)
    jobs.run(job.pk)
    assert (again(job).state, again(job).attempts, results()) == (JobState.DONE, 1, [job.pk])


# --- doing


def test_work_is_outside_a_transaction_and_the_result_inside_one(db, does, monkeypatch) -> None:
    depth = len(connection.savepoint_ids)
    seen = []

    def deed(job: Job, progress: jobs.Progress) -> Callable[[], None]:
        seen.append(len(connection.savepoint_ids) - depth)
        progress(0.5, "Half way")
        return lambda: seen.append(len(connection.savepoint_ids) - depth)

    does(deed)
    job = accept()
    jobs.run(job.pk)
    assert seen == [0, 1]
    done = again(job)
    assert (done.state, done.share, done.reason) == (JobState.DONE, 1.0, "")
    assert done.ended_at >= done.started_at


def test_hint_delivered_twice_does_the_work_once(does) -> None:
    does(lambda job, progress: result_of(job))
    job = accept()
    tasks.run_job(str(job.pk))
    tasks.run_job(str(job.pk))
    assert results() == [job.pk]
    assert AuditRow.objects.get(subject_id=job.pk).request_id == job.pk


@pytest.mark.parametrize(
    ("verdict", "reason"),
    [
        (jobs.JobRefused("There is no pass to analyse."), "There is no pass to analyse."),
        (InputError("swaths", "empty", "give one"), "swaths: empty; give one"),
    ],
)
@pytest.mark.parametrize("where", ["work", "store"])
def test_verdict_ends_the_job_in_its_own_words(does, verdict, reason, where) -> None:
    def refuse(*_: Any) -> Any:
        raise verdict

    does(refuse if where == "work" else lambda job, progress: refuse)
    job = accept()
    jobs.run(job.pk)
    ended = again(job)
    assert (ended.state, ended.reason, ended.attempts) == (JobState.FAILED, reason, 1)
    assert ended.ended_at is not None


def test_result_that_cannot_be_stored_is_not_half_stored(does) -> None:
    def store_then_break(job: Job) -> Callable[[], None]:
        def store() -> None:
            result_of(job)()
            raise jobs.JobRefused("No room.")

        return store

    does(lambda job, progress: store_then_break(job))
    job = accept()
    jobs.run(job.pk)
    assert results() == []
    assert again(job).state == JobState.FAILED


def test_fault_is_tried_again_after_growing_pauses_then_given_up(does, caplog) -> None:
    secret = "/srv/private/place.txt"

    def broken(job: Job, progress: jobs.Progress) -> Any:
        raise RuntimeError(secret)

    does(broken)
    job = accept()
    pauses = []
    for attempt in (1, 2):
        jobs.run(job.pk)
        resting = again(job)
        assert (resting.state, resting.attempts) == (JobState.QUEUED, attempt)
        assert resting.words == jobs.WORDS_AGAIN
        pauses.append((resting.lease_until - timezone.now()).total_seconds())
        assert jobs.claim(job.pk) is None  # it rests
        assert due() == []
        let_lease_run_out(job)
        assert due() == [job.pk]
    assert pauses == pytest.approx([10, 20], abs=2)
    jobs.run(job.pk)
    ended = again(job)
    assert (ended.state, ended.attempts) == (JobState.CRASHED, 3)
    assert "3 times" in ended.reason
    assert "Traceback" not in ended.reason
    assert secret not in ended.reason
    assert secret in caplog.text  # for whoever keeps the service
    assert due() == []


def test_passing_trouble_is_tried_again_without_a_traceback_in_the_log(does, caplog) -> None:
    def locked(job: Job, progress: jobs.Progress) -> Any:
        raise OperationalError("database is locked")

    does(locked)
    job = accept()
    jobs.run(job.pk)
    assert again(job).state == JobState.QUEUED
    assert "Traceback" not in caplog.text
    for _ in range(2):
        let_lease_run_out(job)
        jobs.run(job.pk)
    assert (again(job).state, again(job).reason) == (JobState.CRASHED, jobs.REASON_PASSING)


def test_job_that_must_wait_rests_and_counts_no_attempt(does) -> None:
    answers = [jobs.TryLater("The mail server rests.", pause_s=900.0), None]

    def wait_first(job: Job, progress: jobs.Progress) -> Any:
        if answer := answers.pop(0):
            raise answer
        return result_of(job)

    does(wait_first)
    job = accept()
    jobs.run(job.pk)
    resting = again(job)
    assert (resting.state, resting.attempts) == (JobState.QUEUED, 0)
    assert resting.words == resting.reason == "The mail server rests."
    assert (resting.lease_until - timezone.now()).total_seconds() == pytest.approx(900, abs=5)
    assert jobs.claim(job.pk) is None
    let_lease_run_out(job)
    jobs.run(job.pk)
    assert (again(job).state, again(job).reason, results()) == (JobState.DONE, "", [job.pk])


def test_what_an_attempt_remembers_is_there_for_the_next(does) -> None:
    seen = []

    def remember_then_break(job: Job, progress: jobs.Progress) -> Any:
        seen.append(dict(job.parameters))
        jobs.remember(job, step=len(seen))
        raise OperationalError("gone")

    does(remember_then_break)
    job = accept(limit=3)
    jobs.run(job.pk)
    let_lease_run_out(job)
    jobs.run(job.pk)
    assert seen == [{"limit": 3}, {"limit": 3, "step": 1}]
    late = jobs.Job(pk=job.pk, token=uuid4(), parameters={})
    with pytest.raises(jobs.LeaseLostError):
        jobs.remember(late, step=9)
    assert again(job).parameters["step"] == 2


def test_occasion_has_one_job_however_often_it_is_asked_for(does) -> None:
    key, subject = uuid4(), uuid4()
    asked = [
        jobs.enqueue_once(key, "test", subject_id=subject, parameters={"first": first})
        for first in (True, False)
    ]
    assert asked == [True, False]
    (job,) = Job.objects.all()
    assert (job.pk, job.subject_id, job.parameters) == (key, subject, {"first": True})
    with pytest.raises(jobs.UnknownKindError):
        jobs.enqueue_once(uuid4(), "wrong", subject_id=subject, parameters={})


# --- sweeping


def test_waiting_job_is_due_once_until_its_hint_is_stale(does) -> None:
    job = accept()
    assert due() == [job.pk]
    assert due() == []
    assert jobs.take_due(100, unhinted_s=0.0, stale_s=0.0) == [job.pk]
    jobs.forget_hints()
    assert due() == [job.pk]


def test_young_job_is_left_to_its_own_hint(does) -> None:
    job = accept()
    assert jobs.take_due(100, unhinted_s=5.0, stale_s=30.0) == []
    Job.objects.update(created_at=timezone.now() - timedelta(seconds=6))
    assert jobs.take_due(100, unhinted_s=5.0, stale_s=30.0) == [job.pk]


def test_due_jobs_come_oldest_first_and_no_more_than_asked_for(does) -> None:
    accepted = [accept() for _ in range(4)]
    assert jobs.take_due(0, unhinted_s=0.0, stale_s=30.0) == []
    assert jobs.take_due(-3, unhinted_s=0.0, stale_s=30.0) == []
    assert jobs.take_due(3, unhinted_s=0.0, stale_s=30.0) == [job.pk for job in accepted[:3]]


def test_running_job_is_due_as_soon_as_its_lease_ran_out(does) -> None:
    job = accept()
    assert due() == [job.pk]
    jobs.claim(job.pk)
    assert due() == []
    let_lease_run_out(job)
    assert due() == [job.pk]
    assert due() == []


def test_job_whose_worker_fell_silent_every_time_is_given_up(does) -> None:
    job = accept()
    for _ in range(3):
        jobs.give_up_on_worn_out()
        assert jobs.claim(job.pk) is not None
        jobs.give_up_on_worn_out()
        assert again(job).state == JobState.RUNNING
        let_lease_run_out(job)
    assert jobs.claim(job.pk) is None
    jobs.give_up_on_worn_out()
    ended = again(job)
    assert ended.state == JobState.CRASHED
    assert ended.reason == "The worker stopped 3 times while doing this."


def test_reason_of_a_job_that_broke_down_and_lost_its_worker_tells_both(does) -> None:
    def broken(job: Job, progress: jobs.Progress) -> Any:
        raise RuntimeError("once")

    does(broken)
    job = accept()
    jobs.run(job.pk)
    for _ in range(2):
        let_lease_run_out(job)
        assert jobs.claim(job.pk) is not None
    let_lease_run_out(job)
    jobs.give_up_on_worn_out()
    ended = again(job)
    assert ended.state == JobState.CRASHED
    assert ended.reason == ("It was tried 3 times; each time it broke down or the worker stopped.")


def test_job_done_at_the_second_attempt_keeps_no_reason(does) -> None:
    def broken_once(job: Job, progress: jobs.Progress) -> Any:
        if job.attempts == 1:
            raise RuntimeError("once")
        return result_of(job)

    does(broken_once)
    job = accept()
    jobs.run(job.pk)
    assert "once" in again(job).reason  # "went wrong on our side once"
    let_lease_run_out(job)
    jobs.run(job.pk)
    assert (again(job).state, again(job).reason, results()) == (JobState.DONE, "", [job.pk])


# --- nudging


@pytest.fixture
def ear(settings, tmp_path) -> Iterator[socket.socket]:
    settings.WORKER_NUDGE_SOCKET = tmp_path / "worker.sock"
    listener = nudge.listen()
    assert listener is not None
    yield listener
    listener.close()


def test_nudge_arrives_and_is_ours_alone(ear, tmp_path) -> None:
    nudge.send_hint(uuid4())
    assert ear.recv(8) == b"!"
    assert stat.S_IMODE((tmp_path / "worker.sock").stat().st_mode) == 0o600


def test_full_socket_is_no_error(ear) -> None:
    for _ in range(5000):
        nudge.send_hint(uuid4())
    assert ear.recv(8) == b"!"


def test_second_worker_leaves_the_socket_to_the_first(ear) -> None:
    assert nudge.listen() is None


def test_socket_of_a_dead_worker_is_taken_over(settings, tmp_path, caplog) -> None:
    settings.WORKER_NUDGE_SOCKET = tmp_path / "worker.sock"
    nudge.listen().close()
    with caplog.at_level("INFO"):
        nudge.send_hint(uuid4())
    assert "No worker was nudged" in caplog.text
    with nudge.listen() as listener:
        nudge.send_hint(uuid4())
        assert listener.recv(8) == b"!"


def test_deep_data_folder_has_its_socket_in_a_short_private_place(
    settings, tmp_path, monkeypatch
) -> None:
    monkeypatch.setattr(nudge, "SHORT_FOLDER", tmp_path / "s")
    (tmp_path / "s").mkdir()
    settings.WORKER_NUDGE_SOCKET = Path("/very") / ("deep" * 40) / "worker.sock"
    place = nudge.address()
    with nudge.listen() as listener:
        nudge.send_hint(uuid4())
        assert listener.recv(8) == b"!"
    assert stat.S_IMODE(place.parent.stat().st_mode) == 0o700
    settings.WORKER_NUDGE_SOCKET = Path("/very") / ("deep" * 41) / "worker.sock"
    assert nudge.address() != place


def test_data_folder_in_the_short_place_itself_may_be_entered_by_others(
    settings, tmp_path, monkeypatch
) -> None:
    monkeypatch.setattr(nudge, "SHORT_FOLDER", tmp_path)
    (tmp_path / "data").mkdir(mode=0o755)
    settings.WORKER_NUDGE_SOCKET = tmp_path / "data" / "worker.sock"
    with nudge.listen() as listener:
        nudge.send_hint(uuid4())
        assert listener.recv(8) == b"!"


def test_short_place_that_others_can_enter_is_not_used(settings, tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(nudge, "SHORT_FOLDER", tmp_path / "s")
    settings.WORKER_NUDGE_SOCKET = Path("/very") / ("deep" * 40) / "worker.sock"
    nudge.address().parent.mkdir(parents=True)
    nudge.address().parent.chmod(0o777)
    with pytest.raises(nudge.UnsafeFolderError, match="only its owner"):
        nudge.listen()
