"""Plans of return visits, their proposals, wishes."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from fleet.api.serializers.base import Number, Out, Strict
from fleet.models import PlanWord, TourPlan, TourProposal, VisitKind, VisitWish, WordKind

MOST_AT_A_STOP = 100


class SettingsIn(Strict):
    """What is not given is as usual."""

    aircraft_per_day = serializers.IntegerField(required=False)
    speed_m_s = Number(required=False)
    detour_percent = Number(
        required=False, help_text="How much longer the way is than the great circle."
    )
    minutes_per_aircraft = serializers.IntegerField(required=False)
    day_minutes = serializers.IntegerField(
        required=False, help_text="For tests and travel; less where daylight is shorter."
    )
    nights_out = serializers.IntegerField(
        required=False, help_text="Most nights away from home in a row."
    )
    work_days = serializers.ListField(
        child=serializers.IntegerField(), required=False, help_text="0 is Monday, 6 is Sunday."
    )
    blocked_days = serializers.ListField(child=serializers.DateField(), required=False)


class PlanIn(Strict):
    analyst = serializers.UUIDField()
    starts_on = serializers.DateField()
    ends_on = serializers.DateField()
    start_place = serializers.CharField(max_length=120)
    start_latitude_deg = Number()
    start_longitude_deg = Number()
    settings = SettingsIn(required=False)


class PlanWordOut(Out):
    word = serializers.CharField(source="kind", help_text="pin or drop")

    class Meta:
        model = PlanWord
        fields = ["aircraft", "word", "day", "said_by", "created_at"]


class PlanOut(Out):
    settings: Any = serializers.JSONField()
    words = PlanWordOut(many=True, help_text="What was said of single aircraft.")

    class Meta:
        model = TourPlan
        fields = [
            "id",
            "analyst",
            "starts_on",
            "ends_on",
            "start_place",
            "start_latitude_deg",
            "start_longitude_deg",
            "settings",
            "words",
            "made_by",
            "created_at",
        ]


class WordIn(Strict):
    aircraft = serializers.ListField(
        child=serializers.UUIDField(),
        min_length=1,
        max_length=MOST_AT_A_STOP,
        help_text="One, or all at a stop: it is said of all of them or of none.",
    )
    word = serializers.ChoiceField([*WordKind.choices, ("back", "Take back what was said")])
    day = serializers.DateField(required=False, allow_null=True, help_text="For a pin.")


class DayIn(Strict):
    day = serializers.DateField()
    blocked = serializers.BooleanField(help_text="No visits on it; false gives it back.")


class ProposalOut(Out):
    """Tours as they were proposed; `result` is read at the proposal itself."""

    class Meta:
        model = TourProposal
        fields = ["id", "plan", "number", "job", "created_at"]


class ProposalDetailOut(ProposalOut):
    result: Any = serializers.JSONField(
        help_text="Days with stops and aircraft, who is left out, and why; lengths in metres."
    )

    class Meta(ProposalOut.Meta):
        fields = [*ProposalOut.Meta.fields, "result"]


class AcceptIn(Strict):
    day = serializers.DateField()
    operator = serializers.UUIDField(help_text="Whose aircraft the stop is for.")
    kind = serializers.ChoiceField(VisitKind.choices, required=False)


class WishOut(Out):
    class Meta:
        model = VisitWish
        fields = [
            "id",
            "operator",
            "aircraft",
            "from_on",
            "until_on",
            "words",
            "wished_by",
            "settled_on",
            "created_at",
        ]


class WishIn(Strict):
    aircraft = serializers.UUIDField()
    from_on = serializers.DateField()
    until_on = serializers.DateField()
    words = serializers.CharField(required=False, allow_blank=True, max_length=200)
