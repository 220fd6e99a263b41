"""What a season's papers are to be about, kind by kind, and how far a batch of them is."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from django.utils import timezone

from fleet.models import (
    Approval,
    Gift,
    Job,
    JobState,
    Jurisdiction,
    Operator,
    PaperBatch,
    PaperKind,
    Person,
    Season,
    Visit,
)
from fleet.queries.duties import duties


@dataclass(frozen=True, slots=True)
class Wanted:
    """One paper that a season asks for: its kind, whose it is, what it is about."""

    kind: str
    operator: Operator | None
    about: Mapping[str, Any] = field(default_factory=dict)


def wanted(person: Person, season: Season, kinds: list[str]) -> list[Wanted]:
    """Return what a person may have issued for a season, kind by kind."""
    return [one for kind in kinds for one in GATHERED[kind](person, season)]


def _approvals(season: Season) -> Any:
    """Approvals that stand on tests flown in a season, whatever became of the set-up since."""
    return (
        Approval.objects.filter(
            analysis__test__flown_on__range=(season.starts_on, season.ends_on),
            superseded_by__isnull=True,
            withdrawal__isnull=True,
        )
        .select_related("operator", "aircraft__operator", "analysis")
        .order_by("operator__name", "aircraft__registration", "created_at")
    )


def _test_reports(person: Person, season: Season) -> Iterator[Wanted]:
    for approval in _approvals(season).defer("analysis__document", "analysis__inputs"):
        about = {"analysis": approval.analysis, "approval": approval}
        yield Wanted(PaperKind.TEST_REPORT, approval.operator, about)


def _swath_cards(person: Person, season: Season) -> Iterator[Wanted]:
    seen = set()
    for approval in _approvals(season).filter(aircraft__retired_on__isnull=True):
        if approval.aircraft_id not in seen:
            seen.add(approval.aircraft_id)
            about = {"aircraft": approval.aircraft}
            yield Wanted(PaperKind.SWATH_CARD, approval.operator, about)


def _fleet_statements(person: Person, season: Season) -> Iterator[Wanted]:
    members = Operator.objects.filter(memberships__season=season).order_by("name", "id")
    for operator in members:
        yield Wanted(PaperKind.FLEET_STATEMENT, operator)


def _certificates(person: Person, season: Season) -> Iterator[Wanted]:
    """One for each aircraft and rule that is met now: a certificate speaks for its day."""
    for duty in duties(person):
        if duty.state in ("met", "due_soon"):
            about = {"aircraft": duty.aircraft, "requirement": duty.requirement}
            yield Wanted(PaperKind.CERTIFICATE, duty.aircraft.operator, about)


def _season_returns(person: Person, season: Season) -> Iterator[Wanted]:
    for jurisdiction in Jurisdiction.objects.filter(requirements__isnull=False).distinct():
        about = {"jurisdiction": jurisdiction, "season": season}
        yield Wanted(PaperKind.SEASON_RETURN, None, about)


def _visit_summaries(person: Person, season: Season) -> Iterator[Wanted]:
    visits = Visit.objects.filter(
        starts_on__range=(season.starts_on, season.ends_on),
        ends_on__lt=timezone.localdate(),
        cancelled_on__isnull=True,
    )
    for visit in visits.order_by("starts_on", "id"):
        yield Wanted(PaperKind.VISIT_SUMMARY, None, {"visit": visit})


def _participation(person: Person, season: Season) -> Iterator[Wanted]:
    yield Wanted(PaperKind.PARTICIPATION, None, {"season": season})


def _thanks(person: Person, season: Season) -> Iterator[Wanted]:
    givers = Gift.objects.filter(season=season).order_by("giver").values_list("giver", flat=True)
    for giver in givers.distinct():
        yield Wanted(PaperKind.THANKS, None, {"season": season, "giver": giver})


GATHERED: Final[Mapping[str, Callable[[Person, Season], Iterator[Wanted]]]] = {
    PaperKind.TEST_REPORT: _test_reports,
    PaperKind.SWATH_CARD: _swath_cards,
    PaperKind.CERTIFICATE: _certificates,
    PaperKind.FLEET_STATEMENT: _fleet_statements,
    PaperKind.SEASON_RETURN: _season_returns,
    PaperKind.VISIT_SUMMARY: _visit_summaries,
    PaperKind.PARTICIPATION: _participation,
    PaperKind.THANKS: _thanks,
}


@dataclass(frozen=True, slots=True)
class BatchProgress:
    """How far a batch is: numbers taken, papers issued, numbers given up, papers in trouble."""

    slips: int
    issued: int
    given_up: int
    in_trouble: int

    @property
    def waiting(self) -> int:
        """Return how many are still to be made."""
        return self.slips - self.issued - self.given_up - self.in_trouble

    @property
    def share(self) -> float:
        """Return the share that is settled, 0 to 1."""
        return (self.slips - self.waiting) / self.slips if self.slips else 1.0


def progress_of(batch: PaperBatch) -> BatchProgress:
    """Count how far a batch is."""
    slips = list(batch.slips.values_list("pk", "paper__pk", "void__pk"))
    open_slips = [pk for pk, paper, void in slips if paper is None and void is None]
    newest: dict[Any, str] = {}
    jobs = Job.objects.filter(kind="paper", subject_id__in=open_slips).order_by("created_at", "id")
    for pk, state in jobs.values_list("subject_id", "state"):
        newest[pk] = state
    states = Counter(newest.values())
    return BatchProgress(
        slips=len(slips),
        issued=sum(paper is not None for _, paper, _ in slips),
        given_up=sum(void is not None for _, _, void in slips),
        in_trouble=states[JobState.FAILED] + states[JobState.CRASHED],
    )
