"""Analyses, approvals, papers."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from fleet.api.serializers.base import Number, Out, Strict
from fleet.models import AnalysisRun, Approval, Manner, UnitSystem

CHART_SIZES = ("wide", "compact", "paper")
ENDINGS = ("in_force", "superseded", "withdrawn", "changed", "expired", "retired")


class AnalysisOut(Out):
    """An analysis without its document."""

    aircraft = serializers.UUIDField(source="test.setup.aircraft_id")
    setup = serializers.UUIDField(source="test.setup_id")
    registration = serializers.CharField(source="test.setup.aircraft.registration")

    class Meta:
        model = AnalysisRun
        fields = [
            "id",
            "operator",
            "test",
            "job",
            "setup",
            "aircraft",
            "registration",
            "number",
            "method_version",
            "inputs_digest",
            "document_digest",
            "accepted_passes",
            "one_way_swath_m",
            "one_way_cv_percent",
            "back_and_forth_swath_m",
            "back_and_forth_cv_percent",
            "requested_by",
            "created_at",
        ]


class AnalysisFullOut(AnalysisOut):
    """An analysis with its settings, inputs, weather, and the whole result."""

    settings = serializers.JSONField(source="parameters")
    inputs = serializers.JSONField(help_text="Conditions, how files were read, the passes.")
    weather = serializers.JSONField(help_text="Wind components, Delta T, remarks.")
    result = serializers.JSONField(
        source="raw_result",
        help_text="passes, pattern, uniformity, recommended, findings, parameters; see the manual.",
    )
    current = serializers.BooleanField(
        help_text="Whether it was made from the passes and conditions as they stand now."
    )

    class Meta(AnalysisOut.Meta):
        fields = [*AnalysisOut.Meta.fields, "settings", "inputs", "weather", "result", "current"]


class AnalysisIn(Strict):
    cv_limit_percent = Number(required=False)
    line_error_m = Number(required=False)
    centring = serializers.ChoiceField(["flight_line", "deposition"], required=False)
    sweep = serializers.ChoiceField(
        [("us", "Whole feet"), ("metric", "Half metres")], required=False
    )


class ChartQuery(Strict):
    swath_m = Number(required=False, help_text="Default: the recommended one.")
    manner = serializers.ChoiceField(
        Manner.choices, required=False, help_text="Default: that of the set-up."
    )
    system = serializers.ChoiceField(
        UnitSystem.choices, required=False, help_text="Default: your own."
    )
    size = serializers.ChoiceField(CHART_SIZES, required=False, default="wide")


class EvidenceQuery(Strict):
    swath_m = Number()
    manner = serializers.ChoiceField(Manner.choices)


class EvidenceOut(serializers.Serializer[Any]):
    """What an approval of this swath would rest on; `gap` says how it lies outside."""

    swath_m = serializers.FloatField()
    cv_percent = serializers.FloatField()
    low_percent = serializers.FloatField(allow_null=True)
    high_percent = serializers.FloatField(allow_null=True)
    gap = serializers.CharField(allow_blank=True)


class WithdrawalOut(serializers.Serializer[Any]):
    reason = serializers.CharField()
    withdrawn_by = serializers.UUIDField(source="withdrawn_by_id")
    created_at = serializers.DateTimeField()


class ApprovalOut(Out):
    """An approved swath: a test finding, never permission to spray."""

    registration = serializers.CharField(source="aircraft.registration")
    purpose = serializers.CharField(source="setup.purpose")
    setup_number = serializers.IntegerField(source="setup.number")
    test = serializers.UUIDField(source="analysis.test_id")
    approved_by_name = serializers.CharField(source="approved_by.name")
    state = serializers.ChoiceField(ENDINGS, help_text="Whether it stands today, or what ended it.")
    superseded_by = serializers.UUIDField(source="superseded_by.id", default=None, allow_null=True)
    withdrawal = WithdrawalOut(default=None, allow_null=True)

    class Meta:
        model = Approval
        fields = [
            "id",
            "operator",
            "aircraft",
            "registration",
            "setup",
            "setup_number",
            "purpose",
            "test",
            "analysis",
            "swath_m",
            "manner",
            "cv_percent",
            "cv_high_percent",
            "valid_until",
            "state",
            "note",
            "outside_reason",
            "approved_by",
            "approved_by_name",
            "supersedes",
            "superseded_by",
            "withdrawal",
            "created_at",
        ]


class ApprovalIn(Strict):
    swath_m = Number()
    manner = serializers.ChoiceField(Manner.choices)
    valid_until = serializers.DateField()
    note = serializers.CharField(required=False, allow_blank=True)
    outside_reason = serializers.CharField(
        required=False, allow_blank=True, help_text="Needed for a swath outside the evidence."
    )


class WithdrawalIn(Strict):
    reason = serializers.CharField()
