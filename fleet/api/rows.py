"""The rows behind lists and details: those of `queries.whose`, with what the API shows of them."""

from __future__ import annotations

from django.db.models import Case, CharField, Exists, OuterRef, Q, QuerySet, Value, When
from django.utils import timezone

from fleet.models import ENDED, AnalysisRun, Approval, Job, Paper, Person, SetUp
from fleet.queries.progress import HEAVY
from fleet.queries.whose import analyses_of, approvals_of, jobs_of, papers_of


def light_analyses_of(person: Person) -> QuerySet[AnalysisRun]:
    """Analyses without their documents."""
    return analyses_of(person).defer(*HEAVY)


def judged_approvals_of(person: Person) -> QuerySet[Approval]:
    """Approvals, each with `state`: whether it stands today, or else what ended it first of all.

    The same cases as `queries.standing.judge`, set-wise and for every approval.
    """
    newer = SetUp.objects.filter(
        aircraft=OuterRef("aircraft"),
        purpose_key=OuterRef("setup__purpose_key"),
        number__gt=OuterRef("setup__number"),
    )
    state = Case(
        When(superseded_by__isnull=False, then=Value("superseded")),
        When(Exists(newer), then=Value("changed")),
        When(withdrawal__isnull=False, then=Value("withdrawn")),
        When(valid_until__lt=timezone.localdate(), then=Value("expired")),
        When(aircraft__retired_on__isnull=False, then=Value("retired")),
        default=Value("in_force"),
        output_field=CharField(),
    )
    return (
        approvals_of(person)
        .select_related("superseded_by")
        .defer(*(f"analysis__{name}" for name in HEAVY))
        .annotate(state=state)
    )


def light_jobs_of(person: Person) -> QuerySet[Job]:
    """Jobs with what came of them, without the inputs they hold or the documents they made."""
    return jobs_of(person).defer("parameters", *(f"analysis__{name}" for name in HEAVY))


def light_papers_of(person: Person) -> QuerySet[Paper]:
    """Papers without the documents of the analyses they are about."""
    return papers_of(person).defer(*(f"analysis__{name}" for name in HEAVY))


def ended(is_over: bool) -> Q:
    """Return the condition for jobs that have ended, or have not."""
    over = Q(state__in=ENDED)
    return over if is_over else ~over
