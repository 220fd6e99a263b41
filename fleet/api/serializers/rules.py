"""Jurisdictions, rules with their versions, waivers, duties."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from fleet.api.serializers.base import Number, Out, Strict
from fleet.models import (
    AircraftKind,
    Covers,
    DeadlineUnit,
    Evidence,
    Jurisdiction,
    Requirement,
    RequirementVersion,
    Rhythm,
    Role,
    Waiver,
    WorksUnder,
)
from fleet.queries.duties import STATE_WORDS
from fleet.version_checks import SAYS


class JurisdictionOut(Out):
    record_lists = serializers.ListField(child=serializers.CharField())

    class Meta:
        model = Jurisdiction
        fields = ["id", "name", "time_zone", "note", "record_lists", "created_at"]


class JurisdictionNew(Strict):
    name = serializers.CharField(max_length=80)
    time_zone = serializers.CharField(required=False, help_text="IANA name.")
    note = serializers.CharField(required=False, allow_blank=True)
    record_lists = serializers.ListField(
        child=serializers.CharField(),
        required=False,
        help_text="Keys of the lists by which it asks for records of service.",
    )


class Retest(Strict):
    """Which changes of a set-up ask for a new test; what is left out asks for none."""

    nozzle_type = serializers.BooleanField(required=False)
    nozzle_count = serializers.BooleanField(required=False)
    nozzle_place_m = Number(required=False)
    deflection_deg = Number(required=False)
    boom_width_m = Number(required=False)
    pressure_percent = Number(required=False)
    airspeed_percent = Number(required=False)
    release_height_m = Number(required=False)


class Limits(Strict):
    """Limits of a test; what is left out has none."""

    cv_percent = Number(required=False)
    wind_speed_m_s = Number(required=False)
    wind_angle_deg = Number(required=False)


class VersionOut(Out):
    retest = Retest()
    limits = Limits()
    kinds = serializers.ListField(child=serializers.ChoiceField(AircraftKind.choices))
    signers = serializers.ListField(child=serializers.ChoiceField(Role.choices))
    papers = serializers.ListField(child=serializers.CharField())

    class Meta:
        model = RequirementVersion
        fields = ["id", "number", "effective_from", "source", *SAYS, "recorded_by", "created_at"]


class RequirementOut(Out):
    jurisdiction_name = serializers.CharField(source="jurisdiction.name")
    versions = VersionOut(many=True, help_text="The newest first.")

    class Meta:
        model = Requirement
        fields = [
            "id",
            "jurisdiction",
            "jurisdiction_name",
            "name",
            "ended_on",
            "versions",
            "created_at",
        ]


class VersionNew(Strict):
    """What a rule says from a day on: today at the earliest, and after the last version."""

    effective_from = serializers.DateField()
    source = serializers.CharField(help_text="Law, rule or letter, with its date.")
    rhythm = serializers.ChoiceField(Rhythm.choices)
    interval_months = serializers.IntegerField(required=False, allow_null=True)
    season_first = serializers.CharField(required=False, allow_blank=True, help_text="MM-DD.")
    season_last = serializers.CharField(
        required=False,
        allow_blank=True,
        help_text="MM-DD; before the first: the window runs across New Year. "
        "02-29 is the last day of February.",
    )
    due_soon_days = serializers.IntegerField(required=False)
    covers = serializers.ChoiceField(Covers.choices, required=False)
    evidence = serializers.ChoiceField(Evidence.choices, required=False)
    minimum_passes = serializers.IntegerField(required=False)
    kinds = serializers.ListField(
        child=serializers.ChoiceField(AircraftKind.choices), required=False
    )
    signers = serializers.ListField(child=serializers.ChoiceField(Role.choices), required=False)
    retest = Retest(required=False)
    limits = Limits(required=False)
    papers = serializers.ListField(child=serializers.CharField(), required=False)
    filing_deadline = serializers.IntegerField(required=False, allow_null=True)
    filing_deadline_unit = serializers.ChoiceField(DeadlineUnit.choices, required=False)
    retention_years = serializers.IntegerField(required=False, allow_null=True)


class RequirementNew(VersionNew):
    """A rule with its first version, which may have begun in the past."""

    jurisdiction = serializers.UUIDField()
    name = serializers.CharField(max_length=120)


class RequirementEnd(Strict):
    ended_on = serializers.DateField(help_text="The last day in force: today or later.")


class WaiverOut(Out):
    registration = serializers.CharField(source="aircraft.registration")
    requirement_name = serializers.CharField(source="requirement.name")
    granted_by_name = serializers.CharField(source="granted_by.name")

    class Meta:
        model = Waiver
        fields = [
            "id",
            "operator",
            "aircraft",
            "registration",
            "requirement",
            "requirement_name",
            "from_on",
            "until_on",
            "reason",
            "granted_by",
            "granted_by_name",
            "ended_on",
            "ended_reason",
            "created_at",
        ]


class WaiverNew(Strict):
    aircraft = serializers.UUIDField()
    requirement = serializers.UUIDField()
    from_on = serializers.DateField()
    until_on = serializers.DateField(help_text="The last day.")
    reason = serializers.CharField()


class WaiverEnd(Strict):
    reason = serializers.CharField()


class UnderOut(Out):
    registration = serializers.CharField(source="aircraft.registration")
    jurisdiction_name = serializers.CharField(source="jurisdiction.name")

    class Meta:
        model = WorksUnder
        fields = [
            "id",
            "operator",
            "aircraft",
            "registration",
            "jurisdiction",
            "jurisdiction_name",
            "from_on",
            "until_on",
            "created_at",
        ]


class UnderNew(Strict):
    aircraft = serializers.UUIDField()
    jurisdiction = serializers.UUIDField()
    from_on = serializers.DateField()


class UnderEnd(Strict):
    until_on = serializers.DateField(help_text="The last day: today or later.")


class DutyOut(serializers.Serializer[Any]):
    """What one rule asks of one aircraft, and how that stands."""

    operator = serializers.UUIDField(source="aircraft.operator_id")
    operator_name = serializers.CharField(source="aircraft.operator.name")
    aircraft = serializers.UUIDField(source="aircraft.id")
    registration = serializers.CharField(source="aircraft.registration")
    jurisdiction = serializers.UUIDField(source="requirement.jurisdiction_id")
    jurisdiction_name = serializers.CharField(source="requirement.jurisdiction.name")
    requirement = serializers.UUIDField(source="requirement.id")
    requirement_name = serializers.CharField(source="requirement.name")
    version = serializers.UUIDField(
        source="version.id", default=None, allow_null=True, help_text="The one in force."
    )
    state = serializers.ChoiceField(list(STATE_WORDS.items()))
    met_until = serializers.DateField(
        allow_null=True,
        help_text="The last day on which it is met by what is on record. Null where it is not met, "
        "and where nothing ends it: then the state is met.",
    )
    due_on = serializers.DateField(
        allow_null=True, help_text="The last day to test, or the day from which it is overdue."
    )
    why = serializers.ListField(
        child=serializers.CharField(), help_text="Sentence by sentence, in your own units."
    )


class DutyQuery(Strict):
    state = serializers.MultipleChoiceField(
        choices=list(STATE_WORDS.items()), required=False, help_text="May be given several times."
    )
    operator = serializers.UUIDField(required=False)
    aircraft = serializers.UUIDField(required=False)
    jurisdiction = serializers.UUIDField(required=False)
    on = serializers.DateField(
        required=False, help_text="As it stood on that day, from what was on record by its end."
    )
