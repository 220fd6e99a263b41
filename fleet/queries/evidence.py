"""What an approval would rest on, or rests on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from fleet.models import Aircraft, AnalysisRun, Approval, FlightPass, SetUp
from fleet.queries.endings import approval_state
from fleet.queries.standing import evidence_gap


@dataclass(frozen=True, slots=True)
class AtSwath:
    """The evidence for one swath and way of flying; bounds are None with one pass."""

    swath_m: float
    cv_percent: float
    low_percent: float | None
    high_percent: float | None
    gap: str


def at_swath(analysis: AnalysisRun, swath_m: float, manner: str) -> AtSwath:
    """Look one swath up in the curve of an analysis, between its swaths by a straight line."""
    result = analysis.result
    curve = getattr(result.uniformity, manner)

    def at(values: Any) -> float:
        return float(np.interp(swath_m, result.uniformity.swath_m, values))

    low, high = at(curve.low_percent), at(curve.high_percent)
    return AtSwath(
        swath_m=swath_m,
        cv_percent=at(curve.cv_percent),
        low_percent=low if np.isfinite(low) else None,
        high_percent=high if np.isfinite(high) else None,
        gap=evidence_gap(analysis, swath_m, manner),
    )


def newer_setup(setup: SetUp) -> SetUp | None:
    """Return the newest later revision of the same aircraft and purpose, if there is one."""
    later: SetUp | None = (
        SetUp.objects.filter(
            aircraft=setup.aircraft_id, purpose_key=setup.purpose_key, number__gt=setup.number
        )
        .order_by("-number")
        .first()
    )
    return later


def approval_in_force(setup: SetUp) -> Approval | None:
    """Return the approval of this very revision that nothing has ended but perhaps its date."""
    found: Approval | None = (
        Approval.objects.filter(setup=setup, superseded_by__isnull=True, withdrawal__isnull=True)
        .select_related("approved_by", "setup")
        .first()
    )
    return found


def line_of(aircraft: Aircraft, purpose_key: str) -> list[Approval]:
    """Return all approvals of an aircraft for a purpose, newest first, with what ended them.

    Each has its `state`: a key of `endings.ENDINGS`.
    """
    rows = Approval.objects.filter(aircraft=aircraft, setup__purpose_key=purpose_key)
    judged = rows.annotate(state=approval_state())
    return list(
        judged.select_related("setup", "approved_by", "withdrawal__withdrawn_by", "superseded_by")
    )


@dataclass(frozen=True, slots=True)
class RestsOn:
    """One pass of an analysis: the file it was, and what became of it."""

    number: int
    file: str
    digest: str
    flight_pass: FlightPass | None
    outcome: Any


def passes_of_analysis(analysis: AnalysisRun) -> list[RestsOn]:
    """Return the passes an analysis rests on as they stood then, with the rows they are now."""
    now = {p.number: p for p in FlightPass.objects.filter(test=analysis.test_id)}
    return [
        RestsOn(entry["number"], entry["file"], entry["digest"], now.get(entry["number"]), outcome)
        for entry, outcome in zip(analysis.inputs["passes"], analysis.result.passes, strict=True)
    ]
