"""Rows as plain data, the way papers and feeds say them: SI, keys as text, dates as ISO 8601."""

from __future__ import annotations

from typing import Any

from fleet.models import Approval


def approval_record(approval: Approval) -> dict[str, Any]:
    """Return what an approval states."""
    return {
        "id": str(approval.pk),
        "aircraft": approval.aircraft.registration,
        "setup": str(approval.setup),
        "setup_id": str(approval.setup_id),
        "analysis_id": str(approval.analysis_id),
        "swath_m": approval.swath_m,
        "manner": approval.manner,
        "cv_percent": approval.cv_percent,
        "cv_high_percent": approval.cv_high_percent,
        "approved_by": approval.approved_by.name,
        "approved_at": approval.created_at.isoformat(),
        "valid_until": approval.valid_until.isoformat(),
        "note": approval.note,
        "outside_reason": approval.outside_reason,
    }
