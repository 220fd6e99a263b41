"""What jurisdictions ask for, as data: rules in write-once versions with effective dates."""

from __future__ import annotations

from typing import ClassVar

from django.core.exceptions import ValidationError
from django.db import models
from django.db.models.functions import Lower

from fleet.models.base import OperatorRecord, Record, Sealed


class Jurisdiction(Record):
    """A state or authority whose rules apply. Its days begin at midnight in its time zone."""

    name = models.CharField(max_length=80)
    time_zone = models.CharField(
        max_length=60, default="America/Chicago", help_text="IANA name, such as America/Chicago."
    )
    note = models.TextField(blank=True)
    record_lists = models.JSONField(
        "records of service asked for",
        default=list,
        blank=True,
        help_text="Keys of the lists in `fleet.record_lists`; none: no records are asked for.",
    )

    class Meta:
        ordering: ClassVar = ["name", "id"]
        constraints: ClassVar = [
            models.UniqueConstraint(Lower("name"), name="jurisdiction_name_once"),
        ]

    def __str__(self) -> str:
        return self.name


class WorksUnder(OperatorRecord):
    """An aircraft that works under a jurisdiction besides that of its operator's home."""

    aircraft = models.ForeignKey(
        "fleet.Aircraft", on_delete=models.PROTECT, related_name="works_under"
    )
    jurisdiction = models.ForeignKey(Jurisdiction, on_delete=models.PROTECT, related_name="+")
    from_on = models.DateField()
    until_on = models.DateField(null=True, blank=True)

    class Meta:
        ordering: ClassVar = ["aircraft_id", "from_on", "id"]
        constraints: ClassVar = [
            models.CheckConstraint(
                name="works_under_ends_after_start",
                condition=models.Q(until_on__isnull=True)
                | models.Q(until_on__gte=models.F("from_on")),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.aircraft} under {self.jurisdiction}"


class Requirement(Record):
    """A rule of a jurisdiction. What it says lies in its versions."""

    jurisdiction = models.ForeignKey(
        Jurisdiction, on_delete=models.PROTECT, related_name="requirements"
    )
    name = models.CharField(max_length=120)
    ended_on = models.DateField(
        null=True, blank=True, help_text="The last day on which the rule was in force."
    )

    class Meta:
        ordering: ClassVar = ["jurisdiction__name", "name", "id"]
        constraints: ClassVar = [
            models.UniqueConstraint(
                "jurisdiction", Lower("name"), name="requirement_name_once_in_jurisdiction"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.jurisdiction}: {self.name}"


class Rhythm(models.TextChoices):
    """When a rule asks for a test again."""

    INTERVAL = "interval", "Every so many months"
    SEASON = "season", "Once in each season, by a last day"
    ONCE = "once", "Once for each set-up, before its first use"


class Covers(models.TextChoices):
    """What must have been tested."""

    AIRCRAFT = "aircraft", "The aircraft, in any one of its set-ups"
    SETUP = "setup", "Each set-up the aircraft is used with"


class Evidence(models.TextChoices):
    """What proves it."""

    TEST = "test", "A test with enough accepted passes"
    APPROVAL = "approval", "A swath approved on the test"


class DeadlineUnit(models.TextChoices):
    """How a filing deadline is counted."""

    DAYS = "days", "Days"
    HOURS = "hours", "Hours"


class RequirementVersion(Sealed, Record):
    """What a rule says from a day on. Write-once: a test is judged under the version in force on
    the day it was flown, so a rule changed later never changes what was judged before.

    `season_first` and `season_last` are `MM-DD`: the first and the last day of the window in which
    the test of a season must be flown; a window whose last day comes before its first runs across
    New Year; `02-29` means the last day of February. `retest` says which changes of a set-up ask
    for a new test: keys as in `RETEST_KEYS`, values as there. `limits` holds `cv_percent`,
    `wind_speed_m_s`, `wind_angle_deg`, each a number or missing (no limit). `kinds` are the kinds
    of aircraft covered, all when empty. `signers` are the roles of those who may sign. `papers`
    are words for the papers asked for on each test; a "season return" is asked for once a season.
    """

    requirement = models.ForeignKey(Requirement, on_delete=models.PROTECT, related_name="versions")
    number = models.PositiveIntegerField(editable=False)
    effective_from = models.DateField()
    source = models.TextField(help_text="Where this is written: law, rule, letter; with the date.")
    kinds = models.JSONField(default=list, blank=True)
    covers = models.CharField(max_length=8, choices=Covers.choices, default=Covers.AIRCRAFT)
    evidence = models.CharField(max_length=8, choices=Evidence.choices, default=Evidence.APPROVAL)
    rhythm = models.CharField(max_length=8, choices=Rhythm.choices)
    interval_months = models.PositiveIntegerField(null=True, blank=True)
    season_first = models.CharField(max_length=5, blank=True)
    season_last = models.CharField(max_length=5, blank=True)
    due_soon_days = models.PositiveIntegerField(default=30)
    minimum_passes = models.PositiveIntegerField(default=1)
    retest = models.JSONField(default=dict, blank=True)
    limits = models.JSONField(default=dict, blank=True)
    signers = models.JSONField(default=list, blank=True)
    papers = models.JSONField(default=list, blank=True)
    filing_deadline = models.PositiveIntegerField(null=True, blank=True)
    filing_deadline_unit = models.CharField(
        max_length=5, choices=DeadlineUnit.choices, default=DeadlineUnit.DAYS
    )
    retention_years = models.PositiveIntegerField(null=True, blank=True)
    recorded_by = models.ForeignKey(
        "fleet.Person", null=True, on_delete=models.PROTECT, related_name="+"
    )

    # What can change between two set-ups, and what the value of the key means.
    RETEST_KEYS: ClassVar[dict[str, str]] = {
        "nozzle_type": "true: any nozzle of another type or size",
        "nozzle_count": "true: another number of nozzles",
        "nozzle_place_m": "a nozzle moved along the boom by more than so many metres",
        "deflection_deg": "a nozzle turned by more than so many degrees",
        "boom_width_m": "the boom wider or narrower by more than so many metres",
        "pressure_percent": "pressure up or down by more than so many per cent",
        "airspeed_percent": "airspeed up or down by more than so many per cent",
        "release_height_m": "release height up or down by more than so many metres",
    }

    class Meta:
        ordering: ClassVar = ["requirement_id", "effective_from", "number"]
        verbose_name = "version of a rule"
        verbose_name_plural = "versions of rules"
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["requirement", "number"], name="requirement_version_once"
            ),
            models.UniqueConstraint(
                fields=["requirement", "effective_from"], name="requirement_version_once_a_day"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.requirement}, from {self.effective_from:%-d %B %Y}"

    def clean(self) -> None:
        """Hold the rhythm to the fields it needs."""
        errors = {}
        if self.rhythm == Rhythm.INTERVAL and not self.interval_months:
            errors["interval_months"] = "Say after how many months a test is due again."
        if self.rhythm == Rhythm.SEASON and not (self.season_first and self.season_last):
            errors["season_last"] = "Say the first and the last day of the season's window."
        if errors:
            raise ValidationError(errors)


class Waiver(OperatorRecord):
    """An aircraft that a rule does not bind for a while, with the reason."""

    operator = models.ForeignKey("fleet.Operator", on_delete=models.PROTECT, related_name="+")
    aircraft = models.ForeignKey("fleet.Aircraft", on_delete=models.PROTECT, related_name="waivers")
    requirement = models.ForeignKey(Requirement, on_delete=models.PROTECT, related_name="waivers")
    from_on = models.DateField()
    until_on = models.DateField(help_text="The last day.")
    reason = models.TextField()
    granted_by = models.ForeignKey("fleet.Person", on_delete=models.PROTECT, related_name="+")
    ended_on = models.DateField(null=True, blank=True, help_text="Ended before its last day.")
    ended_reason = models.TextField(blank=True)

    class Meta:
        ordering: ClassVar = ["-from_on", "id"]
        constraints: ClassVar = [
            models.CheckConstraint(
                name="waiver_ends_after_start",
                condition=models.Q(until_on__gte=models.F("from_on")),
            ),
            models.CheckConstraint(
                name="waiver_end_has_reason",
                condition=models.Q(ended_on__isnull=True) | ~models.Q(ended_reason=""),
            ),
        ]

    def __str__(self) -> str:
        return f"Waiver of {self.requirement} for {self.aircraft}"
