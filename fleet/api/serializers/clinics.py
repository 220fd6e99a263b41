"""Sign-ups, running orders, supplies, gifts."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from fleet.api.serializers.base import Number, Out, Strict
from fleet.models import Gift, GiftKind, SignUp, SignUpState, Supply, SupplyUse
from fleet.queries.clinics import turns


class SignUpOut(Out):
    registration = serializers.CharField(source="aircraft.registration")
    operator_name = serializers.CharField(source="operator.name")
    position = serializers.IntegerField(
        allow_null=True, help_text="In the order of its day, or on the waiting list; from 1."
    )
    slot_at = serializers.SerializerMethodField()

    class Meta:
        model = SignUp
        fields = [
            "id",
            "operator",
            "operator_name",
            "visit",
            "aircraft",
            "registration",
            "wish",
            "state",
            "day",
            "position",
            "slot_at",
            "created_at",
        ]

    def get_slot_at(self, row: SignUp) -> str | None:
        """About when its turn is, where the visit has slots."""
        [turn] = turns([row])
        return turn.at.isoformat() if turn.at else None


class SignUpNew(Strict):
    aircraft = serializers.UUIDField()
    wish = serializers.CharField(required=False, allow_blank=True)
    day = serializers.DateField(
        required=False, allow_null=True, help_text="Without it the first day with a free place."
    )


class StateIn(Strict):
    state = serializers.ChoiceField(
        [
            (SignUpState.FLOWN.value, "It has flown"),
            (SignUpState.ABSENT.value, "It did not come"),
            (SignUpState.PLACED.value, "Neither: it is back in the order"),
        ]
    )


class MoveIn(Strict):
    """Before which other sign-up of the same day, or to which day."""

    before = serializers.UUIDField(required=False)
    day = serializers.DateField(required=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if len(attrs) != 1:
            raise serializers.ValidationError("Say before whom, or to which day: one of the two.")
        return attrs


class OrderIn(Strict):
    day = serializers.DateField()
    order = serializers.ListField(
        child=serializers.UUIDField(),
        max_length=200,
        help_text="Sign-ups to fly on that day, the next first. Whoever is missing comes behind.",
    )


class CancellationIn(Strict):
    reason = serializers.CharField(max_length=200)


class SupplyOut(Out):
    recorded_by_name = serializers.CharField(source="recorded_by.name")

    class Meta:
        model = SupplyUse
        fields = [
            "id",
            "visit",
            "what",
            "amount",
            "unit",
            "note",
            "recorded_by",
            "recorded_by_name",
            "created_at",
        ]


class SupplyNew(Strict):
    what = serializers.ChoiceField(Supply.choices)
    amount = Number()
    unit = serializers.CharField(
        required=False,
        allow_blank=True,
        help_text="Without it dye in g, string in m, cards in pieces.",
    )
    note = serializers.CharField(required=False, allow_blank=True)


class GiftOut(Out):
    season_name = serializers.CharField(source="season.name")

    class Meta:
        model = Gift
        fields = [
            "id",
            "season",
            "season_name",
            "visit",
            "giver",
            "kind",
            "amount",
            "unit",
            "what",
            "given_on",
            "recorded_by",
            "created_at",
        ]


class GiftIn(Strict):
    giver = serializers.CharField()
    kind = serializers.ChoiceField(GiftKind.choices)
    amount = Number()
    unit = serializers.CharField(
        required=False, allow_blank=True, default="", help_text="L, pieces, USD…; hours need none."
    )
    what = serializers.CharField(required=False, allow_blank=True)
    given_on = serializers.DateField(help_text="Says for which season it counts.")
    visit = serializers.UUIDField(required=False, allow_null=True)
