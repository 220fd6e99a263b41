"""What was sent to whom, when and why; and what could not be delivered."""

from __future__ import annotations

import datetime
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any
from uuid import UUID, uuid5

from django.db.models import Count, Q, QuerySet
from django.utils import timezone

from fleet import tenancy
from fleet.models import Job, JobState, Person, ReminderMail

DAY_KIND = "reminders"
MAIL_KIND = "reminder_mail"
PLACE_KIND = "place_mail"
_OCCASIONS = UUID("0193a1f0-6d2e-7c55-9b1e-5d0c4f2ab871")  # a namespace of our own (RFC 9562, 5.5)
UNDELIVERED_SHOWN = 100


@dataclass(frozen=True, slots=True)
class Undelivered:
    """A letter that was not sent. `state` is that of its job; a queued one is tried again."""

    person: Person
    day: datetime.date
    state: str
    words: str
    reason: str


@dataclass(frozen=True, slots=True)
class PlaceLetter:
    """A letter about places on a visit that was sent, and what it told."""

    person: Person
    at: datetime.datetime
    email: str
    words: tuple[str, ...]
    doubtful: bool


def key_of_day(day: datetime.date) -> UUID:
    """Return the key of the job of a day."""
    return uuid5(_OCCASIONS, f"{day}")


def key_of_letter(day: datetime.date, person_id: UUID) -> UUID:
    """Return the key of the job that sends a person the digest of a day."""
    return uuid5(_OCCASIONS, f"{day} {person_id}")


def mails_of(person: Person) -> QuerySet[ReminderMail]:
    """All digests for staff, the newest first, each with its reasons and `reason_count`."""
    rows = ReminderMail.objects.select_related("person__operator").prefetch_related("reasons")
    counted = rows.annotate(reason_count=Count("reasons")).order_by("-created_at", "-id")
    return counted if person.is_staff_member else counted.none()


def own_mails_of(person: Person) -> QuerySet[ReminderMail]:
    """The digests that were sent to a person, the newest first, each with its reasons."""
    rows = ReminderMail.objects.filter(person=person).prefetch_related("reasons")
    return rows.order_by("-created_at", "-id")


def doubtful(mails: Iterable[ReminderMail]) -> set[UUID]:
    """Return the keys of those mails of which nobody knows whether they arrived."""
    keys = {key_of_letter(mail.day, mail.person_id): mail.pk for mail in mails}
    rows = Job.objects.filter(pk__in=list(keys), kind=MAIL_KIND, state=JobState.DONE)
    return {keys[pk] for pk in rows.exclude(reason="").values_list("pk", flat=True)}


def undelivered_of(person: Person) -> list[Undelivered]:
    """Letters that were not sent, or not yet, for staff; the newest first."""
    if not person.is_staff_member:
        return []
    failed = Q(state__in=[JobState.FAILED, JobState.CRASHED])
    resting = Q(state=JobState.QUEUED) & ~Q(reason="")
    rows: Any = Job.objects.filter(failed | resting, kind__in=[MAIL_KIND, PLACE_KIND])
    rows = rows.order_by("-created_at", "-id")
    jobs = list(rows.defer("token", "operator")[:UNDELIVERED_SHOWN])
    people = Person.objects.select_related("operator").in_bulk([job.subject_id for job in jobs])
    return [
        Undelivered(
            people[job.subject_id],
            timezone.localdate(job.created_at),
            job.state,
            job.get_state_display(),
            job.reason,
        )
        for job in jobs
        if job.subject_id in people
    ]


def place_letters_of(person: Person, most: int) -> list[PlaceLetter]:
    """The letters about places on visits: all for staff, else one's own; the newest first."""
    with tenancy.everyone():  # such a job belongs to no operator
        rows: Any = Job.objects.filter(
            kind=PLACE_KIND, state=JobState.DONE, parameters__has_key="letter"
        )
    if not person.is_staff_member:
        rows = rows.filter(subject_id=person.pk)
    sent: list[Any] = list(rows.order_by("-ended_at", "-id")[:most])
    people = Person.objects.select_related("operator").in_bulk([job.subject_id for job in sent])
    return [
        PlaceLetter(
            people[job.subject_id],
            job.ended_at,
            job.parameters["letter"]["email"],
            tuple(job.parameters["told"]),
            bool(job.reason),
        )
        for job in sent
        if job.subject_id in people
    ]
