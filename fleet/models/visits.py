"""Visits, the tests flown on them, their passes and the raw files."""

from __future__ import annotations

from typing import ClassVar

from django.db import models

from fleet.models.aircraft import SetUp
from fleet.models.base import OperatorRecord, Record, Sealed


class VisitKind(models.TextChoices):
    """Who a visit is for."""

    CLINIC = "clinic", "Clinic for several operators"
    PRIVATE = "private", "Private visit for one operator"


class Visit(Record):
    """One day, or days, at one place where tests are flown."""

    kind = models.CharField(max_length=8, choices=VisitKind.choices)
    place = models.CharField(max_length=120)
    starts_on = models.DateField()
    ends_on = models.DateField()
    analyst = models.ForeignKey("fleet.Person", on_delete=models.PROTECT, related_name="visits")
    host = models.ForeignKey(
        "fleet.Operator",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="+",
        help_text="The operator visited, for a private visit.",
    )
    note = models.TextField(blank=True)
    latitude_deg = models.FloatField("latitude of the place", null=True, blank=True)
    longitude_deg = models.FloatField("longitude of the place", null=True, blank=True)
    # Sign-up, for a clinic. Without a capacity there is no sign-up.
    aircraft_per_day = models.PositiveIntegerField(
        "aircraft a day", null=True, blank=True, help_text="How many places a day has."
    )
    first_slot_at = models.TimeField("first aircraft at", null=True, blank=True)
    slot_minutes = models.PositiveIntegerField("minutes an aircraft", null=True, blank=True)
    sign_up_until = models.DateField("sign-up closes on", null=True, blank=True)
    cancelled_on = models.DateField(null=True, blank=True)
    cancelled_reason = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering: ClassVar = ["-starts_on", "id"]
        constraints: ClassVar = [
            models.CheckConstraint(
                name="visit_ends_after_start",
                condition=models.Q(ends_on__gte=models.F("starts_on")),
            ),
            models.CheckConstraint(
                name="private_visit_has_host",
                condition=(
                    models.Q(kind="clinic", host__isnull=True)
                    | models.Q(kind="private", host__isnull=False)
                ),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.place}, {self.starts_on:%-d %B %Y}"


class Origin(models.TextChoices):
    """Where the positions in a file are counted from. The values are those of `patterns`."""

    LEFT = "left", "From the left end of the string"
    RIGHT = "right", "From the right end of the string"
    CENTRE = "centre", "From the flight line, left negative"


class Test(OperatorRecord):
    """Passes of one set-up under recorded conditions on one visit."""

    __test__ = False  # not a test case, whatever a test runner may think of the name

    operator = models.ForeignKey("fleet.Operator", on_delete=models.PROTECT, related_name="tests")
    visit = models.ForeignKey(Visit, on_delete=models.PROTECT, related_name="tests")
    setup = models.ForeignKey(SetUp, on_delete=models.PROTECT, related_name="tests")
    flown_on = models.DateField()
    line_heading_deg = models.FloatField(
        "heading of the flight line", null=True, blank=True, help_text="Degrees, as flown."
    )
    wind_speed_m_s = models.FloatField(null=True, blank=True)
    wind_from_deg = models.FloatField("wind from", null=True, blank=True)
    wind_height_m = models.FloatField("height of the wind gauge", null=True, blank=True)
    temperature_c = models.FloatField(null=True, blank=True)
    humidity_percent = models.FloatField(null=True, blank=True)
    liquid = models.CharField("liquid and dye", max_length=120, blank=True)
    reader = models.CharField("string reader", max_length=120, blank=True)
    # How the files of this test are to be read; a file's own header has the last word on the unit.
    file_unit = models.CharField(
        "unit of position",
        max_length=2,
        blank=True,
        choices=[("ft", "feet"), ("in", "inches"), ("m", "metres"), ("cm", "centimetres")],
    )
    file_origin = models.CharField(
        "positions count", max_length=6, blank=True, choices=Origin.choices
    )
    file_flight_line = models.FloatField(
        "flight line at",
        null=True,
        blank=True,
        help_text="Where the flight line crosses the string, in the unit and count of the files.",
    )
    note = models.TextField(blank=True)

    class Meta:
        ordering: ClassVar = ["-flown_on", "-id"]
        # A season is a stretch of days; its tallies are read from the first index alone.
        indexes: ClassVar = [
            models.Index(fields=["flown_on", "operator", "setup", "visit"], name="test_by_day"),
            models.Index(fields=["operator", "flown_on"], name="test_by_operator"),
        ]

    def __str__(self) -> str:
        return f"{self.setup} on {self.flown_on:%-d %B %Y}"


class RawFile(Sealed, OperatorRecord):
    """A raw file as it came in, kept unchanged and found by its digest."""

    operator = models.ForeignKey("fleet.Operator", on_delete=models.PROTECT, related_name="+")
    name = models.CharField(max_length=255)
    digest = models.CharField(max_length=64)
    size = models.PositiveIntegerField()
    accepted_by = models.ForeignKey(
        "fleet.Person", on_delete=models.PROTECT, related_name="+", null=True
    )

    class Meta:
        verbose_name = "raw file"
        indexes: ClassVar = [models.Index(fields=["digest"])]

    def __str__(self) -> str:
        return self.name


class Overrule(models.TextChoices):
    """The analyst's word against the rule's. The values are those of `patterns`."""

    INCLUDE = "include", "Use it all the same"
    LEAVE_OUT = "leave_out", "Leave it out"


class FlightPass(OperatorRecord):
    """One flight over the string. An aborted pass has a reason and may have no file."""

    operator = models.ForeignKey("fleet.Operator", on_delete=models.PROTECT, related_name="+")
    test = models.ForeignKey(Test, on_delete=models.PROTECT, related_name="passes")
    number = models.PositiveIntegerField()
    raw_file = models.ForeignKey(
        RawFile, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    aborted_reason = models.CharField("aborted because", max_length=200, blank=True)
    overrule = models.CharField(max_length=9, blank=True, choices=Overrule.choices)
    overrule_reason = models.CharField(max_length=200, blank=True)
    # Only where this pass differed from the test.
    heading_deg = models.FloatField(null=True, blank=True)
    airspeed_m_s = models.FloatField(null=True, blank=True)
    release_height_m = models.FloatField(null=True, blank=True)
    wind_speed_m_s = models.FloatField(null=True, blank=True)
    wind_from_deg = models.FloatField(null=True, blank=True)
    flown_at = models.DateTimeField(null=True, blank=True)
    read_at = models.DateTimeField("string read at", null=True, blank=True)

    class Meta:
        ordering: ClassVar = ["test_id", "number"]
        verbose_name = "pass"
        verbose_name_plural = "passes"
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["test", "number"], name="pass_number_once"),
            models.CheckConstraint(
                name="pass_has_file_or_was_aborted",
                condition=models.Q(raw_file__isnull=False) | ~models.Q(aborted_reason=""),
            ),
            models.CheckConstraint(
                name="pass_overrule_has_reason",
                condition=models.Q(overrule="") | ~models.Q(overrule_reason=""),
            ),
        ]

    def __str__(self) -> str:
        return f"Pass {self.number}"
