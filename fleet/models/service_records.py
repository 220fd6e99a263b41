"""Records of service: what was applied for whom, as the laws that a jurisdiction names ask."""

from __future__ import annotations

from typing import ClassVar

from django.db import models

from fleet.models.base import OperatorRecord, Sealed


class ServiceRecord(Sealed, OperatorRecord):
    """One application. Write-once; corrected by a later record that says why.

    `lists` are the keys of the lists of elements that it follows (`fleet.record_lists`); `values`
    holds the elements as they were written, `served_on` the day among them once more to be sought.
    A record without `took_place` says that the one it corrects tells of nothing that happened.
    """

    operator = models.ForeignKey("fleet.Operator", on_delete=models.PROTECT, related_name="+")
    aircraft = models.ForeignKey(
        "fleet.Aircraft",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="service_records",
    )
    jurisdiction = models.ForeignKey(
        "fleet.Jurisdiction", on_delete=models.PROTECT, related_name="+"
    )
    lists = models.JSONField()
    served_on = models.DateField()
    values = models.JSONField()
    took_place = models.BooleanField(default=True)
    corrects = models.OneToOneField(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="corrected_by"
    )
    reason = models.TextField(blank=True)
    recorded_by = models.ForeignKey("fleet.Person", on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["-served_on", "-id"]
        verbose_name = "record of service"
        verbose_name_plural = "records of service"
        indexes: ClassVar = [
            models.Index(fields=["operator", "served_on"], name="service_record_day"),
        ]
        constraints: ClassVar = [
            models.CheckConstraint(
                name="service_correction_has_reason",
                condition=models.Q(corrects__isnull=True, reason="", took_place=True)
                | (models.Q(corrects__isnull=False) & ~models.Q(reason="")),
            ),
        ]

    def __str__(self) -> str:
        return f"Record of service of {self.served_on:%-d %B %Y}"
