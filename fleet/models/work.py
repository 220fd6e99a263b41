"""Work to be done by a worker. The row is the truth; the broker is a hint."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.utils import timezone

from fleet.models.base import OperatorRecord


class JobState(models.TextChoices):
    """Where a job stands. `failed` is the job's own verdict, `crashed` is a fault of ours."""

    QUEUED = "queued", "Waiting"
    RUNNING = "running", "Running"
    DONE = "done", "Done"
    FAILED = "failed", "Could not be done"
    CRASHED = "crashed", "Broke down"


ENDED = (JobState.DONE, JobState.FAILED, JobState.CRASHED)


class Job(OperatorRecord):
    """One piece of work: kind, subject, state, heartbeat, reason in the user's words."""

    operator = models.ForeignKey(  # type: ignore[assignment]
        "fleet.Operator", null=True, on_delete=models.PROTECT, related_name="+"
    )
    kind = models.CharField(max_length=30)
    subject_id = models.UUIDField()
    parameters = models.JSONField(default=dict)
    state = models.CharField(max_length=8, choices=JobState.choices, default=JobState.QUEUED)
    words = models.CharField(
        max_length=200, blank=True, help_text="Progress, in words for the person who waits."
    )
    share = models.FloatField(default=0.0, help_text="Progress, 0 to 1.")
    reason = models.TextField(blank=True, help_text="Why it failed, in the user's words.")
    stop_asked_at = models.DateTimeField(
        null=True, editable=False, help_text="Somebody wants the best found so far, now."
    )
    token = models.UUIDField(null=True, editable=False)
    lease_until = models.DateTimeField(null=True, editable=False)
    hinted_at = models.DateTimeField(null=True, editable=False)
    attempts = models.PositiveIntegerField(default=0, editable=False)
    started_at = models.DateTimeField(null=True, editable=False)
    ended_at = models.DateTimeField(null=True, editable=False)
    requested_by = models.ForeignKey(
        "fleet.Person", null=True, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        ordering: ClassVar = ["-created_at", "-id"]
        indexes: ClassVar = [
            models.Index(fields=["state", "lease_until"], name="job_state_lease"),
            models.Index(fields=["kind", "subject_id"], name="job_subject"),
        ]

    def __str__(self) -> str:
        return f"{self.kind}: {self.get_state_display()}"

    @property
    def has_ended(self) -> bool:
        """Whether nothing more will happen to it."""
        return self.state in ENDED

    @property
    def seconds(self) -> float:
        """How long it has run, or ran. [s]"""
        if self.started_at is None:
            return 0.0
        return ((self.ended_at or timezone.now()) - self.started_at).total_seconds()
