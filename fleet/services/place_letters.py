"""What becomes of a place on a visit without its operator's doing is told at once, by e-mail.

A place that came free, another day, no place any more, the visit called off or on again. Who wants
to be reminded of visits gets it: one letter a deed, whose job is saved with the deed itself. What
no longer holds when the letter is written is left out: a later deed has a letter of its own.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from functools import partial
from typing import Any
from uuid import UUID

from django.urls import reverse
from django.utils import timezone

from fleet import audit, jobs, tenancy
from fleet.models import Job, Person, ReminderChoice, ReminderKind, SignUp, SignUpState, Visit
from fleet.queries.clinics import day_of, ordinal, span_of, turns
from fleet.queries.reminder_log import PLACE_KIND
from fleet.queries.reminders import kinds_for, recipients
from fleet.services import post
from fleet.services.reminder_letters import (
    Letter,
    address,
    choice_for,
    foot,
    message_id,
    stop_address,
)

# What happened, and how a letter's subject says it.
SUBJECTS = {
    "moved_up": "a place came free",
    "moved": "another day",
    "waits": "no place any more",
    "called_off": "called off",
    "back_on": "on again",
}
News = tuple[SignUp, str]


def tell(visit: Visit, news: Sequence[News]) -> None:
    """Have everybody concerned told; within the transaction of the deed."""
    by_operator: dict[UUID, list[News]] = defaultdict(list)
    for row, what in news:
        by_operator[row.operator_id].append((row, what))
    if not by_operator:
        return
    with tenancy.everyone():
        for person in recipients().filter(operator__in=list(by_operator)):
            if ReminderKind.VISIT in kinds_for(person):
                told = [_kept(visit, row, what) for row, what in by_operator[person.operator_id]]
                jobs.enqueue(
                    PLACE_KIND,
                    subject=person,
                    operator=None,  # the letter has a link that is its reader's alone
                    by=None,
                    parameters={"visit": str(visit.pk), "news": told},
                )


def _kept(visit: Visit, row: SignUp, what: str) -> dict[str, Any]:
    return {
        "sign_up": str(row.pk),
        "state": row.state,
        "day": row.day.isoformat() if row.day else None,
        "what": what,
        "words": _words(visit, row, what),
    }


def _words(visit: Visit, row: SignUp, what: str) -> str:
    where = f"the visit to {visit.place} on {span_of(visit)}"
    (turn,) = turns([row])
    at = f", about {turn.at:%H:%M}" if turn.at else ""
    match what:
        case "moved_up":
            return f"{row.aircraft} has a place now: {day_of(row.day)}{at}, at {visit.place}."
        case "moved":
            return f"{row.aircraft} has its place on another day: {day_of(row.day)}{at}."
        case "waits":
            place = ordinal(row.position or 1)
            return (
                f"{row.aircraft} has no place on {where} any more, because the visit was changed. "
                f"It is {place} on the waiting list; you are told when a place comes free."
            )
        case "called_off":
            return f"{row.aircraft}: {where} was called off. {visit.cancelled_reason}".rstrip()
    if row.state == SignUpState.WAITING:
        return f"{row.aircraft}: {where} is on again; {turn.words}."
    return f"{row.aircraft}: {where} is on again, and it has its place: {day_of(row.day)}{at}."


@jobs.handler(PLACE_KIND)
def deliver(job: Job, progress: jobs.Progress) -> Callable[[], None]:
    """Send one person what became of places; the returned function writes down that it was told."""
    visit = Visit.objects.get(pk=job.parameters["visit"])
    if post.handed_over_before(job):
        return partial(_store, job, visit, certain=False)
    person = recipients().filter(pk=job.subject_id).first()
    wanted = person is not None and ReminderKind.VISIT in kinds_for(person)
    news = _still_true(visit, job.parameters["news"]) if wanted else []
    if person is None or not news:
        return lambda: None  # stopped, gone, or no longer so
    post.wait_for_the_server(job)
    progress(0.5, "Handing the letter to the mail server")
    letter = _compose(person, choice_for(person), visit, news, job.pk)
    post.hand_over(job, letter, told=[one["words"] for one in news])
    return partial(_store, job, visit, certain=True)


def _still_true(visit: Visit, news: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    if visit.ends_on < timezone.localdate():
        return []
    rows = {str(row.pk): row for row in SignUp.objects.filter(visit=visit)}

    def stands(one: dict[str, Any]) -> bool:
        row = rows.get(one["sign_up"])
        day = row.day.isoformat() if row is not None and row.day else None
        off = visit.cancelled_on is not None
        return (
            row is not None
            and (row.state, day) == (one["state"], one["day"])
            and off == (one["what"] == "called_off")
        )

    return [one for one in news if stands(one)]


def _compose(
    person: Person,
    choice: ReminderChoice,
    visit: Visit,
    news: Sequence[dict[str, Any]],
    key: UUID,
) -> Letter:
    stop = stop_address(choice)
    happened = ", ".join(SUBJECTS[what] for what in dict.fromkeys(one["what"] for one in news))
    lines = [f"Hello {person.name},", ""]
    lines += [f"* {one['words']}" for one in news]
    lines += ["", "The visit, with your places, and where to call one off:"]
    lines += [address(reverse("visit", args=[visit.pk])), *foot(stop)]
    return Letter(
        email=person.email,
        subject=f"Swathbook: {' '.join(visit.place.split())}, {happened}",
        body="\n".join(lines),
        message_id=message_id(key),
        stop_address=stop,
    )


def _store(job: Job, visit: Visit, *, certain: bool) -> None:
    person = Person.objects.select_related("operator").get(pk=job.subject_id)
    if not certain:
        post.note_doubt(job)
    audit.record(
        "place_told",
        visit,
        by=None,
        operator=person.operator,
        after={
            "person": person.name,
            "told": job.parameters["told"],
            "arrived": "yes" if certain else "?",
        },
    )
