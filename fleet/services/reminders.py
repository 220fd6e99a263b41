"""Reminders: a digest by e-mail, one a person and day at most, never twice for the same reason.

Each day has one job, under a key made from the day, so whoever asks for it (the feeder, Celery
beat, several machines) asks for the same one. It gathers what is new and gives each person a job
of their own, under a key made from day and person. That job is the claim: only its holder sends.

The letter is put into the job's parameters, and committed there, before it is handed over; what
was told is written down afterwards, with the end of the job. An attempt that finds a letter there
knows that an earlier one got as far as the mail server, and does not send again: it writes the
letter down as sent and says that nobody knows whether it arrived. So a letter may be lost when a
machine fails within that moment, which the log shows, but none is sent twice. Where the server
says that it did not take a letter, it is taken out again and tried later on the same day, or left
to the next day's digest, as nothing was told.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping
from dataclasses import asdict
from functools import partial
from typing import Any

from django.conf import settings
from django.db import transaction
from django.utils import timezone

from fleet import audit, jobs
from fleet.models import (
    HookEvent,
    Job,
    Person,
    Reminded,
    ReminderChoice,
    ReminderMail,
)
from fleet.queries.reminder_log import DAY_KIND, MAIL_KIND, key_of_day, key_of_letter
from fleet.queries.reminders import (
    KINDS_OF,
    Digest,
    Reason,
    already_told,
    digests,
    duties_of_all,
    kinds_for,
    recipients,
)
from fleet.services import post
from fleet.services.base import refuse
from fleet.services.hooks import listening
from fleet.services.reminder_letters import choice_for, choice_of_token, compose
from fleet.services.telling import tell_due_soon

DAY_OVER = "The day was over before the mail server took it; the next digest tells what is left."


# --- One's own settings ---------------------------------------------------------------------------


@transaction.atomic
def set_reminders(person: Person, *, wanted: list[str]) -> bool:
    """Set of which kinds a person wants to be reminded; False when nothing differs.

    Wanting any again after stopping all makes older links to stop them do nothing.
    """
    Person.objects.select_for_update().get(pk=person.pk)
    offered = KINDS_OF[person.role]
    unknown = sorted(set(wanted) - set(offered))
    if unknown:
        known = ", ".join(offered) or "none"
        refuse({"wanted": [f"No such reminder for you: {', '.join(unknown)}. Known: {known}."]})
    before = _settings_of(person)
    unwanted = [kind.value for kind in offered if kind not in wanted]
    if before == {"wanted": [kind.value for kind in offered if kind in wanted]}:
        return False
    choice = ReminderChoice.objects.filter(person=person).first()
    if choice is not None and choice.stopped_at is not None and wanted:
        choice.delete()
        choice = None
    choice = choice or ReminderChoice(person=person)
    choice.unwanted = unwanted
    if not wanted and offered:
        choice.stopped_at = choice.stopped_at or timezone.now()
    choice.save()
    _audit_settings(person, before)
    return True


@transaction.atomic
def stop_reminders(token: str) -> bool:
    """Stop all reminders of the person whom a link names; False for a link that does nothing.

    Stopped already is stopped: yes again. Who holds the link acts as the person it was sent to.
    """
    key = choice_of_token(token)
    choice = ReminderChoice.objects.select_for_update().filter(pk=key).first() if key else None
    if choice is None:
        return False
    if choice.stopped_at is None:
        person = Person.objects.select_related("operator").get(pk=choice.person_id)
        before = _settings_of(person)
        choice.stopped_at = timezone.now()
        choice.save(update_fields=["stopped_at"])
        _audit_settings(person, before)
    return True


def stops_something(token: str) -> bool:
    """Whether a link still names somebody."""
    key = choice_of_token(token)
    return key is not None and ReminderChoice.objects.filter(pk=key).exists()


def _settings_of(person: Person) -> dict[str, Any]:
    fresh = Person.objects.select_related("reminder_choice").get(pk=person.pk)
    return {"wanted": [kind.value for kind in kinds_for(fresh)]}


def _audit_settings(person: Person, before: Mapping[str, Any]) -> None:
    audit.record(
        "reminders_set",
        person,
        by=person,
        operator=person.operator,
        before=before,
        after=_settings_of(person),
    )


# --- The day's work -------------------------------------------------------------------------------


def is_time(now: datetime.datetime) -> bool:
    """Whether the digests of the day may go out, in the service's time zone."""
    at = hour()
    return at is not None and timezone.localtime(now).time() >= at


