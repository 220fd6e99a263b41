"""Filings: what must go where by when, and how each stands."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from typing import Literal

from django.db.models import OuterRef, QuerySet, Subquery
from django.utils import timezone

from fleet.models import Filing, FilingStep, Person, StepKind

FilingState = Literal[
    "open", "late", "prepared", "sent", "acknowledged", "rejected", "corrected", "dropped"
]
# What ends a filing; everything else stays on the board, however late it is.
SETTLED = (StepKind.ACKNOWLEDGED, StepKind.DROPPED)
SENT = (StepKind.SENT, StepKind.CORRECTED)
SOON = datetime.timedelta(days=7)


@dataclass(frozen=True, slots=True)
class Standing:
    """How a filing stands: the last step, whether it is late, and what is to be done next."""

    step: str
    is_late: bool
    is_soon: bool
    next: str

    @property
    def is_settled(self) -> bool:
        """Whether nothing more is asked."""
        return self.step in SETTLED


def filings_of(person: Person) -> QuerySet[Filing]:
    """Filings a person may see, each with the kind of its last step in `last_step`."""
    last = FilingStep.objects.filter(filing=OuterRef("pk")).order_by("-created_at", "-id")
    rows = Filing.objects.select_related(
        "operator", "jurisdiction", "version__requirement", "aircraft", "test__visit", "season"
    ).annotate(last_step=Subquery(last.values("kind")[:1]))
    if person.sees_everyone:
        return rows
    return rows.filter(operator=person.operator_id) if person.operator_id else rows.none()


def open_filings(rows: QuerySet[Filing]) -> QuerySet[Filing]:
    """Keep those that are not settled."""
    return rows.exclude(last_step__in=SETTLED)


def standing_of(filing: Filing, *, now: datetime.datetime | None = None) -> Standing:
    """Say how a filing stands. One that was sent is late no more; sent back, it is again."""
    now = now or timezone.now()
    step: str = filing.last_step or ""  # type: ignore[attr-defined]
    waits_for_us = step not in (*SETTLED, *SENT)
    is_late = waits_for_us and filing.due_at is not None and filing.due_at < now
    is_soon = waits_for_us and not is_late and filing.due_at is not None
    is_soon = is_soon and filing.due_at - now <= SOON  # type: ignore[operator]
    return Standing(step, is_late, is_soon, NEXT[step])


NEXT = {
    "": "Prepare the paper and send it.",
    StepKind.PREPARED: "Send it.",
    StepKind.SENT: "Wait for the reference that comes back.",
    StepKind.CORRECTED: "Wait for the reference that comes back.",
    StepKind.REJECTED: "Correct it and send it again.",
    StepKind.ACKNOWLEDGED: "",
    StepKind.DROPPED: "",
}
