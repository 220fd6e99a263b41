"""Approvals, each with whether it stands today."""

from __future__ import annotations

from django.db.models import QuerySet

from fleet.models import Approval, Person
from fleet.queries.endings import approval_state
from fleet.queries.progress import HEAVY
from fleet.queries.whose import approvals_of


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
