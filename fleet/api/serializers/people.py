"""Signing in, people and operators."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from fleet.api.serializers.base import Number, Out, Strict
from fleet.models import Operator, Person, Role, UnitSystem


class SignInIn(Strict):
    email = serializers.CharField()
    password = serializers.CharField(trim_whitespace=False)


class TokenOut(serializers.Serializer[Any]):
    """Send it with every request: `Authorization: Bearer TOKEN`."""

    token = serializers.CharField()


class PersonOut(Out):
    operator_name = serializers.CharField(source="operator.name", default=None, allow_null=True)
    jurisdiction = serializers.CharField(
        source="jurisdiction.name", default=None, allow_null=True, help_text="A checker's."
    )

    class Meta:
        model = Person
        fields = [
            "id",
            "email",
            "name",
            "role",
            "operator",
            "operator_name",
            "jurisdiction",
            "may_change_setups",
            "unit_system",
            "is_active",
            "created_at",
        ]


class MeChange(Strict):
    unit_system = serializers.ChoiceField(UnitSystem.choices)


class PersonNew(Strict):
    email = serializers.EmailField()
    name = serializers.CharField()
    role = serializers.ChoiceField(Role.choices)
    operator = serializers.UUIDField(
        required=False, allow_null=True, help_text="For owners and pilots."
    )
    jurisdiction = serializers.CharField(
        required=False, allow_null=True, help_text="For checkers: its name."
    )
    may_change_setups = serializers.BooleanField(
        required=False, help_text="For pilots: may record set-ups all the same."
    )
    password = serializers.CharField(
        required=False,
        trim_whitespace=False,
        write_only=True,
        help_text="Without one the person cannot sign in yet.",
    )
    unit_system = serializers.ChoiceField(UnitSystem.choices, required=False)


class PersonChange(Strict):
    may_change_setups = serializers.BooleanField(help_text="Of a pilot.")


class OperatorOut(Out):
    jurisdiction = serializers.CharField(
        source="jurisdiction.name", default=None, allow_null=True, help_text="Its name."
    )

    class Meta:
        model = Operator
        fields = [
            "id",
            "name",
            "base",
            "base_latitude_deg",
            "base_longitude_deg",
            "jurisdiction",
            "email",
            "phone",
            "left_on",
            "created_at",
        ]


class OperatorNew(Strict):
    name = serializers.CharField()
    base = serializers.CharField(help_text="Home base: airfield or town.")
    base_latitude_deg = Number(required=False, allow_null=True)
    base_longitude_deg = Number(required=False, allow_null=True)
    jurisdiction = serializers.CharField(
        required=False, allow_null=True, help_text="The name of a jurisdiction on record."
    )
    email = serializers.EmailField(required=False, allow_blank=True)
    phone = serializers.CharField(required=False, allow_blank=True)


class OperatorChange(OperatorNew):
    left_on = serializers.DateField(required=False, allow_null=True)
