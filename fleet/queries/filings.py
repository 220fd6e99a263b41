"""Filings: what must go where by when, and how each stands."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from django.db.models import Case, IntegerField, OuterRef, Q, QuerySet, Subquery, Value, When
from django.db.models.functions import Coalesce
from django.utils import timezone

from fleet.models import Filing, FilingStep, Paper, Person, StepKind
from fleet.queries.papers import papers_of

# What ends a filing; everything else stays on the board, however late it is.
SETTLED = (StepKind.ACKNOWLEDGED, StepKind.DROPPED)
SENT = (StepKind.SENT, StepKind.CORRECTED)
SOON = datetime.timedelta(days=7)

# Which steps may follow which; the first is the usual one.
FOLLOWS: dict[str, tuple[str, ...]] = {
    "": (StepKind.PREPARED, StepKind.DROPPED),
    StepKind.PREPARED: (StepKind.SENT, StepKind.PREPARED, StepKind.DROPPED),
    StepKind.SENT: (StepKind.ACKNOWLEDGED, StepKind.REJECTED, StepKind.DROPPED),
    StepKind.REJECTED: (StepKind.CORRECTED, StepKind.DROPPED),
    StepKind.CORRECTED: (StepKind.ACKNOWLEDGED, StepKind.REJECTED, StepKind.DROPPED),
    StepKind.ACKNOWLEDGED: (),
    StepKind.DROPPED: (),
}
NEXT = {
    "": "Prepare the paper.",
    StepKind.PREPARED: "Send it.",
    StepKind.SENT: "Wait for the answer that comes back.",
    StepKind.CORRECTED: "Wait for the answer that comes back.",
    StepKind.REJECTED: "Correct it and send it again.",
    StepKind.ACKNOWLEDGED: "",
    StepKind.DROPPED: "",
}
# How a filing is drawn when it is neither late nor due soon: the code of a state, and words.
DRAWN = {
    "": ("untested", "To prepare"),
    StepKind.PREPARED: ("queued", "Prepared"),
    StepKind.SENT: ("waiting", "Sent"),
    StepKind.CORRECTED: ("waiting", "Sent again"),
    StepKind.REJECTED: ("failed", "Sent back"),
    StepKind.ACKNOWLEDGED: ("done", "Acknowledged"),
    StepKind.DROPPED: ("cancelled", "No longer asked for"),
}
# The parts of the board, in the order in which they are read; settled ones lie behind a tab.
PLACES = ("late", "soon", "later", "waiting", "settled")


@dataclass(frozen=True, slots=True)
class Standing:
    """How a filing stands: the last step, whether it is late, and what is to be done next."""

    step: str
    is_late: bool
    is_soon: bool
    next: str

    @property
    def is_settled(self) -> bool:
        """Whether nothing more is asked."""
        return self.step in SETTLED

    @property
    def drawn(self) -> tuple[str, str]:
        """Return the code of its state and the words of it."""
        if self.is_late:
            return "overdue", "Late"
        return ("due_soon", "Due soon") if self.is_soon else DRAWN[self.step]

    @property
    def words(self) -> str:
        """Return what was done last, in words."""
        return DRAWN[self.step][1]


def filings_of(person: Person) -> QuerySet[Filing]:
    """Filings a person may see, each with the kind of its last step in `last_step`."""
    last = FilingStep.objects.filter(filing=OuterRef("pk")).order_by("-created_at", "-id")
    rows: QuerySet[Filing] = Filing.objects.select_related(
        "operator",
        "jurisdiction",
        "version__requirement",
        "aircraft",
        "test__visit",
        "season",
    ).annotate(last_step=Coalesce(Subquery(last.values("kind")[:1]), Value("")))
    if person.sees_everyone:
        return rows
    return rows.filter(operator=person.operator_id) if person.operator_id else rows.none()


def open_filings(rows: QuerySet[Filing]) -> QuerySet[Filing]:
    """Keep those that are not settled."""
    return rows.exclude(last_step__in=SETTLED)  # type: ignore[misc] # of `filings_of`


def on_board(rows: QuerySet[Filing], *, now: datetime.datetime | None = None) -> QuerySet[Filing]:
    """Return filings with their `place` among `PLACES`, in the order of the board."""
    now = now or timezone.now()
    place = Case(
        When(last_step__in=SETTLED, then=PLACES.index("settled")),
        When(last_step__in=SENT, then=PLACES.index("waiting")),
        When(due_at__lt=now, then=PLACES.index("late")),
        When(due_at__lte=now + SOON, then=PLACES.index("soon")),
        default=PLACES.index("later"),
        output_field=IntegerField(),
    )
    never = Value(datetime.datetime.max.replace(tzinfo=datetime.UTC, year=9000))
    return rows.annotate(place=place).order_by("place", Coalesce("due_at", never), "id")


def standing_of(filing: Filing, *, now: datetime.datetime | None = None) -> Standing:
    """Say how a filing stands. One that was sent is late no more; sent back, it is again."""
    now = now or timezone.now()
    step: str = filing.last_step  # type: ignore[attr-defined]
    waits_for_us = step not in (*SETTLED, *SENT)
    is_late = waits_for_us and filing.due_at is not None and filing.due_at < now
    is_soon = waits_for_us and not is_late and filing.due_at is not None
    is_soon = is_soon and filing.due_at - now <= SOON  # type: ignore[operator]
    return Standing(step, is_late, is_soon, NEXT[step])


def due_where_asked(filing: Filing) -> datetime.datetime | None:
    """Return when a filing is due, on the clock of the jurisdiction that asks for it."""
    zone = ZoneInfo(filing.jurisdiction.time_zone)
    return filing.due_at.astimezone(zone) if filing.due_at else None


def papers_for(person: Person, filing: Filing) -> QuerySet[Paper]:
    """Issued papers that may be sent for a filing: those of its operator that stand.

    Those about its test, or its season and jurisdiction, come first, then those about its aircraft,
    then the newest.
    """
    if filing.season_id:
        first = Q(slip__season=filing.season_id, slip__jurisdiction=filing.jurisdiction_id)
        whens = [When(first, then=0)]
    else:
        whens = [
            When(Q(analysis__test=filing.test_id), then=0),
            When(Q(slip__aircraft=filing.aircraft_id), then=1),
        ]
    about = Case(*whens, default=2, output_field=IntegerField())
    return (
        papers_of(person)
        .filter(operator=filing.operator_id)
        .filter(withdrawal__isnull=True, superseded_by__isnull=True)
        .annotate(about=about)
        .order_by("about", "-created_at", "-id")
    )


def steps_of(person: Person) -> QuerySet[FilingStep]:
    """Steps of the filings that a person may see."""
    rows: QuerySet[FilingStep] = FilingStep.objects.select_related(
        "recorded_by", "paper__slip__series"
    )
    if person.sees_everyone:
        return rows
    return rows.filter(operator=person.operator_id) if person.operator_id else rows.none()
