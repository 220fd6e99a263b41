"""Filings: opened from what the rules ask, and taken step by step until they are settled.

Each day has one job that opens what is asked for and is not on the board yet, under a key made
from the day, asked for at the hour of the reminders; people have it done from the board as well.
A filing has a key made from test, version and paper, or from season and rule, so it is opened once
however often it is looked for. Nothing takes it off the board but an answer, or a person's word
that it is no longer asked for.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final, NoReturn
from uuid import UUID, uuid5
from zoneinfo import ZoneInfo

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from fleet import audit, jobs, rules, storage
from fleet.models import Filing, FilingStep, Job, Paper, Person, StepKind
from fleet.queries.asked_papers import asked_papers
from fleet.queries.filings import DRAWN, FOLLOWS, papers_for
from fleet.services.base import checked

DAY_KIND = "filings"
_OCCASIONS = UUID("01977d36-52a1-7b2e-8f0c-2a4de1907c55")  # a namespace of our own (RFC 9562, 5.5)


# --- What is asked for ----------------------------------------------------------------------------


@transaction.atomic
def open_filings_due(*, by: Person | None) -> int:
    """Open a filing for each paper that a rule asks for and that has none; how many there were.

    `by` is None for the worker of the day.
    """
    if by is not None:
        rules.allow(rules.may_file, by)
    asked = list(asked_papers())
    known = set(Filing.objects.values_list("reason", flat=True))
    opened = 0
    for one in asked:
        if one.reason in known:
            continue
        test = one.test
        filing, is_new = Filing.objects.get_or_create(
            reason=one.reason,
            defaults={
                "operator_id": test and test.operator_id,
                "jurisdiction": one.version.requirement.jurisdiction,
                "version": one.version,
                "aircraft": test and test.setup.aircraft,
                "test": test,
                "season": one.season,
                "what": one.what,
                "counted_from": one.counted_from,
                "due_at": one.due_at,
            },
        )
        if is_new:
            opened += 1
            audit.record(
                "filing_opened",
                filing,
                by=by,
                operator=filing.operator,
                after=audit.values(filing, ("what", "reason", "counted_from", "due_at")),
            )
    return opened


def key_of_day(day: datetime.date) -> UUID:
    """Return the key of the job of a day."""
    return uuid5(_OCCASIONS, f"{day}")


def look_on(day: datetime.date) -> bool:
    """Have what is asked for looked up on a day; False when that was asked for before."""
    key = key_of_day(day)
    return jobs.enqueue_once(key, DAY_KIND, subject_id=key, parameters={"day": str(day)})


@jobs.handler(DAY_KIND)
def _look(job: Job, progress: jobs.Progress) -> Callable[[], None]:
    progress(0.5, "Looking what must be filed")

    def store() -> None:
        open_filings_due(by=None)

    return store


# --- Steps ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Answer:
    """A file that came back: its name and its bytes."""

    name: str
    data: bytes


def prepare(
    filing: Filing,
    *,
    by: Person,
    happened_on: datetime.date,
    paper: Paper | None = None,
    words: str = "",
) -> FilingStep:
    """Note which paper is to be sent; one that was not issued here is told in words."""
    if paper is None and not words.strip():
        _refuse("paper", "Choose an issued paper, or say in words what was prepared.")
    return _step(filing, StepKind.PREPARED, by, happened_on, paper=paper, words=words)


def send(filing: Filing, *, by: Person, happened_on: datetime.date, words: str = "") -> FilingStep:
    """Note that what was prepared was sent."""
    return _step(filing, StepKind.SENT, by, happened_on, words=words)


def acknowledge(
    filing: Filing,
    *,
    by: Person,
    happened_on: datetime.date,
    reference: str = "",
    words: str = "",
    file: Answer | None = None,
) -> FilingStep:
    """Note the answer that settles a filing: its reference, its day, and the file that came."""
    if not reference.strip() and file is None:
        _refuse("reference", "Give the reference that came back, or add the answer as a file.")
    return _step(
        filing,
        StepKind.ACKNOWLEDGED,
        by,
        happened_on,
        reference=reference,
        words=words,
        file=file,
    )


def reject(
    filing: Filing,
    *,
    by: Person,
    happened_on: datetime.date,
    words: str,
    reference: str = "",
    file: Answer | None = None,
) -> FilingStep:
    """Note that it was sent back, with what was said."""
    if not words.strip():
        _refuse("words", "Say what is wrong with it, in the words that came back.")
    return _step(
        filing, StepKind.REJECTED, by, happened_on, reference=reference, words=words, file=file
    )


def correct(
    filing: Filing,
    *,
    by: Person,
    happened_on: datetime.date,
    words: str,
    paper: Paper | None = None,
) -> FilingStep:
    """Note what was corrected, and that it was sent again."""
    if not words.strip():
        _refuse("words", "Say what was corrected.")
    return _step(filing, StepKind.CORRECTED, by, happened_on, paper=paper, words=words)


def drop(filing: Filing, *, by: Person, happened_on: datetime.date, words: str) -> FilingStep:
    """Note why it is no longer asked for; that settles it."""
    if not words.strip():
        _refuse("words", "Say why it is no longer asked for; it stays on record for good.")
    return _step(filing, StepKind.DROPPED, by, happened_on, words=words)


STEPS: Final[Mapping[str, Callable[..., FilingStep]]] = {
    StepKind.PREPARED: prepare,
    StepKind.SENT: send,
    StepKind.ACKNOWLEDGED: acknowledge,
    StepKind.REJECTED: reject,
    StepKind.CORRECTED: correct,
    StepKind.DROPPED: drop,
}
# What may be told with each, besides the day.
TELLS: Final[Mapping[str, tuple[str, ...]]] = {
    StepKind.PREPARED: ("paper", "words"),
    StepKind.SENT: ("words",),
    StepKind.ACKNOWLEDGED: ("reference", "words", "file"),
    StepKind.REJECTED: ("words", "reference", "file"),
    StepKind.CORRECTED: ("words", "paper"),
    StepKind.DROPPED: ("words",),
}
# Steps that nobody understands later without words.
IN_WORDS: Final = frozenset({StepKind.REJECTED, StepKind.CORRECTED, StepKind.DROPPED})


def _refuse(field: str, words: str) -> NoReturn:
    raise ValidationError({field: [words]})


def _step(
    filing: Filing,
    kind: str,
    by: Person,
    happened_on: datetime.date,
    *,
    paper: Paper | None = None,
    reference: str = "",
    words: str = "",
    file: Answer | None = None,
) -> FilingStep:
    rules.allow(rules.may_file, by)
    kept: dict[str, Any] = _keep(file) if file else {}  # first the bytes, then the row
    with transaction.atomic():
        locked = Filing.objects.select_for_update(of=("self",)).get(pk=filing.pk)
        last = locked.steps.select_related("paper").order_by("-created_at", "-id").first()
        _check_order(last, kind)
        _check_day(locked, last, happened_on)
        _check_paper(by, locked, last, kind, paper)
        step = FilingStep(
            operator=locked.operator,
            filing=locked,
            kind=kind,
            happened_on=happened_on,
            paper=paper,
            reference=reference.strip(),
            words=words.strip(),
            recorded_by=by,
            **kept,
        )
        checked(step)
        step.save(force_insert=True)
        audit.record(
            f"filing_{kind}",
            locked,
            by=by,
            operator=locked.operator,
            after=audit.values(
                step, ("happened_on", "paper", "reference", "words", "file_name", "file_digest")
            ),
        )
    return step


def _keep(file: Answer) -> dict[str, Any]:
    most: int = settings.UPLOAD_LIMIT_BYTES
    if not file.data:
        _refuse("file", f"{file.name} is empty.")
    if len(file.data) > most:
        size = f"{len(file.data) / 1e6:.1f} MB; at most {most / 1e6:.0f} MB"
        _refuse("file", f"{file.name} has {size}.")
    return {
        "file_name": file.name[:255],
        "file_digest": storage.keep(file.data),
        "file_size": len(file.data),
    }


def _check_order(last: FilingStep | None, kind: str) -> None:
    stands = last.kind if last else ""
    if kind in FOLLOWS[stands]:
        return
    may = ", ".join(StepKind(one).label.lower() for one in dict.fromkeys(FOLLOWS[stands]))
    after = f"next it may be: {may}" if may else "it is settled"
    words = f"It is {DRAWN[stands][1].lower()}; {after}. Look at the page again."
    _refuse("kind", words)


def _check_day(filing: Filing, last: FilingStep | None, day: datetime.date) -> None:
    zone = ZoneInfo(filing.jurisdiction.time_zone)
    first = last.happened_on if last else filing.counted_from.astimezone(zone).date()
    before = "the test" if filing.test_id else "the season's last day"
    if day < first:
        before = "the step before" if last else before
        _refuse("happened_on", f"Must not lie before {before}, {first:%-d %B %Y}.")
    if day > max(timezone.localdate(timezone=zone), timezone.localdate()):
        _refuse("happened_on", "Must not lie in the future.")


def _check_paper(
    by: Person, filing: Filing, last: FilingStep | None, kind: str, paper: Paper | None
) -> None:
    """The paper named, or on sending the one prepared, must be the operator's and stand."""
    if paper is not None and not papers_for(by, filing).filter(pk=paper.pk).exists():
        _refuse("paper", "It was withdrawn or superseded, or it is another operator's.")
    ready = last.paper if last and kind == StepKind.SENT else None
    if ready is not None and not papers_for(by, filing).filter(pk=ready.pk).exists():
        _refuse("kind", "The paper prepared was withdrawn or superseded; prepare another one.")
