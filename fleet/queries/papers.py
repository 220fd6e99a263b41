"""Papers and their numbers: how each stands now, and what a check may tell."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from typing import Literal

from django.db.models import Q, QuerySet
from django.utils import timezone

from fleet.models import Approval, Job, Paper, PaperBatch, PaperKind, PaperSlip, Person
from fleet.queries.duties import duties

PaperState = Literal["valid", "superseded", "withdrawn", "ended", "expired"]

WORDS: dict[str, str] = {
    "valid": "Valid",
    "superseded": "Superseded",
    "withdrawn": "Withdrawn",
    "ended": "No longer holds",
    "expired": "Expired",
}
NO_LONGER_MET = (
    "By what is on record now the rule is no longer met. Ask the operator for a newer certificate."
)
# What a paper's state rests on, in one query.
STANDS_ON = (
    "withdrawal",
    "superseded_by__slip__series",
    "approval__withdrawal",
    "slip__series",
    "slip__asked_by",
    "slip__aircraft__operator",
)


@dataclass(frozen=True, slots=True)
class Verdict:
    """How a paper stands, and since when, in a sentence."""

    state: PaperState
    why: str

    @property
    def words(self) -> str:
        """Return the state in words."""
        return WORDS[self.state]


def verdict_on(paper: Paper, *, today: datetime.date | None = None) -> Verdict:
    """Say how a paper stands. What was withdrawn stays so, whatever came after."""
    today = today or timezone.localdate()
    withdrawal = getattr(paper, "withdrawal", None)
    if withdrawal is not None:
        return Verdict("withdrawn", f"It was withdrawn on {_day(withdrawal.created_at)}.")
    newer = getattr(paper, "superseded_by", None)
    if newer is not None:
        name = f" by {newer.slip.name}" if newer.slip else ""
        return Verdict("superseded", f"It was replaced{name} on {_day(newer.created_at)}.")
    if paper.kind == PaperKind.CERTIFICATE and not _still_met(paper):
        return Verdict("ended", NO_LONGER_MET)
    for approval in _rests_on(paper):
        ended = _approval_ended(approval)
        if ended:
            return Verdict("ended", ended)
    if paper.valid_until is not None and paper.valid_until < today:
        return Verdict("expired", f"It was valid until {_day(paper.valid_until)}.")
    if paper.valid_until is not None:
        return Verdict("valid", f"It is valid until {_day(paper.valid_until)}.")
    return Verdict("valid", f"It stands as issued on {_day(paper.created_at)}.")


def _still_met(paper: Paper) -> bool:
    """Whether the rule of a certificate is met by what is on record now."""
    slip = paper.slip
    assert slip is not None
    assert slip.aircraft is not None
    return any(
        duty.state in ("met", "due_soon", "waived")
        for duty in duties(slip.asked_by, aircraft=[slip.aircraft])
        if duty.requirement.pk == slip.requirement_id
    )


def _rests_on(paper: Paper) -> list[Approval]:
    """The approvals without which the paper would say something else."""
    if not paper.record:
        return [paper.approval] if paper.approval else []
    keys = paper.says["says"].get("rests_on", [])
    if not keys:
        return []
    rows = Approval.objects.filter(pk__in=keys).select_related("withdrawal", "setup")
    return list(rows.order_by("created_at", "id"))


def _approval_ended(approval: Approval) -> str:
    withdrawal = getattr(approval, "withdrawal", None)
    if withdrawal is not None:
        return f"The approval on it was withdrawn on {_day(withdrawal.created_at)}."
    newer = Approval.objects.filter(supersedes=approval).first()
    if newer is not None:
        return f"The approval on it was superseded on {_day(newer.created_at)}."
    later = approval.setup.later().first()
    if later is not None:
        return f"The set-up was changed on {_day(later.created_at)}; test again."
    return ""


def slips_of(person: Person) -> QuerySet[PaperSlip]:
    """Numbers of papers that a person may see: all, or those of their operator."""
    rows = PaperSlip.objects.select_related(
        "series",
        "operator",
        "asked_by",
        "aircraft",
        "paper__withdrawal",
        "paper__superseded_by",
        "void",
        "batch__season",
        "replaces__slip__series",
    )
    if person.sees_everyone:
        return rows
    return rows.filter(operator=person.operator_id) if person.operator_id else rows.none()


def papers_of(person: Person) -> QuerySet[Paper]:
    """Papers a person may see, with what their state rests on."""
    rows = Paper.objects.select_related(
        "analysis__test__setup__aircraft", "issued_by", "operator", *STANDS_ON, "approval__setup"
    )
    if person.sees_everyone:
        return rows
    return rows.filter(operator=person.operator_id) if person.operator_id else rows.none()


@dataclass(frozen=True, slots=True)
class SlipState:
    """How far a number is: a code of `state`, in words, and why."""

    code: str
    words: str
    why: str = ""


def slip_state(slip: PaperSlip, job: Job | None) -> SlipState:
    """Say how far a number is; of an issued paper, what became of it."""
    if hasattr(slip, "paper"):
        if hasattr(slip.paper, "withdrawal"):
            return SlipState("withdrawn", WORDS["withdrawn"])
        if hasattr(slip.paper, "superseded_by"):
            return SlipState("superseded", WORDS["superseded"])
        return SlipState("done", "Issued")
    if hasattr(slip, "void"):
        return SlipState("cancelled", "Given up", slip.void.reason)
    if job is None or not job.has_ended:
        return SlipState("running", "Being made", job.words if job else "")
    return SlipState(job.state, job.get_state_display(), job.reason)


def batches_of(person: Person) -> QuerySet[PaperBatch]:
    """Batches of papers, for staff and analysts."""
    rows = PaperBatch.objects.select_related("season", "asked_by")
    return rows if person.sees_everyone else rows.none()


def jobs_of_slips(slips: list[PaperSlip]) -> dict[object, Job]:
    """Return the newest job of each slip."""
    rows = Job.objects.filter(Q(kind="paper"), subject_id__in=[slip.pk for slip in slips])
    return {job.subject_id: job for job in rows.order_by("created_at", "id")}


def file_name(paper: Paper) -> str:
    """Return the name under which a paper is handed out."""
    if paper.slip is not None:
        return f"{paper.slip.name} {paper.title}.pdf".replace("/", "-")
    assert paper.analysis is not None
    test = paper.analysis.test
    return f"{test.setup.aircraft} pattern test {test.flown_on:%Y-%m-%d}.pdf"


def _day(moment: datetime.date | datetime.datetime) -> str:
    if isinstance(moment, datetime.datetime):
        moment = timezone.localdate(moment)
    return f"{moment:%-d %B %Y}"
