"""Approvals, each with whether it stands today."""

from __future__ import annotations

from django.db.models import Case, CharField, Exists, OuterRef, QuerySet, Value, When
from django.utils import timezone

from fleet.models import Approval, Person, SetUp
from fleet.queries.progress import HEAVY
from fleet.queries.whose import approvals_of

ENDINGS = {
    "in_force": "In force",
    "superseded": "Superseded",
    "changed": "Set-up changed",
    "withdrawn": "Withdrawn",
    "expired": "Ended",
    "retired": "Out of service",
}


def approvals_listed(person: Person) -> QuerySet[Approval]:
    """Approvals with what a table of them shows, `state` too, without documents and nozzles."""
    listed = approvals_of(person).select_related(None).select_related("setup", "approved_by")
    return listed.defer("setup__nozzles").annotate(state=approval_state())


def judged_approvals_of(person: Person) -> QuerySet[Approval]:
    """Approvals, each with `state`: whether it stands today, or else what ended it first of all."""
    return (
        approvals_of(person)
        .select_related("superseded_by")
        .defer(*(f"analysis__{name}" for name in HEAVY))
        .annotate(state=approval_state())
    )


def approval_state() -> Case:
    """Whether an approval stands today, or else what ended it: a key of `ENDINGS`.

    The same cases as `queries.standing.judge`, set-wise and for every approval.
    """
    newer = SetUp.objects.filter(
        aircraft=OuterRef("aircraft"),
        purpose_key=OuterRef("setup__purpose_key"),
        number__gt=OuterRef("setup__number"),
    )
    return Case(
        When(superseded_by__isnull=False, then=Value("superseded")),
        When(Exists(newer), then=Value("changed")),
        When(withdrawal__isnull=False, then=Value("withdrawn")),
        When(valid_until__lt=timezone.localdate(), then=Value("expired")),
        When(aircraft__retired_on__isnull=False, then=Value("retired")),
        default=Value("in_force"),
        output_field=CharField(),
    )
