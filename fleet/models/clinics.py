"""The day of a visit: who signed up, in which order, what was used and who gave what."""

from __future__ import annotations

from typing import ClassVar

from django.db import models

from fleet.models.base import OperatorRecord, Record


class SignUpState(models.TextChoices):
    """Where a sign-up stands."""

    PLACED = "placed", "Has a place"
    WAITING = "waiting", "On the waiting list"
    FLOWN = "flown", "Flown"
    ABSENT = "absent", "Did not come"
    CANCELLED = "cancelled", "Called off"


class SignUp(OperatorRecord):
    """An aircraft signed up for a visit. `position` is the running order within `day`."""

    operator = models.ForeignKey("fleet.Operator", on_delete=models.PROTECT, related_name="+")
    visit = models.ForeignKey("fleet.Visit", on_delete=models.PROTECT, related_name="sign_ups")
    aircraft = models.ForeignKey(
        "fleet.Aircraft", on_delete=models.PROTECT, related_name="sign_ups"
    )
    wish = models.CharField(
        max_length=200, blank=True, help_text="What is to be tested, and when you would like to."
    )
    state = models.CharField(max_length=9, choices=SignUpState.choices)
    day = models.DateField(null=True, blank=True)
    position = models.PositiveIntegerField(null=True, blank=True)
    signed_up_by = models.ForeignKey("fleet.Person", on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["visit_id", "day", "position", "created_at", "id"]
        verbose_name = "sign-up"
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["visit", "aircraft"],
                name="sign_up_once",
                condition=~models.Q(state="cancelled"),
                violation_error_message="This aircraft is signed up already.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.aircraft} for {self.visit}"


class Supply(models.TextChoices):
    """What a visit uses up."""

    DYE = "dye", "Dye"
    STRING = "string", "String"
    CARDS = "cards", "Cards"
    OTHER = "other", "Other"


class SupplyUse(Record):
    """What was used on a visit."""

    visit = models.ForeignKey("fleet.Visit", on_delete=models.PROTECT, related_name="supplies")
    what = models.CharField(max_length=6, choices=Supply.choices)
    amount = models.FloatField()
    unit = models.CharField(max_length=20, help_text="g, m, pieces…")
    note = models.CharField(max_length=200, blank=True)
    recorded_by = models.ForeignKey("fleet.Person", on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["created_at", "id"]
        verbose_name = "supply used"
        constraints: ClassVar = [
            models.CheckConstraint(name="supply_amount_positive", condition=models.Q(amount__gt=0)),
        ]

    def __str__(self) -> str:
        return f"{self.amount:g} {self.unit} of {self.get_what_display().lower()}"


class GiftKind(models.TextChoices):
    """What somebody gave."""

    HOURS = "hours", "Hours of work"
    MATERIAL = "material", "Material"
    MONEY = "money", "Money"


class Gift(Record):
    """What somebody gave to the programme: sponsored hours, donated material."""

    season = models.ForeignKey("fleet.Season", on_delete=models.PROTECT, related_name="gifts")
    visit = models.ForeignKey(
        "fleet.Visit", null=True, blank=True, on_delete=models.PROTECT, related_name="gifts"
    )
    giver = models.CharField(max_length=120)
    kind = models.CharField(max_length=8, choices=GiftKind.choices)
    amount = models.FloatField()
    unit = models.CharField(max_length=20, help_text="h, L, pieces, USD…")
    what = models.CharField(max_length=200, blank=True)
    given_on = models.DateField()
    recorded_by = models.ForeignKey("fleet.Person", on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["-given_on", "id"]
        constraints: ClassVar = [
            models.CheckConstraint(name="gift_amount_positive", condition=models.Q(amount__gt=0)),
        ]

    def __str__(self) -> str:
        return f"{self.amount:g} {self.unit} from {self.giver}"
