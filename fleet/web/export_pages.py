"""All records of one operator: asked for, made, fetched."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.http import FileResponse, Http404, HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_http_methods
from django_htmx.http import HttpResponseStopPolling

from fleet import rules
from fleet.models import JobState, Operator, Person
from fleet.queries.exports import exports_of, last_export_job
from fleet.queries.whose import operators_of
from fleet.services import exports as services

EARLIER_SHOWN = 5


def _found(request: HttpRequest, operator_id: UUID) -> tuple[Operator, Person]:
    one = get_object_or_404(operators_of(request.user), pk=operator_id)
    return one, rules.allow(rules.may_export, request.user)


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def operator_export(request: HttpRequest, operator_id: UUID) -> HttpResponse:
    """How far an export is, the file once it is there; asked for by POST."""
    one, by = _found(request, operator_id)
    if request.method == "POST":
        services.ask_export(one, by=by)
        return redirect("operator-export", one.pk)
    job = last_export_job(one)
    made = list(exports_of(by).filter(operator=one)[: EARLIER_SHOWN + 1])
    export = made[0] if made and not made[0].has_expired else None
    context: dict[str, Any] = {
        "one": one,
        "job": job,
        "is_waiting": job is not None and not job.has_ended,
        "in_trouble": job is not None and job.state in (JobState.FAILED, JobState.CRASHED),
        "export": export,
        "earlier": made[1:] if export else made[:EARLIER_SHOWN],
        "section": "operators",
    }
    if not request.htmx:
        return render(request, "fleet/operator_export.html", context)
    status = 200 if context["is_waiting"] else HttpResponseStopPolling.status_code
    return render(request, "fleet/parts/operator_export.html", context, status=status)


@login_required
@never_cache
@require_GET
def export_file(request: HttpRequest, operator_id: UUID) -> HttpResponseBase:
    """Hand out the newest export, piece by piece; who took it is written down."""
    one, by = _found(request, operator_id)
    export = exports_of(by).filter(operator=one).first()
    if export is None:
        raise Http404("There is no export yet.")
    try:
        file = services.fetch_export(export, by=by)
    except ValidationError as refused:
        messages.error(request, " ".join(refused.messages))
        return redirect("operator-export", one.pk)
    return FileResponse(file, as_attachment=True, filename=export.file_name)


urlpatterns = [
    path("operators/<uuid:operator_id>/export/", operator_export, name="operator-export"),
    path("operators/<uuid:operator_id>/export/all.zip", export_file, name="operator-export-file"),
]
