"""Approvals: an analyst's frozen statement, superseded or withdrawn, never edited."""

from __future__ import annotations

import datetime

import numpy as np
from django.db import transaction
from django.utils import timezone

from fleet import audit, rules
from fleet.models import Aircraft, AnalysisRun, Approval, Manner, Person, SetUp, Withdrawal
from fleet.queries.standing import evidence_gap
from fleet.services.base import refuse
from fleet.services.telling import tell_ended, tell_granted
from fleet.validators import check_ranges, check_valid_until

APPROVAL_FIELDS = (
    "swath_m",
    "manner",
    "valid_until",
    "cv_percent",
    "note",
    "outside_reason",
    "setup",
    "analysis",
    "supersedes",
)


@transaction.atomic
def approve(
    analysis: AnalysisRun,
    *,
    by: Person,
    swath_m: float,
    manner: str,
    valid_until: datetime.date,
    note: str = "",
    outside_reason: str = "",
) -> Approval:
    """Approve a swath for the set-up that was tested, on this analysis.

    Supersedes the approval in force for the same set-up. A swath outside the evidence needs a
    written reason.
    """
    rules.allow(rules.may_approve, by)
    setup = analysis.test.setup
    # Whoever approves the same aircraft at the same moment waits here.
    aircraft = Aircraft.objects.select_for_update().get(pk=setup.aircraft_id)
    _check(analysis, setup, swath_m, manner, valid_until, outside_reason)
    curve = getattr(analysis.result.uniformity, manner)
    swaths = analysis.result.uniformity.swath_m
    high = float(np.interp(swath_m, swaths, curve.high_percent))
    earlier = Approval.objects.filter(
        setup=setup, superseded_by__isnull=True, withdrawal__isnull=True
    ).first()
    approval = Approval(
        operator=analysis.operator,
        aircraft=aircraft,
        setup=setup,
        analysis=analysis,
        swath_m=swath_m,
        manner=manner,
        cv_percent=float(np.interp(swath_m, swaths, curve.cv_percent)),
        cv_high_percent=high if np.isfinite(high) else None,
        approved_by=by,
        valid_until=valid_until,
        note=note.strip(),
        outside_reason=outside_reason.strip(),
        supersedes=earlier,
    )
    approval.save(force_insert=True)
    audit.record(
        "approval_granted",
        approval,
        by=by,
        operator=analysis.operator,
        after=audit.values(approval, APPROVAL_FIELDS),
    )
    tell_granted(approval)
    return approval


def _check(
    analysis: AnalysisRun,
    setup: SetUp,
    swath_m: float,
    manner: str,
    valid_until: datetime.date,
    outside_reason: str,
) -> None:
    errors = {
        **check_ranges({"swath_m": swath_m}),
        **check_valid_until(valid_until, timezone.localdate()),
    }
    if manner not in Manner.values:
        errors["manner"] = [f"Must be one of {', '.join(Manner.values)}."]
    refuse(errors)
    if analysis.accepted_passes < 1:
        errors["analysis"] = ["No pass of this analysis was accepted."]
    later = SetUp.objects.filter(
        aircraft=setup.aircraft_id, purpose_key=setup.purpose_key, number__gt=setup.number
    ).first()
    if later is not None:
        errors["analysis"] = [f"The set-up was changed to revision {later.number}; test again."]
    gap = evidence_gap(analysis, swath_m, manner)
    if gap and not outside_reason.strip():
        errors["outside_reason"] = [f"{gap} Write down why it is approved all the same."]
    refuse(errors)


@transaction.atomic
def withdraw(approval: Approval, *, by: Person, reason: str) -> Withdrawal:
    """Take an approval back before its date."""
    rules.allow(rules.may_approve, by)
    if not reason.strip():
        refuse({"reason": ["Say why; it stands beside the approval for good."]})
    Aircraft.objects.select_for_update().get(pk=approval.aircraft_id)
    if Withdrawal.objects.filter(approval=approval).exists():
        refuse({"approval": ["It was withdrawn before."]})
    if Approval.objects.filter(supersedes=approval).exists():
        refuse({"approval": ["A newer approval stands in its place; withdraw that one."]})
    withdrawal = Withdrawal(
        operator=approval.operator, approval=approval, withdrawn_by=by, reason=reason.strip()
    )
    withdrawal.save(force_insert=True)
    audit.record(
        "approval_withdrawn",
        approval,
        by=by,
        operator=approval.operator,
        after={"reason": withdrawal.reason},
    )
    tell_ended(approval, "withdrawn")
    return withdrawal
