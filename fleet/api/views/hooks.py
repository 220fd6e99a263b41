"""Webhooks with their calls, and one's calendar address."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import rules
from fleet.api.filters import HookCallFilter, WebhookFilter
from fleet.api.serializers.hooks import (
    CalendarMadeOut,
    CalendarOut,
    HookCallOut,
    WebhookMadeOut,
    WebhookNew,
    WebhookOut,
)
from fleet.api.views.base import Address, ListRows, OneRow, Rows, at, named, person_of, taken
from fleet.models import HookCall, Webhook
from fleet.queries.calendar_feed import address_of, calendar_kept
from fleet.queries.hooks import calls_of, webhooks_of
from fleet.queries.whose import operators_of
from fleet.services import feeds
from fleet.services import hooks as services


class WebhookList(ListRows):
    """Webhooks: those of your operator; for staff all (staff and owners)."""

    model = Webhook
    rows_of = staticmethod(webhooks_of)
    serializer_class = WebhookOut
    filterset_class = WebhookFilter
    restricted = True

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        rules.allow(rules.may_keep_webhooks, request.user)
        return super().get(request, *args, **kwargs)

    @extend_schema(request=WebhookNew, responses={201: WebhookMadeOut})
    def post(self, request: Request) -> Response:
        """Add a webhook. The answer holds the secret that signs its calls; it is not told again."""
        by = rules.allow(rules.may_keep_webhooks, request.user)
        given = taken(WebhookNew, request)
        key = given.pop("operator", None) or by.operator_id
        operator = named(operators_of(by), key, "operator") if key else None
        hook = services.add_webhook(by=by, operator=operator, **given)
        return Response(
            WebhookMadeOut(hook).data,
            201,
            headers={**at("webhook-detail", hook), "Cache-Control": "no-store"},
        )


class WebhookDetail(OneRow):
    """One webhook."""

    model = Webhook
    rows_of = staticmethod(webhooks_of)
    serializer_class = WebhookOut
    restricted = True

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        found = self.found()
        rules.allow(rules.may_keep_webhooks, request.user)
        return Response(WebhookOut(found).data)


class WebhookStop(Rows):
    """The end of a webhook."""

    model = Webhook
    rows_of = staticmethod(webhooks_of)
    serializer_class = WebhookOut

    @extend_schema(request=None, responses={200: WebhookOut})
    def post(self, request: Request, pk: object) -> Response:
        """Tell an address nothing more. Stopped already is stopped."""
        hook = self.found()
        by = rules.allow(rules.may_keep_webhooks, request.user)
        services.stop_webhook(hook, by=by)
        return Response(self.now(hook))


class WebhookCallList(ListRows):
    """What was told to webhooks, the newest first, with the answers and the next attempts."""

    model = HookCall
    rows_of = staticmethod(calls_of)
    serializer_class = HookCallOut
    filterset_class = HookCallFilter
    restricted = True

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        rules.allow(rules.may_keep_webhooks, request.user)
        return super().get(request, *args, **kwargs)


class MyCalendar(Address):
    """Your calendar: visits, due days and filing deadlines at a secret address."""

    @extend_schema(responses=CalendarOut)
    def get(self, request: Request) -> Response:
        kept = calendar_kept(person_of(request))
        return Response(CalendarOut({"renewed_at": kept.renewed_at if kept else None}).data)

    @extend_schema(request=None, responses={201: CalendarMadeOut})
    def post(self, request: Request) -> Response:
        """Make an address, or another one: the old one opens nothing any more."""
        secret = feeds.renew_calendar(person_of(request))
        return Response({"address": address_of(secret)}, 201, headers={"Cache-Control": "no-store"})


class MyCalendarRemoval(Address):
    """The end of your calendar address."""

    @extend_schema(request=None, responses={204: None})
    def post(self, request: Request) -> Response:
        """Let your calendar address open nothing any more."""
        feeds.drop_calendar(person_of(request))
        return Response(status=204)
