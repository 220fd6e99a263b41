"""What judging looks at, free of records: tests, approvals, set-ups, and a rule's versions."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from fleet.models import RequirementVersion


class Air(NamedTuple):
    """The wind over the string, and where the line ran; None for what was not recorded."""

    wind_speed_m_s: float | None = None
    wind_from_deg: float | None = None
    line_heading_deg: float | None = None


NO_AIR = Air()


class AnalysisFacts(NamedTuple):
    """One analysis. `cv_percent` is at the swath recommended for the set-up's way of flying.

    The wind is that which the analysis was made with; None where it was not fetched.
    """

    number: int
    accepted_passes: int
    cv_percent: float | None = None
    recorded_at: datetime.datetime | None = None
    air: Air | None = NO_AIR


class ApprovalFacts(NamedTuple):
    """One approval, and what ended it before its date."""

    signer: str
    signer_role: str
    valid_until: datetime.date
    cv_percent: float | None = None
    recorded_at: datetime.datetime | None = None
    superseded_at: datetime.datetime | None = None
    withdrawn_at: datetime.datetime | None = None
    withdrawn_reason: str | None = None

    @property
    def stands(self) -> bool:
        """Whether nothing ended it; its date is another matter."""
        return self.superseded_at is None and self.withdrawn_at is None


class TestFacts(NamedTuple):
    """One test: the set-up it was flown with, its analyses and approvals in order of time.

    `air` is None where it was not fetched; `key` is by which it is found then.
    """

    purpose_key: str
    revision: int
    flown_on: datetime.date
    signer_role: str
    analyses: tuple[AnalysisFacts, ...] = ()
    approvals: tuple[ApprovalFacts, ...] = ()
    air: Air | None = NO_AIR
    recorded_at: datetime.datetime | None = None
    key: Any = None


TestFacts.__test__ = False  # type: ignore[attr-defined]  # pytest goes by names


class Revision(NamedTuple):
    """One revision of a set-up. `nozzles` is None where they were not fetched.

    `setup_id` is the key as the database holds it.
    """

    setup_id: Any
    number: int
    recorded_at: datetime.datetime
    boom_width_m: float
    pressure_kpa: float
    airspeed_m_s: float
    release_height_m: float
    nozzles: list[dict[str, Any]] | None = None


class Stub(NamedTuple):
    """A revision of which only the number was fetched: all that most judgements look at."""

    setup_id: Any
    number: int


class FactsNeededError(LookupError):
    """What judging came upon that was not fetched: revisions by set-up, and the air of a test."""

    def __init__(self, revisions: Sequence[Any] = (), tests: Sequence[Any] = ()) -> None:
        super().__init__(f"{len(revisions)} set-ups and {len(tests)} tests must be looked at")
        self.revisions = tuple(revisions)
        self.tests = tuple(tests)


@dataclass(frozen=True, slots=True)
class Line:
    """The revisions of an aircraft for one purpose, oldest first."""

    purpose_key: str
    purpose: str
    revisions: tuple[Revision | Stub, ...]


@dataclass(frozen=True, slots=True)
class Rule:
    """A requirement's versions in the order in which they take effect."""

    versions: tuple[RequirementVersion, ...]
    ended_on: datetime.date | None = None

    def on(self, day: datetime.date) -> RequirementVersion | None:
        """Return the version in force on a day, or None."""
        if self.ended_on is not None and day > self.ended_on:
            return None
        in_force = None
        for version in self.versions:
            if version.effective_from <= day:
                in_force = version
        return in_force

    def judging(self, flown_on: datetime.date) -> RequirementVersion:
        """Return the version a test is judged under: that of its day, or else the first."""
        return self.on(flown_on) or self.versions[0]

    def rhythm_since(self, day: datetime.date) -> datetime.date:
        """Return since when the rule has had the rhythm it has on a day."""
        known = [version for version in self.versions if version.effective_from <= day]
        since = known[-1].effective_from
        for version in reversed(known):
            if version.rhythm != known[-1].rhythm:
                break
            since = version.effective_from
        return since


@dataclass(frozen=True, slots=True)
class WaiverFacts:
    """A waiver that is in force."""

    until_on: datetime.date
    reason: str
    granted_by: str


@dataclass(frozen=True, slots=True)
class Case:
    """One rule before one aircraft on one day.

    `bound_from` is the day since which the rule has bound the aircraft, as far as is on record.
    """

    rule: Rule
    today: datetime.date
    zone: ZoneInfo
    kind: str
    bound_from: datetime.date
    lines: tuple[Line, ...] = ()
    tests: tuple[TestFacts, ...] = field(default=())  # newest first
    waiver: WaiverFacts | None = None
    out_of_service_on: datetime.date | None = None
    operator_left_on: datetime.date | None = None


def as_on_record(test: TestFacts, cut: datetime.datetime) -> TestFacts | None:
    """Return what was on record of a test before a moment, or None where there was nothing."""
    if not _before(test.recorded_at, cut):
        return None
    return test._replace(
        analyses=tuple(one for one in test.analyses if _before(one.recorded_at, cut)),
        approvals=tuple(
            one._replace(
                superseded_at=one.superseded_at if _before(one.superseded_at, cut) else None,
                withdrawn_at=one.withdrawn_at if _before(one.withdrawn_at, cut) else None,
            )
            for one in test.approvals
            if _before(one.recorded_at, cut)
        ),
    )


def lines_on_record(lines: tuple[Line, ...], cut: datetime.datetime) -> tuple[Line, ...]:
    """Return the lines as they were on record before a moment."""
    seen = (
        replace(line, revisions=tuple(r for r in line.revisions if _known(r, cut)))
        for line in lines
    )
    return tuple(line for line in seen if line.revisions)


def _known(revision: Revision | Stub, cut: datetime.datetime) -> bool:
    if isinstance(revision, Stub):
        raise FactsNeededError([revision.setup_id])
    return _before(revision.recorded_at, cut)


def _before(moment: datetime.datetime | None, cut: datetime.datetime) -> bool:
    return moment is not None and moment < cut
