"""Webhooks: whoever wants to be told of events, told until it is taken or given up."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from django.db import transaction
from django.utils import timezone

from fleet import audit, jobs, rules, webhooks
from fleet.models import HookCall, HookEvent, Job, Operator, Person, Webhook
from fleet.services.base import checked, refuse
from patterns.plain import canonical_bytes

# After each attempt that failed: minutes until the next. After the last the call is given up.
PAUSES_MINUTES: Final = (1, 5, 30, 120, 480, 1440)
MOST_PER_OPERATOR: Final = 10


@transaction.atomic
def add_webhook(
    *, by: Person, operator: Operator | None, address: str, events: Sequence[str]
) -> Webhook:
    """Add an address that is told of events. Its secret is in the row that comes back."""
    rules.allow(rules.may_keep_webhooks, by)
    _check(by, operator, address, events)
    hook = Webhook(
        operator=operator,
        address=address,
        events=sorted(set(events)),
        secret=webhooks.new_secret(),
        made_by=by,
    )
    checked(hook)
    hook.save(force_insert=True)
    audit.record(
        "webhook_added",
        hook,
        by=by,
        operator=operator,
        after=audit.values(hook, ("address", "events")),
    )
    return hook


def _check(by: Person, operator: Operator | None, address: str, events: Sequence[str]) -> None:
    errors: dict[str, list[str]] = {}
    if operator is None and not by.sees_everyone:
        errors["operator"] = ["Yours is told of your own operator only."]
    unknown = sorted(set(events) - set(HookEvent.values))
    if unknown or not events:
        errors["events"] = [f"Choose among {', '.join(HookEvent.values)}."]
    try:
        webhooks.check_address(address)
    except webhooks.UnsafeAddressError as error:
        errors["address"] = [str(error)]
    alive = Webhook.objects.filter(operator=operator, stopped_at__isnull=True)
    if alive.count() >= MOST_PER_OPERATOR:
        errors["address"] = [f"There are {MOST_PER_OPERATOR} already; stop one first."]
    refuse(errors)


@transaction.atomic
def stop_webhook(hook: Webhook, *, by: Person) -> bool:
    """Tell an address nothing more. What waits for it is given up. False when it was stopped."""
    rules.allow(rules.may_keep_webhooks, by)
    now = timezone.now()
    stopped = Webhook.objects.filter(pk=hook.pk, stopped_at__isnull=True).update(stopped_at=now)
    if not stopped:
        return False
    _open_calls(hook).update(given_up_at=now, next_at=None, trouble="The webhook was stopped.")
    audit.record("webhook_stopped", hook, by=by, operator=hook.operator)
    return True


def _open_calls(hook: Webhook) -> Any:
    return HookCall.objects.filter(webhook=hook, taken_at__isnull=True, given_up_at__isnull=True)


def listening(event: str) -> list[Webhook]:
    """Return the webhooks that want to be told of an event, whosever they are."""
    hooks = Webhook.objects.filter(stopped_at__isnull=True).select_related("operator")
    return [hook for hook in hooks if event in hook.events]


def tell(event: str, *, operator: Operator | None, reason: str, content: Mapping[str, Any]) -> None:
    """Tell the webhooks of an operator, and those of the association, of an event.

    Within the transaction of the deed: the calls are saved with it and sent after its commit.
    `reason` names the event once and for all; an address is told of it once.
    """
    whose = (None, operator.pk if operator else None)
    mine = [hook for hook in listening(event) if hook.operator_id in whose]
    now = timezone.now()
    payload = canonical_bytes(
        {"type": event, "timestamp": now.isoformat(timespec="seconds"), "data": dict(content)}
    ).decode()
    for hook in mine:
        call, is_new = HookCall.objects.get_or_create(
            webhook=hook,
            reason=reason,
            defaults={
                "operator": hook.operator,
                "event": event,
                "payload": payload,
                "next_at": now,
            },
        )
        if is_new:
            jobs.enqueue("hook", subject=call, operator=hook.operator, by=None, parameters={})


@jobs.handler("hook")
def send_call(job: Job, progress: jobs.Progress) -> Callable[[], None]:
    """Send a call; rest and try again where it is not taken; give it up after a day and a half."""
    call = HookCall.objects.select_related("webhook").get(pk=job.subject_id)
    if call.taken_at or call.given_up_at:
        return _nothing
    progress(0.1, f"Telling {call.webhook}")
    answer = webhooks.send(
        call.webhook.address,
        secret=call.webhook.secret,
        call_id=str(call.pk),
        timestamp=int(timezone.now().timestamp()),
        body=call.payload.encode(),
    )
    attempts = call.attempts + 1
    seen = {"attempts": attempts, "status": answer.status, "trouble": answer.trouble}
    if answer.taken:
        return lambda: _settle(call, taken_at=timezone.now(), next_at=None, **seen)
    if attempts > len(PAUSES_MINUTES):
        return lambda: _settle(call, given_up_at=timezone.now(), next_at=None, **seen)
    pause = datetime.timedelta(minutes=PAUSES_MINUTES[attempts - 1])
    _settle(call, next_at=timezone.now() + pause, **seen)
    raise jobs.TryLater(answer.trouble, pause_s=pause.total_seconds())


def _nothing() -> None:
    """Store nothing: the call was settled before."""


def _settle(call: HookCall, **values: Any) -> None:
    HookCall.objects.filter(pk=call.pk, taken_at__isnull=True, given_up_at__isnull=True).update(
        **values
    )
