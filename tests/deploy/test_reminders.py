"""Reminders by real worker processes: asked for by the clock, and sent once however many ask."""

from __future__ import annotations

import datetime
import email
import shutil
from collections.abc import Iterator
from email import policy
from functools import partial
from pathlib import Path

import pytest
from django.conf import settings as django_settings

from deploy import alive
from fleet import tenancy
from fleet.models import Job, JobState, Person, ReminderMail, Requirement, RequirementVersion
from tests.cast import Cast, make_aircraft, make_cast
from tests.deploy.worker_harness import (
    BROKERS,
    Worker,
    database_of_test,
    private_redis,
    redis_program,
    wait_for,
)

pytestmark = [pytest.mark.service, pytest.mark.django_db(transaction=True)]

PATIENCE_S = 90.0


@pytest.fixture
def overdue() -> Iterator[Cast]:
    """An aircraft that a rule asks a test of."""
    with tenancy.everyone():
        cast = make_cast()
        rule = Requirement.objects.create(jurisdiction=cast.state, name="Yearly test")
        RequirementVersion.objects.create(
            requirement=rule,
            number=1,
            effective_from=datetime.date(2020, 1, 1),
            source="Invented for the tests.",
            evidence="test",
            rhythm="interval",
            interval_months=12,
        )
        make_aircraft(cast)
        yield cast


@pytest.fixture
def outbox() -> Iterator[Path]:
    folder: Path = django_settings.OUTBOX
    shutil.rmtree(folder, ignore_errors=True)
    yield folder
    shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(params=BROKERS)
def broker_url(request) -> Iterator[str]:
    if request.param == "embedded":
        yield ""
        return
    if redis_program() is None:
        pytest.skip("NOT TESTED: redis-server is not installed (apt-get install redis-server)")
    with private_redis() as server:
        yield server.url


def receivers(folder: Path) -> list[str]:
    """Return to whom the letters in the outbox are, as a mail program reads them."""
    found = []
    for file in folder.glob("*.log"):
        for letter in file.read_bytes().split(b"-" * 79 + b"\n"):
            if letter.strip():
                found.append(email.message_from_bytes(letter, policy=policy.default)["To"])
    return sorted(found)


def test_two_workers_with_a_clock_each_send_every_letter_once(overdue, outbox, broker_url) -> None:
    workers = [
        Worker(
            Path(django_settings.DATA),
            database_of_test(),
            broker_url=broker_url,
            processes=1,
            remind_at="00:00",
        )
        for _ in range(2)
    ]
    try:
        for worker in workers:
            worker.start(wait=False)
        for worker in workers:  # both give signs of life, in turn
            wait_for(partial(alive.worker_answers, worker.data, worker.pid), PATIENCE_S, worker)
        wait_for(lambda: ReminderMail.objects.count() == 3, PATIENCE_S, workers[0])
        wait_for(lambda: not open_jobs(), PATIENCE_S, workers[0])
    finally:
        for worker in workers:
            worker.end()
    people = (overdue.owner, overdue.pilot, overdue.staff)
    assert receivers(outbox) == sorted(person.email for person in people)
    assert Job.objects.filter(kind="reminders").count() == 1
    assert set(Job.objects.values_list("state", flat=True)) == {JobState.DONE}
    assert Person.objects.filter(reminder_choice__isnull=False).count() == 3


def open_jobs() -> bool:
    return Job.objects.exclude(state=JobState.DONE).exists()
