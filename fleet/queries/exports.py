"""Exports of an operator: what was made, and what is being made."""

from __future__ import annotations

from django.db.models import QuerySet

from fleet.models import ENDED, Job, Operator, OperatorExport, Person


def exports_of(person: Person) -> QuerySet[OperatorExport]:
    """Exports of the operators whose people or analysts or staff one is; `rules` says who may."""
    rows: QuerySet[OperatorExport] = OperatorExport.objects.select_related("operator", "asked_by")
    if person.sees_everyone:
        return rows
    return rows.filter(operator=person.operator_id) if person.operator_id else rows.none()


def last_export_job(operator: Operator) -> Job | None:
    """Return the newest job that exports an operator, whatever its state."""
    return _jobs(operator).first()


def export_under_way(operator: Operator) -> Job | None:
    """Return the job that exports an operator now, or None."""
    return _jobs(operator).exclude(state__in=ENDED).first()


def _jobs(operator: Operator) -> QuerySet[Job]:
    rows: QuerySet[Job] = Job.objects.filter(kind="export", subject_id=operator.pk)
    return rows.order_by("-created_at", "-id")
