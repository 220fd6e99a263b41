"""Webhooks: which there are, what became of their calls, another one, no longer."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from fleet import rules
from fleet.models import HookEvent, Person, Webhook
from fleet.queries.hooks import call_state, calls_of, webhooks_of
from fleet.services import hooks as services
from fleet.web.fields import SpokenForm
from fleet.web.paging import page_of


class WebhookForm(SpokenForm):
    """Where to, and what of."""

    address = forms.URLField(
        max_length=500,
        assume_scheme="https",
        help_text="Begins with https:// and is reached from outside.",
        widget=forms.URLInput(attrs={"placeholder": "https://"}),
    )
    events = forms.MultipleChoiceField(
        label="Tell it of", choices=HookEvent.choices, widget=forms.CheckboxSelectMultiple
    )


def _found(request: HttpRequest, hook_id: UUID) -> tuple[Webhook, Person]:
    hook = get_object_or_404(webhooks_of(request.user), pk=hook_id)
    return hook, rules.allow(rules.may_keep_webhooks, request.user)


@login_required
@require_safe
def webhooks(request: HttpRequest) -> HttpResponse:
    """Which webhooks there are, and how their last calls went."""
    by = rules.allow(rules.may_keep_webhooks, request.user)
    page = page_of(request, webhooks_of(by).order_by("-created_at", "-id"))
    rows = [
        (hook, _kinds(hook), [(call, call_state(call)) for call in hook.last_calls])
        for hook in page.object_list
    ]
    return render(request, "fleet/webhooks.html", {"page": page, "rows": rows, "section": "me"})


def _kinds(hook: Webhook) -> list[str]:
    return [HookEvent(event).label for event in hook.events]


@login_required
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def webhook_new(request: HttpRequest) -> HttpResponse:
    """Add a webhook; its secret is shown in the answer and never again."""
    by: Person = rules.allow(rules.may_keep_webhooks, request.user)
    form = WebhookForm(
        request.POST or None, system=by.unit_system, initial={"events": HookEvent.values}
    )
    if form.carries_out(
        lambda: services.add_webhook(by=by, operator=by.operator, **form.cleaned_data)
    ):
        return _shown(request, form.outcome, by, secret=form.outcome.secret)
    context = {
        "form": form,
        "title": "Another webhook",
        "save": "Add it",
        "crumbs": [(reverse("me"), by.name), (reverse("webhooks"), "Webhooks")],
        "section": "me",
    }
    return render(request, "fleet/form.html", context)


@login_required
@require_safe
def webhook(request: HttpRequest, hook_id: UUID) -> HttpResponse:
    """One webhook and the log of its calls."""
    hook, by = _found(request, hook_id)
    return _shown(request, hook, by)


def _shown(request: HttpRequest, hook: Webhook, by: Person, **more: Any) -> HttpResponse:
    page = page_of(request, calls_of(by).filter(webhook=hook))
    context = {
        "hook": hook,
        "kinds": _kinds(hook),
        "page": page,
        "calls": [(call, call_state(call)) for call in page.object_list],
        "section": "me",
        **more,
    }
    return render(request, "fleet/webhook.html", context)


@login_required
@require_POST
def webhook_stop(request: HttpRequest, hook_id: UUID) -> HttpResponse:
    """Tell an address nothing more."""
    hook, by = _found(request, hook_id)
    if services.stop_webhook(hook, by=by):
        messages.success(request, "Stopped. It is told nothing more; the log stays.")
    return redirect("webhook", hook.pk)


urlpatterns = [
    path("webhooks/", webhooks, name="webhooks"),
    path("webhooks/new/", webhook_new, name="webhook-new"),
    path("webhooks/<uuid:hook_id>/", webhook, name="webhook"),
    path("webhooks/<uuid:hook_id>/stop/", webhook_stop, name="webhook-stop"),
]
