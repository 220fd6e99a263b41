"""Filings and their steps."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from fleet.api.serializers.base import Out, Strict
from fleet.models import Filing, FilingStep, StepKind
from fleet.queries.filings import standing_of


class FilingOut(Out):
    jurisdiction_name = serializers.CharField(source="jurisdiction.name")
    requirement = serializers.UUIDField(
        source="version.requirement_id", default=None, allow_null=True
    )
    last_step = serializers.CharField(help_text="Kind of the last step; empty before the first.")
    is_late = serializers.SerializerMethodField()
    is_settled = serializers.SerializerMethodField()
    next = serializers.SerializerMethodField(help_text="What is to be done; empty when settled.")

    class Meta:
        model = Filing
        fields = [
            "id", "operator", "jurisdiction", "jurisdiction_name", "requirement", "version",
            "aircraft", "test", "season", "what", "counted_from", "due_at", "last_step", "is_late",
            "is_settled", "next", "created_at",
        ]  # fmt: skip

    def get_is_late(self, row: Filing) -> bool:
        """Whether it waits for us and its time is over."""
        return standing_of(row).is_late

    def get_is_settled(self, row: Filing) -> bool:
        """Whether nothing more is asked."""
        return standing_of(row).is_settled

    def get_next(self, row: Filing) -> str:
        """Say what is to be done."""
        return standing_of(row).next


class FilingStepOut(Out):
    recorded_by_name = serializers.CharField(source="recorded_by.name")

    class Meta:
        model = FilingStep
        fields = [
            "id", "filing", "kind", "happened_on", "paper", "reference", "words", "file_name",
            "file_digest", "file_size", "recorded_by", "recorded_by_name", "created_at",
        ]  # fmt: skip


class FilingStepNew(Strict):
    """What may be told depends on the kind: see the pages' forms, or the refusal."""

    kind = serializers.ChoiceField(StepKind.choices)
    happened_on = serializers.DateField()
    paper = serializers.UUIDField(required=False)
    reference = serializers.CharField(required=False, allow_blank=True, max_length=120)
    words = serializers.CharField(required=False, allow_blank=True)
    file = serializers.FileField(required=False, help_text="The answer, in a multipart request.")


class FilingsOpenedOut(serializers.Serializer[Any]):
    opened = serializers.IntegerField(help_text="How many were not on the board before.")
