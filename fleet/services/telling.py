"""What the deeds of the service tell the webhooks, each within the transaction of its deed."""

from __future__ import annotations

from collections.abc import Iterable

from fleet.models import Approval, HookEvent, Paper, SetUp
from fleet.queries.duties import Duty
from fleet.queries.hooks import told_before
from fleet.queries.records import approval_record
from fleet.services.hooks import listening, tell


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


def tell_due_soon(duties: Iterable[Duty]) -> int:
    """An aircraft must be tested soon: once for each aircraft, rule and day. How many are new.

    Two queries for all that was told before, so that asking every day costs next to nothing.
    """
    soon = {
        f"due_soon:{duty.aircraft.pk}:{duty.requirement.pk}:{duty.due_on}": duty
        for duty in duties
        if duty.state == "due_soon" and duty.due_on is not None
    }
    hooks = listening(HookEvent.DUE_SOON)
    told = told_before(HookEvent.DUE_SOON, list(soon)) if hooks else set()
    fresh = [
        (reason, duty)
        for reason, duty in soon.items()
        if any(
            hook.operator_id in (None, duty.aircraft.operator_id) and (hook.pk, reason) not in told
            for hook in hooks
        )
    ]
    for reason, duty in fresh:
        tell(
            HookEvent.DUE_SOON,
            operator=duty.aircraft.operator,
            reason=reason,
            content=_due_record(duty),
        )
    return len(fresh)


def _due_record(duty: Duty) -> dict[str, object]:
    assert duty.due_on is not None
    return {
        "aircraft_id": str(duty.aircraft.pk),
        "aircraft": duty.aircraft.registration,
        "operator_id": str(duty.aircraft.operator_id),
        "requirement_id": str(duty.requirement.pk),
        "requirement": duty.requirement.name,
        "jurisdiction": duty.requirement.jurisdiction.name,
        "due_on": duty.due_on.isoformat(),
        "why": list(duty.why),
    }
