"""What a season's papers are to be about, kind by kind, and how far a batch of them is."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from fleet.models import Approval, Job, JobState, Operator, PaperBatch, PaperKind, Person, Season


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


GATHERED: Final[Mapping[str, Callable[[Person, Season], Iterator[Wanted]]]] = {
    PaperKind.TEST_REPORT: _test_reports,
    PaperKind.SWATH_CARD: _swath_cards,
    PaperKind.FLEET_STATEMENT: _fleet_statements,
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