def hour() -> datetime.time | None:
    """Return from when on in the day reminders go out; None: they are switched off."""
    at: datetime.time | None = settings.REMIND_AT
    return at


def send_digests(day: datetime.date) -> bool:
    """Have the digests of a day sent; False when that was asked for before."""
    key = key_of_day(day)
    return jobs.enqueue_once(key, DAY_KIND, subject_id=key, parameters={"day": str(day)})


@jobs.handler(DAY_KIND)
def gather(job: Job, progress: jobs.Progress) -> Callable[[], None]:
    """Find out who is to be told what; the returned function gives each a job of their own.

    Webhooks are told of tests due soon by the same work, whether anybody gets a letter or not.
    """
    day = _day_of(job)
    progress(0.1, "Looking who is to be told what")
    found = digests(day)
    asked = duties_of_all(day) if listening(HookEvent.DUE_SOON) else []
    progress(0.8, f"{len(found)} people have something new")

    def store() -> None:
        for digest in found:
            _enqueue(digest, day)
        tell_due_soon(asked)

    return store


def _enqueue(digest: Digest, day: datetime.date) -> None:
    jobs.enqueue_once(
        key_of_letter(day, digest.person.pk),
        MAIL_KIND,
        subject_id=digest.person.pk,
        parameters={"day": str(day), "reasons": [asdict(reason) for reason in digest.reasons]},
    )


def _day_of(job: Job) -> datetime.date:
    day = datetime.date.fromisoformat(job.parameters["day"])
    if day != timezone.localdate():
        raise jobs.JobRefused(DAY_OVER)
    return day


# --- One letter -----------------------------------------------------------------------------------


@jobs.handler(MAIL_KIND)
def deliver(job: Job, progress: jobs.Progress) -> Callable[[], None]:
    """Send one person the digest of a day; the returned function writes down what was told."""
    if job.parameters.get("letter"):
        return partial(_store, job, certain=False)
    day = _day_of(job)
    person = recipients().filter(pk=job.subject_id).first()
    reasons = _still_to_tell(job, person) if person is not None else []
    if person is None or not reasons:
        return lambda: None  # stopped, gone or told since
    post.wait_for_the_server(job)
    progress(0.5, "Handing the letter to the mail server")
    letter = compose(person, choice_for(person), reasons, day, job.pk)
    post.hand_over(job, letter, told=[asdict(reason) for reason in reasons])
    return partial(_store, job, certain=True)


def _still_to_tell(job: Job, person: Person) -> list[Reason]:
    """Leave out what the person no longer wants, or was told on another day in the meantime."""
    reasons = [Reason(**one) for one in job.parameters["reasons"]]
    told = already_told([person], [reason.key for reason in reasons])
    wanted = kinds_for(person)
    return [one for one in reasons if one.kind in wanted and (person.pk, one.key) not in told]


def _store(job: Job, *, certain: bool) -> None:
    letter = job.parameters["letter"]
    person = Person.objects.select_related("operator").get(pk=job.subject_id)
    mail = ReminderMail(
        person=person,
        day=datetime.date.fromisoformat(job.parameters["day"]),
        **{name: letter[name] for name in ("email", "subject", "body", "message_id")},
    )
    mail.save(force_insert=True)
    reasons = [Reason(**one) for one in job.parameters["told"]]
    # It has gone out: whatever was told already elsewhere must not keep the rest from being noted.
    Reminded.objects.bulk_create(
        [
            Reminded(person=person, mail=mail, kind=one.kind, reason=one.key, words=one.words)
            for one in reasons
        ],
        ignore_conflicts=True,
    )
    if not certain:
        post.note_doubt(job)
    audit.record(
        "reminder_sent",
        mail,
        by=None,
        operator=person.operator,
        after={
            "person": person.name,
            "reasons": len(reasons),
            "arrived": "yes" if certain else "?",
        },
    )
