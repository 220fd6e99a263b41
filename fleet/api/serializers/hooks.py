"""Webhooks, their calls, and one's calendar address."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from fleet.api.serializers.base import Out, Strict
from fleet.models import HookCall, HookEvent, Webhook


class WebhookOut(Out):
    """A webhook. Its secret is told once, to whoever adds it."""

    events = serializers.ListField(child=serializers.ChoiceField(HookEvent.choices))

    class Meta:
        model = Webhook
        fields = ["id", "operator", "address", "events", "stopped_at", "made_by", "created_at"]


class WebhookMadeOut(WebhookOut):
    """A new webhook with its secret, which is not told again."""

    class Meta(WebhookOut.Meta):
        fields = [*WebhookOut.Meta.fields, "secret"]


class WebhookNew(Strict):
    operator = serializers.UUIDField(
        required=False,
        allow_null=True,
        help_text="Your own when left out; for staff the association.",
    )
    address = serializers.URLField(max_length=500)
    events = serializers.ListField(
        child=serializers.ChoiceField(HookEvent.choices), allow_empty=False
    )


class HookCallOut(Out):
    """One event to one address: `payload` is the body as it is sent."""

    class Meta:
        model = HookCall
        fields = [
            "id", "webhook", "operator", "event", "payload", "attempts", "status", "trouble",
            "next_at", "taken_at", "given_up_at", "created_at",
        ]  # fmt: skip


class CalendarOut(serializers.Serializer[Any]):
    """Whether you have a calendar address, and since when."""

    renewed_at = serializers.DateTimeField(allow_null=True)


class CalendarMadeOut(serializers.Serializer[Any]):
    """Your new calendar address, which is not told again."""

    address = serializers.URLField()
