"""What was given to the programme: the list by season, and noting a gift."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from fleet import rules, tables
from fleet.models import Gift, Season
from fleet.queries.gifts import gift_sums, gifts_of, visits_to_choose
from fleet.queries.members import season_on
from fleet.services import gifts as services
from fleet.tables import Column
from fleet.web.day_pages import key_of
from fleet.web.forms_visits import GiftForm
from fleet.web.paging import page_of

COLUMNS = (
    Column("Given on", "date"),
    Column("Who gave"),
    Column("Kind"),
    Column("Amount", "number", 2),
    Column("Unit"),
    Column("Of what"),
    Column("Visit"),
    Column("Season"),
    Column("Noted by"),
)


@login_required
@require_safe
def gifts(request: HttpRequest) -> HttpResponse:
    """Gifts of a season, and what they add up to."""
    by = rules.allow(rules.may_manage_season, request.user)
    season = Season.objects.filter(pk=key_of(request.GET.get("season"))).first() or season_on()
    rows = gifts_of(by).filter(season=season)
    if export := tables.answer(request, lambda: gifts_table(rows, season)):
        return export
    context = {
        "season": season,
        "seasons": Season.objects.order_by("-starts_on"),
        "page": page_of(request, rows),
        "sums": gift_sums(rows),
        "givers": sorted(set(rows.order_by().values_list("giver", flat=True)), key=str.casefold),
        "section": "season",
    }
    return render(request, "fleet/gifts.html", context)


def gifts_table(rows: Iterable[Gift], season: Season | None) -> tables.Table:
    """Return gifts as a list to export."""
    lines = (
        (
            gift.given_on,
            gift.giver,
            gift.get_kind_display(),
            gift.amount,
            gift.unit,
            gift.what,
            str(gift.visit) if gift.visit else "",
            gift.season.name,
            gift.recorded_by.name,
        )
        for gift in rows
    )
    return tables.Table(f"Gifts {season or ''}".strip(), COLUMNS, lines)


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def gift_new(request: HttpRequest) -> HttpResponse:
    """Note a gift."""
    by = rules.allow(rules.may_manage_season, request.user)
    first = {"given_on": timezone.localdate(), "visit": request.GET.get("visit")}
    form = _form(request, first)
    if form.carries_out(lambda: services.record_gift(by=by, **form.cleaned_data)):
        messages.success(request, f"Noted: {form.outcome}.")
        return redirect("gifts")
    return _page(request, form, "Note a gift")


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def gift_edit(request: HttpRequest, gift_id: Any) -> HttpResponse:
    """Change what was noted of a gift."""
    gift = get_object_or_404(gifts_of(request.user), pk=gift_id)
    by = rules.allow(rules.may_manage_season, request.user)
    form = _form(request, {name: getattr(gift, name) for name in services.GIFT_FIELDS})
    if form.carries_out(lambda: services.change_gift(gift, by=by, **form.cleaned_data)):
        messages.success(request, "Saved.")
        return redirect("gifts")
    return _page(request, form, "Change a gift", gift)


@login_required
@require_POST
def gift_remove(request: HttpRequest, gift_id: Any) -> HttpResponse:
    """Take back a gift noted by mistake."""
    gift = get_object_or_404(gifts_of(request.user), pk=gift_id)
    by = rules.allow(rules.may_manage_season, request.user)
    words = str(gift)
    services.remove_gift(gift, by=by)
    messages.success(request, f"Taken back: {words}.")
    return redirect("gifts")


def _form(request: HttpRequest, initial: dict[str, Any]) -> GiftForm:
    return GiftForm(
        request.POST or None,
        initial=initial,
        visits=visits_to_choose(request.user),
        system=request.user.unit_system,
    )


def _page(
    request: HttpRequest, form: GiftForm, title: str, gift: Gift | None = None
) -> HttpResponse:
    context = {
        "form": form,
        "title": title,
        "gift": gift,
        "crumbs": [(reverse("gifts"), "Gifts")],
        "section": "season",
    }
    return render(request, "fleet/gift_form.html", context)


urlpatterns = [
    path("season/gifts/", gifts, name="gifts"),
    path("season/gifts/new/", gift_new, name="gift-new"),
    path("season/gifts/<uuid:gift_id>/", gift_edit, name="gift-edit"),
    path("season/gifts/<uuid:gift_id>/remove/", gift_remove, name="gift-remove"),
]
