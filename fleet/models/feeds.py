"""What leaves the service on its own: calendar feeds, webhooks, exports of an operator."""

from __future__ import annotations

import datetime
from typing import ClassVar

from django.db import models
from django.utils import timezone

from fleet.models.base import OperatorRecord, Record, Sealed


class CalendarFeed(Record):
    """A person's secret calendar address. Only the SHA-256 of its secret is kept."""

    person = models.OneToOneField(
        "fleet.Person", on_delete=models.PROTECT, related_name="calendar_feed"
    )
    secret_digest = models.CharField(max_length=64, unique=True)
    renewed_at = models.DateTimeField()

    def __str__(self) -> str:
        return f"Calendar of {self.person}"


class HookEvent(models.TextChoices):
    """What a webhook tells."""

    APPROVAL_GRANTED = "approval.granted", "Approval granted"
    APPROVAL_ENDED = "approval.ended", "Approval ended"
    PAPER_ISSUED = "paper.issued", "Paper issued"
    DUE_SOON = "aircraft.due_soon", "Test due soon"


class Webhook(OperatorRecord):
    """An address that is told of events; `operator` is empty for one of the association's."""

    operator = models.ForeignKey(  # type: ignore[assignment]
        "fleet.Operator", null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    address = models.URLField(max_length=500)
    events = models.JSONField()
    secret = models.CharField(max_length=64, help_text="Signs each call (HMAC-SHA256).")
    stopped_at = models.DateTimeField(null=True, blank=True)
    made_by = models.ForeignKey("fleet.Person", on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["-created_at", "-id"]

    def __str__(self) -> str:
        return self.address


class HookCall(OperatorRecord):
    """One event to one address: tried again until it is taken, or given up."""

    operator = models.ForeignKey(  # type: ignore[assignment]
        "fleet.Operator", null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    webhook = models.ForeignKey(Webhook, on_delete=models.PROTECT, related_name="calls")
    event = models.CharField(max_length=20, choices=HookEvent.choices)
    reason = models.CharField(max_length=200)
    payload = models.TextField()
    attempts = models.PositiveIntegerField(default=0)
    next_at = models.DateTimeField(null=True, blank=True)
    status = models.PositiveIntegerField(null=True, blank=True)
    trouble = models.CharField(max_length=200, blank=True)
    taken_at = models.DateTimeField(null=True, blank=True)
    given_up_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering: ClassVar = ["-created_at", "-id"]
        verbose_name = "webhook call"
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["webhook", "reason"], name="hook_call_once"),
        ]

    def __str__(self) -> str:
        return f"{self.get_event_display()} to {self.webhook}"


class OperatorExport(Sealed, OperatorRecord):
    """Everything of one operator as one ZIP with a manifest of digests. It is kept for a while."""

    KEPT_DAYS: ClassVar[int] = 14

    operator = models.ForeignKey("fleet.Operator", on_delete=models.PROTECT, related_name="+")
    job = models.OneToOneField("fleet.Job", on_delete=models.PROTECT, related_name="export")
    digest = models.CharField(max_length=64)
    size = models.PositiveIntegerField()
    rows = models.PositiveIntegerField()
    files = models.PositiveIntegerField()
    asked_by = models.ForeignKey("fleet.Person", on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["-created_at", "-id"]

    def __str__(self) -> str:
        return f"Export of {self.operator}"

    @property
    def file_name(self) -> str:
        """The name under which it is handed out."""
        return f"{self.operator} records {self.created_at:%Y-%m-%d}.zip".replace("/", "-")

    @property
    def expires_at(self) -> datetime.datetime:
        """When its bytes go; the row stays."""
        return self.created_at + datetime.timedelta(days=self.KEPT_DAYS)

    @property
    def has_expired(self) -> bool:
        """Whether it is no longer handed out."""
        return self.expires_at <= timezone.now()
