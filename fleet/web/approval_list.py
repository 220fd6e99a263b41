"""All approvals in one list: which stand, and what ended the others."""

from __future__ import annotations

from django.contrib.auth.decorators import login_required
from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path
from django.views.decorators.http import require_safe

from fleet import tables
from fleet.queries.approvals import judged_approvals_of
from fleet.queries.endings import ENDINGS
from fleet.web.lists import approvals_table
from fleet.web.paging import page_of


@login_required
@require_safe
def approvals(request: HttpRequest) -> HttpResponse:
    """Approvals, the newest first, searched by aircraft, operator and purpose."""
    words = request.GET.get("q", "").strip()
    found = judged_approvals_of(request.user).order_by("-created_at", "-id")
    for word in words.split():
        found = found.filter(
            Q(aircraft__registration__icontains=word)
            | Q(operator__name__icontains=word)
            | Q(setup__purpose__icontains=word)
        )
    asked = request.GET.get("show", "in_force")
    asked = asked if asked in ENDINGS or asked == "all" else "in_force"
    rows = found if asked == "all" else found.filter(state=asked)
    if export := tables.answer(request, lambda: approvals_table(rows, request.user.unit_system)):
        return export
    counts = dict(found.order_by().values_list("state").annotate(n=Count("pk")))
    tallies = [*((key, said, counts.get(key, 0)) for key, said in ENDINGS.items())]
    tallies.append(("all", "All", sum(counts.values())))
    context = {
        "page": page_of(request, rows),
        "questions": [(*one, one[0] == asked) for one in tallies],
        "asked": asked,
        "endings": ENDINGS,
        "words": words,
        "section": "fleet",
    }
    return render(request, "fleet/approvals.html", context)


urlpatterns = [path("approvals/", approvals, name="approvals")]
