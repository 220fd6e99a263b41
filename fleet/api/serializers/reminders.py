"""Reminders: one's own settings, and the log."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from fleet.api.serializers.base import Out, Strict
from fleet.models import Reminded, ReminderKind, ReminderMail


class RemindersOut(serializers.Serializer[Any]):
    """Of what you are reminded, and of what you could be."""

    wanted = serializers.ListField(child=serializers.ChoiceField(ReminderKind.choices))
    offered = serializers.ListField(child=serializers.ChoiceField(ReminderKind.choices))


class RemindersChange(Strict):
    wanted = serializers.ListField(
        child=serializers.ChoiceField(ReminderKind.choices),
        help_text="All kinds you want; an empty list stops all reminders.",
    )


class ReasonOut(Out):
    class Meta:
        model = Reminded
        fields = ["kind", "words"]


class ReminderOut(Out):
    person_name = serializers.CharField(source="person.name")
    reasons = ReasonOut(many=True)

    class Meta:
        model = ReminderMail
        fields = [
            "id",
            "created_at",
            "day",
            "person",
            "person_name",
            "email",
            "subject",
            "message_id",
            "reasons",
        ]
