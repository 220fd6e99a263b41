"""What the deeds of the service tell the webhooks, each within the transaction of its deed."""

from __future__ import annotations

from fleet.models import Approval, HookEvent, Paper, SetUp
from fleet.queries.records import approval_record
from fleet.services.hooks import tell


def tell_granted(approval: Approval) -> None:
    """An approval was granted, and with it perhaps another one superseded."""
    tell(
        HookEvent.APPROVAL_GRANTED,
        operator=approval.operator,
        reason=f"granted:{approval.pk}",
        content=approval_record(approval),
    )
    if approval.supersedes is not None:
        tell_ended(approval.supersedes, "superseded")


def tell_ended(approval: Approval, by: str) -> None:
    """An approval ended before its date: `superseded`, `withdrawn` or `changed`."""
    tell(
        HookEvent.APPROVAL_ENDED,
        operator=approval.operator,
        reason=f"ended:{approval.pk}",
        content={**approval_record(approval), "ended_by": by},
    )


def tell_changed(setup: SetUp) -> None:
    """A new revision ends the approval that stood on the one before it."""
    stood = Approval.objects.filter(
        aircraft=setup.aircraft_id,
        setup__purpose_key=setup.purpose_key,
        setup__number=setup.number - 1,
        superseded_by__isnull=True,
        withdrawal__isnull=True,
    ).select_related("operator", "aircraft", "setup", "approved_by")
    for approval in stood:
        tell_ended(approval, "changed")


def tell_issued(paper: Paper) -> None:
    """A paper was issued."""
    assert paper.slip is not None
    tell(
        HookEvent.PAPER_ISSUED,
        operator=paper.operator,
        reason=f"issued:{paper.pk}",
        content={
            "id": str(paper.pk),
            "number": paper.slip.name,
            "kind": paper.kind,
            "title": paper.title,
            "valid_until": paper.valid_until.isoformat() if paper.valid_until else None,
            "digest": paper.digest,
        },
    )
