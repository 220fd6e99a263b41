"""The rows behind lists and details: those of `queries.whose`, with what the API shows of them."""

from __future__ import annotations

from django.db.models import Case, CharField, F, OuterRef, Q, QuerySet, Subquery, Value, When
from django.db.models.functions import Coalesce

from fleet.models import (
    ENDED,
    AnalysisRun,
    CardRun,
    CardScan,
    Job,
    JobState,
    Paper,
    PaperSlip,
    Person,
    TourProposal,
)
from fleet.models.papers import SHORT
from fleet.queries.cards import with_outlines
from fleet.queries.papers import papers_of, slips_of
from fleet.queries.progress import HEAVY
from fleet.queries.whose import (
    analyses_of,
    card_runs_of,
    card_scans_of,
    jobs_of,
    proposals_of,
)

HEAVY_CARDS = ("document", "parameters")
HEAVY_TOURS = ("document", "inputs")


def light_analyses_of(person: Person) -> QuerySet[AnalysisRun]:
    """Analyses without their documents."""
    return analyses_of(person).defer(*HEAVY)


def light_jobs_of(person: Person) -> QuerySet[Job]:
    """Jobs with what came of them, without the inputs they hold or the documents they made."""
    return (
        jobs_of(person)
        .select_related("card_run", "proposal", "export")
        .defer(
            "parameters",
            *(f"analysis__{name}" for name in HEAVY),
            *(f"card_run__{name}" for name in HEAVY_CARDS),
            *(f"proposal__{name}" for name in HEAVY_TOURS),
        )
    )


def card_scans_with_work_of(person: Person) -> QuerySet[CardScan]:
    """Scans of cards, each with `measurement`, the latest, whether that awaits confirmation, and
    `job`, the last, and its state.
    """
    runs = CardRun.objects.filter(scan=OuterRef("pk")).order_by("-number")
    jobs = Job.objects.filter(kind="cards", subject_id=OuterRef("pk")).order_by(
        "-created_at", "-id"
    )
    return with_outlines(card_scans_of(person)).annotate(
        measurement=Subquery(runs.values("pk")[:1]),
        job=Subquery(jobs.values("pk")[:1]),
        job_state=Subquery(jobs.values("state")[:1]),
    )


def light_card_runs_of(person: Person) -> QuerySet[CardRun]:
    """Measurements of cards without their documents."""
    return card_runs_of(person).defer(*HEAVY_CARDS)


def light_proposals_of(person: Person) -> QuerySet[TourProposal]:
    """Proposals of tours without the tours."""
    return proposals_of(person).defer(*HEAVY_TOURS, "job__parameters")


def light_papers_of(person: Person) -> QuerySet[Paper]:
    """Papers without the documents of the analyses they are about."""
    return papers_of(person).defer(*(f"analysis__{name}" for name in HEAVY))


def numbers_of(person: Person) -> QuerySet[PaperSlip]:
    """Numbers of papers, each with its newest job, its `state`, and the `trouble` it is in."""
    jobs = Job.objects.filter(kind="paper", subject_id=OuterRef("pk")).order_by(
        "-created_at", "-id"
    )
    broken = Q(job_state__in=(JobState.FAILED, JobState.CRASHED))
    return (
        slips_of(person)
        .annotate(
            job_id=Subquery(jobs.values("pk")[:1]),
            job_state=Subquery(jobs.values("state")[:1]),
            job_reason=Subquery(jobs.values("reason")[:1]),
        )
        .annotate(
            state=Case(
                When(paper__withdrawal__isnull=False, then=Value("withdrawn")),
                When(paper__superseded_by__isnull=False, then=Value("superseded")),
                When(paper__isnull=False, then=Value("issued")),
                When(void__isnull=False, then=Value("given_up")),
                When(broken, then=Value("failed")),
                default=Value("being_made"),
                output_field=CharField(),
            ),
            trouble=Case(
                When(void__isnull=False, then=F("void__reason")),
                When(Q(paper__isnull=True) & broken, then=Coalesce("job_reason", Value(""))),
                default=Value(""),
                output_field=CharField(),
            ),
        )
    )


def numbered(number: str, path: str = "") -> Q:
    """Return the condition for a number as it stands on a paper; none fits what is no number."""
    kinds = {letters: kind for kind, letters in SHORT.items()}
    letters, _, rest = number.strip().upper().partition("-")
    year, _, count = rest.partition("-")
    if letters not in kinds or not (year.isdecimal() and count.isdecimal()):
        return Q(pk__in=[])
    asked = {"kind": kinds[letters], "series__year": int(year[:5]), "number": int(count[:9])}
    return Q(**{f"{path}{name}": value for name, value in asked.items()})


def ended(is_over: bool) -> Q:
    """Return the condition for jobs that have ended, or have not."""
    over = Q(state__in=ENDED)
    return over if is_over else ~over
