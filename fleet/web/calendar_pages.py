"""A person's calendar: read by programs at its secret address, looked after on the page You."""

from __future__ import annotations

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.views.decorators.cache import cache_control, never_cache
from django.views.decorators.http import require_POST, require_safe

from fleet import tenancy
from fleet.queries.calendar_feed import address_of, feed_of, owner_of
from fleet.services import feeds as services
from fleet.web.account import own_page


@cache_control(private=True)
@require_safe
def feed(request: HttpRequest, secret: str) -> HttpResponse:
    """Hand out the calendar that a secret opens, to whoever holds it; nobody signs in here."""
    person = owner_of(secret)
    if person is None:
        raise Http404("There is no such calendar.")
    with tenancy.scope(tenancy.scope_of(person)):
        data = feed_of(person)
    return HttpResponse(
        data,
        content_type="text/calendar; charset=utf-8",
        headers={
            "Content-Disposition": 'inline; filename="swathbook.ics"',
            "X-Robots-Tag": "noindex",
        },
    )


@login_required
@never_cache
@require_POST
def renew(request: HttpRequest) -> HttpResponse:
    """Make an address, or another one; it is shown in this answer and never again."""
    secret = services.renew_calendar(request.user)
    return render(
        request, "fleet/me.html", own_page(request.user, calendar_address=address_of(secret))
    )


@login_required
@require_POST
def drop(request: HttpRequest) -> HttpResponse:
    """Let the address open nothing any more."""
    if services.drop_calendar(request.user):
        messages.success(request, "The calendar address opens nothing any more.")
    return redirect("me")


urlpatterns = [
    path("calendar/<str:secret>.ics", feed, name="calendar-feed"),
    path("me/calendar/", renew, name="me-calendar"),
    path("me/calendar/drop/", drop, name="me-calendar-drop"),
]
