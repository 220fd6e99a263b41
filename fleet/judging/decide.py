"""Whether one rule is met by one aircraft on one day, until when, and what decides it.

Whether a test counts is judged under the version in force on the day it was flown; how long it is
good for, and which changes of a set-up ask for another, by the version in force on the day of
judging. So a version recorded later changes nothing as of an earlier day.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from fleet.judging.changes import NOZZLE_KEYS, Change, changes_between
from fleet.judging.days import months_after, window_around, window_closing
from fleet.judging.facts import Case, FactsNeededError, Line, Revision, Stub, TestFacts
from fleet.judging.proof import approved_until, proves
from fleet.models import Covers, RequirementVersion, Rhythm

DutyState = Literal["met", "due_soon", "overdue", "not_covered", "waived"]
# What ends a proof, or why there is none.
Ending = Literal["rhythm", "approval", "changed", "endless", "unproved"]
Outside = Literal["", "not_yet", "ended", "kind", "retired", "left", "no_setup"]

ENDLESS = datetime.date.max
_DAY = datetime.timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Part:
    """How the aircraft, or one of its lines of set-ups, stands.

    `until` is the last day on which the best proof holds (`ENDLESS` where nothing ends it, None
    without a proof); `due_on` the last day to test, or the day from which it is overdue.
    """

    line: Line | None
    state: DutyState
    until: datetime.date | None
    due_on: datetime.date | None
    ending: Ending
    test: TestFacts | None = None
    changed_on: datetime.date | None = None
    changes: tuple[Change, ...] = ()
    opens_on: datetime.date | None = None


@dataclass(frozen=True, slots=True)
class Verdict:
    """How a rule stands before an aircraft. `parts` are several where each set-up is covered."""

    case: Case
    version: RequirementVersion | None
    state: DutyState
    met_until: datetime.date | None
    due_on: datetime.date | None
    outside: Outside = ""
    parts: tuple[Part, ...] = ()


def decide(case: Case) -> Verdict:
    """Judge one rule before one aircraft on the day of the case.

    Raises FactsNeededError where something that decides is not among the facts: the figures or
    the nozzles of a set-up that was changed, the wind of a test.
    """
    version = case.rule.on(case.today)
    outside = _outside(case, version)
    if outside or version is None:
        return Verdict(case, version, "not_covered", None, None, outside)
    if version.covers == Covers.SETUP:
        parts = tuple(_part(case, version, [line], line) for line in case.lines)
    else:
        parts = (_part(case, version, case.lines, None),)
    return _waived(case, _together(case, version, parts))


def _outside(case: Case, version: RequirementVersion | None) -> Outside:
    if case.out_of_service_on is not None and case.out_of_service_on <= case.today:
        return "retired"
    if case.operator_left_on is not None and case.operator_left_on <= case.today:
        return "left"
    if version is None:
        ended = case.rule.ended_on is not None and case.rule.ended_on < case.today
        return "ended" if ended else "not_yet"
    if version.kinds and case.kind not in version.kinds:
        return "kind"
    if version.covers == Covers.SETUP and not case.lines:
        return "no_setup"
    return ""


def _together(case: Case, version: RequirementVersion, parts: Sequence[Part]) -> Verdict:
    """The worst part decides; parts that nothing is asked of yet decide only among themselves."""
    asked = [part for part in parts if part.state != "not_covered"] or list(parts)
    order: tuple[DutyState, ...] = ("overdue", "due_soon", "met", "not_covered")
    state = min((part.state for part in asked), key=order.index)
    untils = [part.until for part in asked if part.until is not None]
    until = min(untils) if len(untils) == len(asked) else None
    dues = [part.due_on for part in asked if part.due_on is not None]
    return Verdict(
        case,
        version,
        state,
        None if until == ENDLESS else until,
        min(dues) if dues else None,
        "",
        tuple(parts),
    )


def _waived(case: Case, verdict: Verdict) -> Verdict:
    if case.waiver is None:
        return verdict
    endless = verdict.state == "met" and verdict.met_until is None
    until = None if endless else max(case.waiver.until_on, verdict.met_until or datetime.date.min)
    return Verdict(case, verdict.version, "waived", until, until, "", verdict.parts)


def _part(
    case: Case, version: RequirementVersion, lines: Sequence[Line], line: Line | None
) -> Part:
    """Find the test that holds longest; the newest is looked at first."""
    by_key = {one.purpose_key: one for one in lines}
    best: Part | None = None
    for test in case.tests:
        tested = by_key.get(test.purpose_key)
        if tested is None or test.flown_on > case.today:
            continue
        longest = _good_until(case, version, test)
        if longest is None:
            continue
        if best and best.until and best.until >= longest:
            if version.rhythm == Rhythm.SEASON:
                continue
            break  # an older one is good for no longer
        try:
            if not proves(test, case.rule.judging(test.flown_on)):
                continue
        except FactsNeededError as error:
            if test.revision == tested.revisions[-1].number:
                raise
            raise FactsNeededError(_since(tested, test.revision), error.tests) from error
        part = _proved(case, version, line, tested, test)
        if best is None or (part.until or ENDLESS) > (best.until or ENDLESS):
            best = part
    return best or _unproved(case, version, line)


def _good_until(case: Case, version: RequirementVersion, test: TestFacts) -> datetime.date | None:
    """Return the last day a test is good for by the rhythm; None where it counts for nothing."""
    if version.rhythm == Rhythm.INTERVAL:
        return months_after(test.flown_on, version.interval_months or 0)
    if version.rhythm == Rhythm.ONCE:
        return ENDLESS
    # A test fills the season in whose window it was flown, by the version of its own day.
    then = case.rule.judging(test.flown_on)
    window = then if then.rhythm == Rhythm.SEASON else version
    season = window_around(window.season_first, window.season_last, test.flown_on)
    if season is None:
        return None
    return window_closing(version.season_first, version.season_last, season.last + _DAY).last


def _proved(
    case: Case, version: RequirementVersion, line: Line | None, tested: Line, test: TestFacts
) -> Part:
    until = _good_until(case, version, test)
    assert until is not None
    ending: Ending = "endless" if until == ENDLESS else "rhythm"
    approved = approved_until(test, case.rule.judging(test.flown_on))
    if approved is not None and approved < until:
        until, ending = approved, "approval"
    changed_on, changes = _changed(case, version, tested, test.revision)
    if any(one.asks for one in changes) and changed_on is not None:
        asked_on = max(changed_on, version.effective_from)
        if asked_on <= until:
            return Part(
                line, "overdue", asked_on - _DAY, asked_on, "changed", test, changed_on, changes
            )
    due_on = None if until == ENDLESS else until
    state = _state(case, version, until)
    return Part(line, state, until, due_on, ending, test, changed_on, changes)


def _state(case: Case, version: RequirementVersion, until: datetime.date) -> DutyState:
    if until < case.today:
        return "overdue"
    return "due_soon" if (until - case.today).days <= version.due_soon_days else "met"


def _changed(
    case: Case, version: RequirementVersion, line: Line, revision: int
) -> tuple[datetime.date | None, tuple[Change, ...]]:
    """Return since when the set-up has differed from what was tested, and in what.

    Where a change asks for a new test, the day is that of the first revision since which one
    always did: a set-up put back to what was tested ends the matter.
    """
    tested = _revision(line, revision)
    now = line.revisions[-1]
    if tested is None or now.number == revision:
        return None, ()
    tested, now = _fetched(line, tested, version), _fetched(line, now, version)
    changes = changes_between(tested, now, version.retest)
    since = now
    if any(one.asks for one in changes):
        for earlier in reversed(line.revisions[:-1]):
            if earlier.number <= revision:
                break
            known = _fetched(line, earlier, version)
            if not any(one.asks for one in changes_between(tested, known, version.retest)):
                break
            since = known
    return since.recorded_at.astimezone(case.zone).date(), changes


def _revision(line: Line, number: int) -> Revision | Stub | None:
    return next((one for one in line.revisions if one.number == number), None)


def _since(line: Line, number: int) -> list[Any]:
    """Return the keys of a revision and of those after it."""
    return [one.setup_id for one in line.revisions if one.number >= number]


def _fetched(line: Line, one: Revision | Stub, version: RequirementVersion) -> Revision:
    """Return a revision with all that a version compares."""
    blind = not isinstance(one, Stub) and one.nozzles is None
    if isinstance(one, Stub) or (blind and not NOZZLE_KEYS.isdisjoint(version.retest)):
        raise FactsNeededError(_since(line, one.number))
    return one


def _unproved(case: Case, version: RequirementVersion, line: Line | None) -> Part:
    """Nothing on record counts: due since the rule binds, or by the end of the first season."""
    bound = case.bound_from
    if line is not None:
        first = line.revisions[0]
        if isinstance(first, Stub):
            raise FactsNeededError([first.setup_id])
        bound = max(bound, first.recorded_at.astimezone(case.zone).date())
    if version.rhythm != Rhythm.SEASON:
        return Part(line, "overdue", None, bound, "unproved")
    start = max(bound, case.rule.rhythm_since(case.today))
    window = window_closing(version.season_first, version.season_last, start)
    state: DutyState = "due_soon"
    if window.last < case.today:
        state = "overdue"
    elif window.first > case.today:
        state = "not_covered"
    return Part(line, state, None, window.last, "unproved", opens_on=window.first)
