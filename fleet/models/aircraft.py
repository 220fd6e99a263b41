"""Aircraft and how each is equipped and flown."""

from __future__ import annotations

from typing import ClassVar

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models.functions import Upper

from fleet.models.base import OperatorRecord, Sealed


class AircraftKind(models.TextChoices):
    """What flies."""

    FIXED_WING = "fixed_wing", "Fixed wing"
    HELICOPTER = "helicopter", "Helicopter"
    UNCREWED = "uncrewed", "Uncrewed"


class Manner(models.TextChoices):
    """How neighbouring lines are flown. The values are those of `patterns.overlap.Manner`."""

    ONE_WAY = "one_way", "One-way"
    BACK_AND_FORTH = "back_and_forth", "Back-and-forth"


class Aircraft(OperatorRecord):
    """One airframe."""

    operator = models.ForeignKey(
        "fleet.Operator", on_delete=models.PROTECT, related_name="aircraft"
    )
    registration = models.CharField(max_length=20)
    make = models.CharField(max_length=60, blank=True)
    model = models.CharField(max_length=60)
    kind = models.CharField(max_length=12, choices=AircraftKind.choices)
    span_m = models.FloatField(
        "wingspan or rotor diameter", validators=[MinValueValidator(0.5), MaxValueValidator(60)]
    )
    retired_on = models.DateField(null=True, blank=True)

    class Meta:
        ordering: ClassVar = ["registration", "id"]
        verbose_name_plural = "aircraft"
        constraints: ClassVar = [
            # An airframe that was sold keeps its history with the operator who flew it then.
            models.UniqueConstraint(
                Upper("registration"),
                name="registration_once_in_service",
                condition=models.Q(retired_on__isnull=True),
                violation_error_message="An aircraft in service has this registration already.",
            ),
            models.CheckConstraint(
                name="aircraft_span_plausible",
                condition=models.Q(span_m__gt=0.5) & models.Q(span_m__lt=60),
            ),
        ]

    def __str__(self) -> str:
        return self.registration


class SetUp(Sealed, OperatorRecord):
    """One numbered, write-once revision of how an aircraft is equipped and flown.

    Revisions of one aircraft and purpose form a line; the one with the highest number is in
    force. `nozzles` is a list, from the left wing to the right, of
    `{"place_m", "type", "size", "deflection_deg"}`: place on the boom [m, left negative],
    words for type and size as the trade writes them, deflection [degrees below straight back].
    """

    operator = models.ForeignKey("fleet.Operator", on_delete=models.PROTECT, related_name="setups")
    aircraft = models.ForeignKey(Aircraft, on_delete=models.PROTECT, related_name="setups")
    purpose = models.CharField(
        max_length=60, help_text="What it is for: main season work, edges near sensitive ground…"
    )
    purpose_key = models.CharField(max_length=60, editable=False)
    number = models.PositiveIntegerField("revision", editable=False)
    boom_width_m = models.FloatField()
    nozzles = models.JSONField(default=list)
    pressure_kpa = models.FloatField()
    airspeed_m_s = models.FloatField()
    release_height_m = models.FloatField()
    rate_l_per_ha = models.FloatField("intended rate")
    intended_swath_m = models.FloatField(null=True, blank=True)
    manner = models.CharField("way of flying", max_length=14, choices=Manner.choices)
    note = models.TextField(blank=True)
    created_by = models.ForeignKey(
        "fleet.Person", on_delete=models.PROTECT, related_name="+", null=True
    )

    class Meta:
        ordering: ClassVar = ["aircraft_id", "purpose_key", "-number"]
        verbose_name = "set-up revision"
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["aircraft", "purpose_key", "number"], name="setup_revision_once"
            ),
        ]
        # Which line a revision belongs to, without reading past its nozzles.
        indexes: ClassVar = [
            models.Index(fields=["id", "aircraft", "purpose_key"], name="setup_line"),
        ]

    def __str__(self) -> str:
        return f"{self.purpose}, revision {self.number}"

    def later(self) -> models.QuerySet[SetUp]:
        """Return the revisions that came after this one for the same purpose, oldest first."""
        line = SetUp.objects.filter(aircraft=self.aircraft_id, purpose_key=self.purpose_key)
        return line.filter(number__gt=self.number).order_by("number")
