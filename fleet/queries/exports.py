"""Exports of an operator: what was made, and what is being made."""

from __future__ import annotations

from django.db.models import QuerySet

from fleet.models import ENDED, Job, Operator, OperatorExport, Person


def exports_of(person: Person) -> QuerySet[OperatorExport]:
    """Exports that a person may see: staff all, an owner those of the own operator."""
    rows: QuerySet[OperatorExport] = OperatorExport.objects.select_related("operator", "asked_by")
    if person.is_staff_member:
        return rows
    return rows.filter(operator=person.operator_id) if person.role == "owner" else rows.none()


def export_job(operator: Operator) -> Job | None:
    """Return the newest job that exports an operator, whatever its state."""
    jobs: QuerySet[Job] = Job.objects.filter(kind="export", subject_id=operator.pk)
    return jobs.order_by("-created_at", "-id").first()


def export_under_way(operator: Operator) -> Job | None:
    """Return the job that exports an operator now, or None."""
    jobs: QuerySet[Job] = Job.objects.filter(kind="export", subject_id=operator.pk)
    return jobs.exclude(state__in=ENDED).first()
