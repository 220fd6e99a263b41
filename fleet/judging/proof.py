"""A test held against the version of a rule that was in force on the day it was flown."""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from typing import Any, NamedTuple

from fleet.judging.days import window_around
from fleet.judging.facts import Air, AnalysisFacts, ApprovalFacts, FactsNeededError, TestFacts
from fleet.models import Evidence, RequirementVersion, Rhythm
from patterns.wind import ASTM_E642, angle_to_line_deg

WIND_LIMITS = frozenset({"wind_speed_m_s", "wind_angle_deg"})


class Finding(NamedTuple):
    """One thing a rule asks of a test, and whether it was so. `values` fill the sentence."""

    code: str
    kept: bool
    values: dict[str, Any]


def findings(test: TestFacts, version: RequirementVersion) -> list[Finding]:
    """Return what a version asks of a test, each kept or not."""
    return list(_asked(test, version))


def proves(test: TestFacts, version: RequirementVersion) -> bool:
    """Whether a test is all that a version asks for.

    Raises FactsNeededError where only the wind, which was not fetched, can tell.
    """
    if version.evidence == Evidence.APPROVAL and not test.approvals:
        return False  # most of a fleet's older tests: not worth a look
    return all(one.kept for one in _asked(test, version))


def _asked(test: TestFacts, version: RequirementVersion) -> Iterator[Finding]:
    """Yield what a version asks for, the wind last."""
    analysis = test.analyses[-1] if test.analyses else None
    yield _passes(test, analysis, version)
    if version.rhythm == Rhythm.SEASON:
        yield _window(test, version)
    approval = standing_approval(test)
    if version.evidence == Evidence.APPROVAL:
        yield _approval(test, approval)
    if version.signers:
        yield _signer(test, approval, version)
    if version.limits:
        yield from _limits(test, analysis, approval, version)


def standing_approval(test: TestFacts) -> ApprovalFacts | None:
    """Return the approval of a test that was neither superseded nor withdrawn, the longest valid.

    One test can have two: for one-way and for back-and-forth flying follow one another, so the
    last stands; the longest is taken should there be more.
    """
    standing = [one for one in test.approvals if one.stands]
    return max(standing, key=lambda one: one.valid_until) if standing else None


def approved_until(test: TestFacts, version: RequirementVersion) -> datetime.date | None:
    """Return how long the evidence itself is good for; None where it has no end of its own."""
    if version.evidence != Evidence.APPROVAL:
        return None
    approval = standing_approval(test)
    return approval.valid_until if approval else None


def _passes(
    test: TestFacts, analysis: AnalysisFacts | None, version: RequirementVersion
) -> Finding:
    needed = version.minimum_passes
    values = {"flown_on": test.flown_on, "needed": needed}
    if needed == 0:
        return Finding("flown", True, values)
    if analysis is None:
        return Finding("not_analysed", False, values)
    count = analysis.accepted_passes
    return Finding("passes", count >= needed, {**values, "count": count})


def _window(test: TestFacts, version: RequirementVersion) -> Finding:
    inside = window_around(version.season_first, version.season_last, test.flown_on)
    words = {"first": version.season_first, "last": version.season_last}
    return Finding("window", inside is not None, {"flown_on": test.flown_on, **words})


def _approval(test: TestFacts, approval: ApprovalFacts | None) -> Finding:
    if approval is not None:
        values = {"signer": approval.signer, "valid_until": approval.valid_until}
        return Finding("approval", True, values)
    taken = [one for one in test.approvals if one.withdrawn_at is not None]
    if taken:
        values = {
            "withdrawn_at": taken[-1].withdrawn_at,
            "reason": taken[-1].withdrawn_reason or "",
        }
        return Finding("withdrawn", False, values)
    if test.approvals:
        return Finding("superseded", False, {})
    return Finding("no_approval", False, {})


def _signer(
    test: TestFacts, approval: ApprovalFacts | None, version: RequirementVersion
) -> Finding:
    """Who signs is who approved; where a test alone is asked for, who ran it."""
    by_test = version.evidence == Evidence.TEST
    role = test.signer_role if by_test else (approval.signer_role if approval else "")
    values = {"role": role, "wanted": list(version.signers)}
    return Finding("signer", role in version.signers, values)


def _limits(
    test: TestFacts,
    analysis: AnalysisFacts | None,
    approval: ApprovalFacts | None,
    version: RequirementVersion,
) -> Iterator[Finding]:
    limits = version.limits
    if "cv_percent" in limits:
        of_test = analysis.cv_percent if analysis else None
        of_approval = approval.cv_percent if approval else None
        value = of_test if version.evidence == Evidence.TEST else of_approval
        yield _at_most("cv_percent", value, limits["cv_percent"])
    if WIND_LIMITS.isdisjoint(limits):
        return
    air = (analysis or test).air  # the wind that the analysis was made with stays as it was
    if air is None:
        raise FactsNeededError(tests=[test.key])
    if "wind_speed_m_s" in limits:
        yield _at_most("wind_speed_m_s", air.wind_speed_m_s, limits["wind_speed_m_s"])
    if "wind_angle_deg" in limits:
        yield _angle(air, limits["wind_angle_deg"])


def _at_most(code: str, value: float | None, limit: float) -> Finding:
    """What was not recorded cannot be taken as kept."""
    kept = value is not None and value <= limit * (1 + 1e-9)
    return Finding(code, kept, {"value": value, "limit": limit})


def _angle(air: Air, limit: float) -> Finding:
    if air.wind_speed_m_s is not None and air.wind_speed_m_s < ASTM_E642.calm_below_m_s:
        return Finding("calm", True, {"value": air.wind_speed_m_s})
    if air.wind_from_deg is None or air.line_heading_deg is None:
        return _at_most("wind_angle_deg", None, limit)
    angle = angle_to_line_deg(air.wind_from_deg, air.line_heading_deg)
    return _at_most("wind_angle_deg", angle, limit)
