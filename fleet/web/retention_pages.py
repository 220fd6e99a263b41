"""What must be kept until when, and removing what nothing holds any longer."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import Any

from django import forms
from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.views.decorators.http import require_POST, require_safe

from fleet import rules, tables
from fleet.queries.retention import Bytes, purges_of, removable
from fleet.services import retention as services
from fleet.tables import Column, Table
from fleet.web.fields import SpokenForm
from fleet.web.paging import page_of

PURGES_SHOWN = 20


class PurgeForm(SpokenForm):
    """The word that says that one means it, and the mark of what was seen."""

    word = forms.CharField(
        label=f'Type "{services.WORD}"',
        max_length=20,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    seen = forms.CharField(widget=forms.HiddenInput)


@login_required
@require_safe
def retention(request: HttpRequest) -> HttpResponse:
    """What may be removed, with its sum, and what was removed before."""
    by = rules.allow(rules.may_purge, request.user)
    found = removable(by)
    if export := tables.answer(request, lambda: removable_table(found)):
        return export
    return _show(request, found, _form(by, found))


def _form(by: Any, found: list[Bytes]) -> PurgeForm:
    return PurgeForm(system=by.unit_system, initial={"seen": services.mark_of(found)})


def _show(request: HttpRequest, found: list[Bytes], form: PurgeForm) -> HttpResponse:
    purges = list(purges_of(request.user)[:PURGES_SHOWN])
    context = {
        "count": len(found),
        "megabytes": sum(one.size or 0 for one in found) / 1e6,
        "page": page_of(request, found),
        "form": form,
        "age_years": settings.PURGE_AFTER_YEARS,
        "purges": [(one, sum(file["size"] for file in one.files) / 1e6) for one in purges],
        "section": "papers",
    }
    return render(request, "fleet/retention.html", context)


def removable_table(found: Iterable[Bytes]) -> Table:
    """Return what may be removed as a list to export."""
    columns = [
        Column("What"),
        Column("Operator"),
        Column("About the day", "date"),
        Column("Had to be kept until", "date"),
        Column("Held by"),
        Column("Bytes", "whole"),
        Column("SHA-256"),
    ]
    return Table("Files that may be removed", columns, (_row(one) for one in found))


def _row(one: Bytes) -> tuple[Any, ...]:
    names = Counter(row.what for row in one.rows)
    return (
        "; ".join(names),
        "; ".join(sorted({row.operator for row in one.rows if row.operator})),
        min(row.day for row in one.rows),
        one.kept_until,
        "; ".join(sorted({hold.why for hold in one.holds})),
        one.size,
        one.digest,
    )


@login_required
@require_POST
def retention_purge(request: HttpRequest) -> HttpResponse:
    """Remove what was seen, if it still may go."""
    by = rules.allow(rules.may_purge, request.user)
    form = PurgeForm(request.POST, system=by.unit_system)
    if form.carries_out(lambda: services.purge(by=by, **form.cleaned_data)):
        count = len(form.outcome.files)
        messages.success(
            request, "One file was removed." if count == 1 else f"{count} files were removed."
        )
        return redirect("retention")
    for words in form.errors.get("seen", []):
        messages.error(request, words)
    if "seen" in form.errors:  # what is shown must be what may be removed now
        return redirect("retention")
    return _show(request, removable(by), form)


urlpatterns = [
    path("retention/", retention, name="retention"),
    path("retention/purge/", retention_purge, name="retention-purge"),
]
