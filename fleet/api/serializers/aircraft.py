"""Aircraft, set-ups, standings."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from fleet.api.serializers.base import Number, Out, Strict
from fleet.models import Aircraft, AircraftKind, Manner, SetUp
from fleet.queries.standing import WORDS


class AircraftOut(Out):
    operator_name = serializers.CharField(source="operator.name")

    class Meta:
        model = Aircraft
        fields = [
            "id",
            "operator",
            "operator_name",
            "registration",
            "make",
            "model",
            "kind",
            "span_m",
            "retired_on",
            "created_at",
        ]


class AircraftFields(Strict):
    registration = serializers.CharField()
    make = serializers.CharField(required=False, allow_blank=True)
    model = serializers.CharField()
    kind = serializers.ChoiceField(AircraftKind.choices)
    span_m = Number(help_text="Wingspan or rotor diameter.")


class AircraftNew(AircraftFields):
    operator = serializers.UUIDField(
        required=False, help_text="Whose it is. People of an operator may leave it out."
    )


class AircraftChange(AircraftFields):
    retired_on = serializers.DateField(required=False, allow_null=True)


class Nozzle(Strict):
    """One nozzle; places count from the centre of the boom, the left wing is negative."""

    place_m = Number()
    type = serializers.CharField(required=False, allow_blank=True)
    size = serializers.CharField()
    deflection_deg = Number(required=False, help_text="Below straight back.")


class SetUpOut(Out):
    registration = serializers.CharField(source="aircraft.registration")
    nozzles = Nozzle(many=True)
    created_by_name = serializers.CharField(source="created_by.name", default=None, allow_null=True)

    class Meta:
        model = SetUp
        fields = [
            "id",
            "operator",
            "aircraft",
            "registration",
            "purpose",
            "number",
            "boom_width_m",
            "nozzles",
            "pressure_kpa",
            "airspeed_m_s",
            "release_height_m",
            "rate_l_per_ha",
            "intended_swath_m",
            "manner",
            "note",
            "created_by",
            "created_by_name",
            "created_at",
        ]


class SetUpNew(Strict):
    """A new revision. It ends the approvals of the one before it for the same purpose."""

    purpose = serializers.CharField()
    boom_width_m = Number()
    nozzles = Nozzle(many=True)
    pressure_kpa = Number()
    airspeed_m_s = Number()
    release_height_m = Number()
    rate_l_per_ha = Number()
    intended_swath_m = Number(required=False, allow_null=True)
    manner = serializers.ChoiceField(Manner.choices)
    note = serializers.CharField(required=False, allow_blank=True)


class StandingOut(serializers.Serializer[Any]):
    """How an aircraft stands for a purpose. A swath is a test finding, no permission to spray."""

    operator = serializers.UUIDField(source="aircraft.operator_id")
    operator_name = serializers.CharField(source="aircraft.operator.name")
    aircraft = serializers.UUIDField(source="aircraft.id")
    registration = serializers.CharField(source="aircraft.registration")
    setup = serializers.UUIDField(source="setup.id", default=None, allow_null=True)
    setup_number = serializers.IntegerField(source="setup.number", default=None, allow_null=True)
    purpose = serializers.CharField(source="setup.purpose", default=None, allow_null=True)
    state = serializers.ChoiceField(list(WORDS.items()))
    in_force = serializers.BooleanField()
    due_on = serializers.DateField(allow_null=True)
    why = serializers.CharField()
    approval = serializers.UUIDField(
        source="approval.id",
        default=None,
        allow_null=True,
        help_text="The one in force, or the last one that ended.",
    )
    swath_m = serializers.SerializerMethodField(help_text="Only where an approval is in force.")
    manner = serializers.SerializerMethodField(help_text="Only where an approval is in force.")
    valid_until = serializers.DateField(
        source="approval.valid_until", default=None, allow_null=True
    )

    def get_swath_m(self, standing: Any) -> float | None:
        return standing.approval.swath_m if standing.in_force else None

    def get_manner(self, standing: Any) -> str | None:
        return standing.approval.manner if standing.in_force else None


class StandingQuery(Strict):
    state = serializers.MultipleChoiceField(
        choices=list(WORDS.items()), required=False, help_text="May be given several times."
    )
    operator = serializers.UUIDField(required=False)
    aircraft = serializers.UUIDField(required=False)
    due_before = serializers.DateField(required=False)
