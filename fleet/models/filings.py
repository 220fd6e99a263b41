"""What must go where by when, and what was removed because nothing held it any longer."""

from __future__ import annotations

from typing import ClassVar

from django.db import models

from fleet.models.base import OperatorRecord, Record, Sealed


class Filing(OperatorRecord):
    """A paper that a jurisdiction asks for. It stays on the board until it is acknowledged.

    `reason` is a key that never comes twice, such as `test:TEST:VERSION:certificate`; `due_at` is
    counted by the rule from `counted_from`. `operator` is empty for returns of the association.
    """

    operator = models.ForeignKey(  # type: ignore[assignment]
        "fleet.Operator", null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    jurisdiction = models.ForeignKey(
        "fleet.Jurisdiction", on_delete=models.PROTECT, related_name="filings"
    )
    version = models.ForeignKey(
        "fleet.RequirementVersion",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="filings",
    )
    aircraft = models.ForeignKey(
        "fleet.Aircraft", null=True, blank=True, on_delete=models.PROTECT, related_name="filings"
    )
    test = models.ForeignKey(
        "fleet.Test", null=True, blank=True, on_delete=models.PROTECT, related_name="filings"
    )
    season = models.ForeignKey(
        "fleet.Season", null=True, blank=True, on_delete=models.PROTECT, related_name="filings"
    )
    what = models.CharField(max_length=120, help_text="The paper asked for, in the rule's words.")
    reason = models.CharField(max_length=200, unique=True)
    counted_from = models.DateTimeField()
    due_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering: ClassVar = ["due_at", "id"]
        indexes: ClassVar = [models.Index(fields=["due_at"], name="filing_due")]

    def __str__(self) -> str:
        return f"{self.what} to {self.jurisdiction}"


class StepKind(models.TextChoices):
    """What happened to a filing."""

    PREPARED = "prepared", "Prepared"
    SENT = "sent", "Sent"
    ACKNOWLEDGED = "acknowledged", "Acknowledged"
    REJECTED = "rejected", "Sent back"
    CORRECTED = "corrected", "Corrected"
    DROPPED = "dropped", "No longer asked for"


class FilingStep(Sealed, OperatorRecord):
    """One step of a filing, with what was sent and what came back."""

    operator = models.ForeignKey(  # type: ignore[assignment]
        "fleet.Operator", null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    filing = models.ForeignKey(Filing, on_delete=models.PROTECT, related_name="steps")
    kind = models.CharField(max_length=12, choices=StepKind.choices)
    happened_on = models.DateField()
    paper = models.ForeignKey(
        "fleet.Paper", null=True, blank=True, on_delete=models.PROTECT, related_name="filing_steps"
    )
    reference = models.CharField(max_length=120, blank=True)
    words = models.TextField(blank=True)
    file_name = models.CharField(max_length=255, blank=True)
    file_digest = models.CharField(max_length=64, blank=True)
    file_size = models.PositiveIntegerField(null=True, blank=True)
    recorded_by = models.ForeignKey("fleet.Person", on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["filing_id", "created_at", "id"]
        verbose_name = "step of a filing"
        verbose_name_plural = "steps of filings"

    def __str__(self) -> str:
        return f"{self.get_kind_display()}: {self.filing}"


class Purge(Sealed, Record):
    """Kept files that were removed because no rule held them any longer. The rows stay."""

    files = models.JSONField(help_text="Digest, size, what it was, until when it had to be kept.")
    purged_by = models.ForeignKey("fleet.Person", on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["-created_at", "-id"]

    def __str__(self) -> str:
        return f"{len(self.files)} files"
