"""Records of service, and the lists of elements that they follow."""

from __future__ import annotations

import datetime
from typing import Any

from rest_framework import serializers

from fleet.api.serializers.base import Out, Strict
from fleet.models import ServiceRecord
from fleet.queries.service_records import keep_until

VALUES = (
    "Elements by key, as /api/v1/record-lists/ names them. A number is {number, unit}, a date "
    "2026-05-04, a time 06:40; a part that repeats is a list of objects."
)
LISTS = "Keys of the lists that it follows: those without a condition, and those whose is met."


class AskOut(serializers.Serializer[Any]):
    part = serializers.CharField(source="element.part.key")
    key = serializers.CharField(source="element.key")
    label = serializers.CharField(source="element.label")
    kind = serializers.CharField(source="element.kind", help_text="text, number, date or time.")
    units = serializers.ListField(child=serializers.CharField(), source="element.units")
    repeats = serializers.BooleanField(
        source="element.part.repeats", help_text="Whether `part` is a list of objects."
    )
    required = serializers.BooleanField()
    source = serializers.CharField(help_text="The paragraph that asks for it.")


class RecordListOut(serializers.Serializer[Any]):
    key = serializers.CharField()
    name = serializers.CharField()
    title = serializers.CharField()
    only_when = serializers.CharField(
        help_text="Of which applications it asks only; empty: of every one."
    )
    source = serializers.CharField()
    kept_months = serializers.IntegerField(help_text="How long a record must be kept at least.")
    kept_source = serializers.CharField()
    asks = AskOut(many=True)


class ServiceRecordOut(Out):
    registration = serializers.CharField(
        source="aircraft.registration", default=None, allow_null=True
    )
    jurisdiction_name = serializers.CharField(source="jurisdiction.name")
    lists = serializers.ListField(child=serializers.CharField())
    values: Any = serializers.JSONField(help_text=VALUES)
    corrected_by = serializers.UUIDField(
        source="corrected_by.pk", default=None, allow_null=True, help_text="The later record."
    )
    keep_until = serializers.SerializerMethodField()
    recorded_by_name = serializers.CharField(source="recorded_by.name")

    class Meta:
        model = ServiceRecord
        fields = [
            "id", "operator", "aircraft", "registration", "jurisdiction", "jurisdiction_name",
            "lists", "served_on", "values", "took_place", "corrects", "corrected_by", "reason",
            "keep_until", "recorded_by", "recorded_by_name", "created_at",
        ]  # fmt: skip

    def get_keep_until(self, row: ServiceRecord) -> datetime.date:
        """Return the last day it must be kept."""
        return keep_until(row)


class ServiceRecordNew(Strict):
    jurisdiction = serializers.UUIDField(help_text="Where it was: who asks for the record.")
    aircraft = serializers.UUIDField(required=False, allow_null=True)
    lists = serializers.ListField(
        child=serializers.CharField(), required=False, help_text=f"{LISTS} Without: all."
    )
    values: Any = serializers.DictField(help_text=VALUES)
    mark = serializers.UUIDField(
        required=False,
        help_text="A key of your own (UUID): the same record sent again with it is made once.",
    )


class ServiceRecordCorrection(Strict):
    reason = serializers.CharField(help_text="What was wrong.")
    aircraft = serializers.UUIDField(
        required=False, allow_null=True, help_text="Without: the same; null: none."
    )
    lists = serializers.ListField(
        child=serializers.CharField(), required=False, help_text=f"{LISTS} Without: the same."
    )
    values: Any = serializers.DictField(help_text=f"All of them, not only what differs. {VALUES}")


class ServiceRecordStrike(Strict):
    reason = serializers.CharField(help_text="Why there is nothing to record.")
