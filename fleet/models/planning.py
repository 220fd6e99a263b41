"""The analyst's return visits: a plan, what was asked of it, and each proposal as it was."""

from __future__ import annotations

import json
from functools import cached_property
from typing import Any, ClassVar

from django.db import models

from fleet.models.base import OperatorRecord, Record, Sealed


class TourPlan(Record):
    """A plan of an analyst's coming weeks.

    `settings` holds what the planner is given beside the data: `aircraft_per_day`, `speed_m_s`,
    `minutes_per_aircraft`, `day_minutes` (of daylight used), `blocked_days` (ISO dates), and
    whatever else `fleet.planning` names.
    """

    analyst = models.ForeignKey("fleet.Person", on_delete=models.PROTECT, related_name="+")
    starts_on = models.DateField()
    ends_on = models.DateField()
    start_place = models.CharField(max_length=120)
    start_latitude_deg = models.FloatField()
    start_longitude_deg = models.FloatField()
    settings = models.JSONField(default=dict)
    made_by = models.ForeignKey("fleet.Person", on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["-created_at", "-id"]
        verbose_name = "plan"
        constraints: ClassVar = [
            models.CheckConstraint(
                name="plan_ends_after_start",
                condition=models.Q(ends_on__gte=models.F("starts_on")),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.analyst}, {self.starts_on:%-d %B} to {self.ends_on:%-d %B %Y}"


class TourProposal(Sealed, Record):
    """What the planner proposed: its inputs and the tours, as canonical JSON."""

    plan = models.ForeignKey(TourPlan, on_delete=models.PROTECT, related_name="proposals")
    job = models.OneToOneField("fleet.Job", on_delete=models.PROTECT, related_name="proposal")
    number = models.PositiveIntegerField()
    inputs = models.JSONField()
    document = models.TextField()

    class Meta:
        ordering: ClassVar = ["plan_id", "-number"]
        verbose_name = "proposal"
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["plan", "number"], name="proposal_number_once"),
        ]

    def __str__(self) -> str:
        return f"Proposal {self.number}"

    @cached_property
    def result(self) -> dict[str, Any]:
        """Return the stored document as plain data."""
        document: dict[str, Any] = json.loads(self.document)
        return document


class WordKind(models.TextChoices):
    """What the analyst says about an aircraft in a plan."""

    PIN = "pin", "On this day"
    DROP = "drop", "Not in this plan"


class PlanWord(OperatorRecord):
    """The analyst's word on one aircraft of a plan; the planner works around it."""

    operator = models.ForeignKey("fleet.Operator", on_delete=models.PROTECT, related_name="+")
    plan = models.ForeignKey(TourPlan, on_delete=models.PROTECT, related_name="words")
    aircraft = models.ForeignKey("fleet.Aircraft", on_delete=models.PROTECT, related_name="+")
    kind = models.CharField(max_length=4, choices=WordKind.choices)
    day = models.DateField(null=True, blank=True)
    said_by = models.ForeignKey("fleet.Person", on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["plan_id", "aircraft_id"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["plan", "aircraft"], name="plan_word_once"),
            models.CheckConstraint(
                name="plan_pin_has_day",
                condition=(
                    models.Q(kind="pin", day__isnull=False)
                    | models.Q(kind="drop", day__isnull=True)
                ),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.aircraft}: {self.get_kind_display()}"


class VisitWish(OperatorRecord):
    """An operator's wish for a visit: an aircraft, from a day on, at the latest by another."""

    operator = models.ForeignKey("fleet.Operator", on_delete=models.PROTECT, related_name="+")
    aircraft = models.ForeignKey("fleet.Aircraft", on_delete=models.PROTECT, related_name="wishes")
    from_on = models.DateField()
    until_on = models.DateField()
    words = models.CharField(max_length=200, blank=True)
    wished_by = models.ForeignKey("fleet.Person", on_delete=models.PROTECT, related_name="+")
    settled_on = models.DateField(null=True, blank=True, help_text="Met, or taken back.")

    class Meta:
        ordering: ClassVar = ["until_on", "id"]
        constraints: ClassVar = [
            models.CheckConstraint(
                name="wish_ends_after_start", condition=models.Q(until_on__gte=models.F("from_on"))
            ),
        ]

    def __str__(self) -> str:
        return f"{self.aircraft} by {self.until_on:%-d %B %Y}"
