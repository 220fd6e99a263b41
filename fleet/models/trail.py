"""The audit trail."""

from __future__ import annotations

from typing import ClassVar

from django.db import models

from fleet.models.base import OperatorRecord, Sealed


class AuditRow(Sealed, OperatorRecord):
    """One deed: who did what to what, with before and after. Names are copied in so that
    the row reads the same when the person or the thing is gone.
    """

    operator = models.ForeignKey(  # type: ignore[assignment]
        "fleet.Operator", null=True, on_delete=models.PROTECT, related_name="+"
    )
    deed = models.CharField(max_length=40)
    person = models.ForeignKey(
        "fleet.Person", null=True, on_delete=models.PROTECT, related_name="+"
    )
    person_name = models.CharField(max_length=120)
    subject_kind = models.CharField(max_length=30)
    subject_id = models.UUIDField()
    subject_name = models.CharField(max_length=200)
    before = models.JSONField(null=True)
    after = models.JSONField(null=True)
    request_id = models.UUIDField()

    class Meta:
        ordering: ClassVar = ["-created_at", "-id"]
        verbose_name = "audit row"
        indexes: ClassVar = [
            models.Index(fields=["subject_kind", "subject_id"], name="audit_subject"),
        ]

    def __str__(self) -> str:
        return f"{self.person_name}: {self.deed} {self.subject_name}"
