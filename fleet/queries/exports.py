"""Exports of an operator: what was made, and what is being made."""

from __future__ import annotations

from django.db.models import QuerySet

from fleet.models import Job, Operator, OperatorExport, Person
from fleet.queries.work import last_of, under_way


def exports_of(person: Person) -> QuerySet[OperatorExport]:
    """Exports of the operators whose people or analysts or staff one is; `rules` says who may."""
    rows: QuerySet[OperatorExport] = OperatorExport.objects.select_related("operator", "asked_by")
    if person.sees_everyone:
        return rows
    return rows.filter(operator=person.operator_id) if person.operator_id else rows.none()


def last_export_job(operator: Operator) -> Job | None:
    """Return the newest job that exports an operator, whatever its state."""
    return last_of(operator, "export")


def export_under_way(operator: Operator) -> Job | None:
    """Return the job that exports an operator now, or None."""
    return under_way(operator, "export")
