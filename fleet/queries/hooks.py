"""Webhooks and what became of their calls."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from django.db.models import Prefetch, QuerySet

from fleet.models import HookCall, Person, Webhook

LAST_CALLS = 3


def webhooks_of(person: Person) -> QuerySet[Webhook]:
    """Webhooks of a person's operator; for staff and analysts all of them.

    `last_calls` holds the newest calls of each: one query for all.
    """
    newest = HookCall.objects.order_by("-created_at", "-id")[:LAST_CALLS]
    rows = Webhook.objects.select_related("operator", "made_by").prefetch_related(
        Prefetch("calls", queryset=newest, to_attr="last_calls")
    )
    if person.sees_everyone:
        return rows
    return rows.filter(operator=person.operator_id) if person.operator_id else rows.none()


def calls_of(person: Person) -> QuerySet[HookCall]:
    """Calls of the webhooks that a person may see, the newest first."""
    rows = HookCall.objects.select_related("webhook", "operator")
    if not person.sees_everyone:
        if not person.operator_id:
            return rows.none()
        rows = rows.filter(operator=person.operator_id, webhook__operator=person.operator_id)
    return rows.order_by("-created_at", "-id")


@dataclass(frozen=True, slots=True)
class CallState:
    """How a call stands: a code of `state`, and in words."""

    code: str
    words: str


def call_state(call: HookCall) -> CallState:
    """Say how a call stands."""
    if call.taken_at is not None:
        return CallState("done", "Taken")
    if call.given_up_at is not None:
        return CallState("failed", "Given up")
    return CallState("running", "Tried again" if call.attempts else "Waits")


def told_before(event: str, reasons: Collection[str]) -> set[tuple[object, str]]:
    """Return which webhooks were told of which reasons."""
    rows = HookCall.objects.filter(event=event, reason__in=reasons)
    return set(rows.values_list("webhook_id", "reason"))
