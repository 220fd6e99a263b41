"""Passes: files coming in, what differed on one of them, the analyst's word, the raw file."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.files.uploadedfile import UploadedFile
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils.http import content_disposition_header
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from fleet import rules, storage
from fleet.models import FlightPass
from fleet.queries.cards import with_outlines
from fleet.queries.quality import Quality, quality_of
from fleet.queries.whose import card_scans_of, passes_of, tests_of
from fleet.services import passes as pass_services
from fleet.weather import weather_of
from fleet.web.forms_testing import AbortedForm, OverruleForm, PassForm
from fleet.web.test_sheet import (
    crosswind_words,
    differing_words,
    drawings,
    overrule_form,
    settings_of,
    sheet,
)
from patterns.draw import WIDE


@login_required
@require_POST
def passes_add(request: HttpRequest, test_id: Any) -> HttpResponse:
    """Add a pass for each file sent; say beside each name what became of it."""
    test = get_object_or_404(tests_of(request.user), pk=test_id)
    by = rules.allow(rules.may_test, request.user)
    sent = request.FILES.getlist("files")
    files = [(str(file.name), file.read()) for file in sent if not _too_big(file)]
    added = pass_services.add_passes(test, by=by, files=files)
    added += [
        pass_services.Added(str(file.name), None, _too_big(file)) for file in sent if _too_big(file)
    ]
    if not sent:
        added = [pass_services.Added("No file", None, "Choose one or more files first.")]
    template = "fleet/parts/test_live.html" if request.htmx else "fleet/test.html"
    return render(request, template, sheet(request, test, added))


def _too_big(file: UploadedFile) -> str:
    """Refuse a file by its size before its bytes are taken into memory."""
    limit = settings.UPLOAD_LIMIT_BYTES
    if (file.size or 0) <= limit:
        return ""
    return (
        f"{file.name}: the file has {(file.size or 0) / 1e6:.0f} MB; at most {limit / 1e6:.0f} MB."
    )


@login_required
@require_POST
def pass_aborted(request: HttpRequest, test_id: Any) -> HttpResponse:
    """Record a pass that was broken off."""
    test = get_object_or_404(tests_of(request.user), pk=test_id)
    by = rules.allow(rules.may_test, request.user)
    form = AbortedForm(request.POST, system=by.unit_system)
    if form.carries_out(
        lambda: pass_services.add_aborted_pass(
            test, by=by, reason=form.cleaned_data["aborted_reason"]
        )
    ):
        return redirect(reverse("test", args=[test.pk]) + "#passes")
    return render(request, "fleet/test.html", sheet(request, test, aborted_form=form))


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def flight_pass(request: HttpRequest, pass_id: Any) -> HttpResponse:
    """Show one pass; enter what differed from the test on it."""
    found = get_object_or_404(passes_of(request.user), pk=pass_id)
    form = _pass_form(request, found, request.POST or None)
    if request.method == "POST":
        by = rules.allow(rules.may_test, request.user)
        if form.carries_out(lambda: pass_services.change_pass(found, by=by, **form.changes())):
            return redirect(reverse("test", args=[found.test_id]) + f"#pass-{found.number}")
    return _pass_page(request, found, form)


def _pass_form(request: HttpRequest, found: FlightPass, data: Any = None) -> PassForm:
    initial = {name: getattr(found, name) for name in pass_services.DIFFERING}
    return PassForm(data, initial=initial, system=request.user.unit_system)


def _pass_page(
    request: HttpRequest, found: FlightPass, form: PassForm, overrule: OverruleForm | None = None
) -> HttpResponse:
    system = request.user.unit_system
    passes = list(found.test.passes.select_related("raw_file").order_by("number"))
    quality = _quality(found, passes, system)
    weather = weather_of(found.test, passes)
    context = {
        "crosswind": crosswind_words(found, weather, system),
        "differing": differing_words(found, system),
        "flight_pass": found,
        "test": found.test,
        "quality": quality,
        "drawings": drawings(quality, system, WIDE),
        "form": form,
        "overrule_form": overrule or overrule_form(found, system),
        "may_test": rules.may_test(request.user),
        "scans": with_outlines(card_scans_of(request.user)).filter(flight_pass=found),
        "section": "visits",
    }
    return render(request, "fleet/pass.html", context)


def _quality(found: FlightPass, passes: list[FlightPass], system: str) -> Quality:
    """A pass is judged beside the others of its test."""
    last = found.test.analyses.defer("document").order_by("-number").first()
    qualities = quality_of(found.test, passes, settings_of(last, system).parameters())
    return next(one for one in qualities if one.flight_pass.pk == found.pk)


@login_required
@require_POST
def overrule(request: HttpRequest, pass_id: Any) -> HttpResponse:
    """Use a suspect pass all the same, leave a good one out, or take that back."""
    found = get_object_or_404(passes_of(request.user), pk=pass_id)
    by = rules.allow(rules.may_test, request.user)
    form = overrule_form(found, by.unit_system, request.POST)
    if form.carries_out(
        lambda: pass_services.overrule(
            found,
            by=by,
            overrule=form.cleaned_data["overrule"],
            reason=form.cleaned_data["overrule_reason"],
        )
    ):
        return redirect(reverse("test", args=[found.test_id]) + f"#pass-{found.number}")
    found.refresh_from_db(fields=["overrule", "overrule_reason"])
    return _pass_page(request, found, _pass_form(request, found), form)


@login_required
@require_safe
def raw_file(request: HttpRequest, pass_id: Any) -> HttpResponse:
    """Hand out the raw file of a pass, byte for byte as it came in."""
    found = get_object_or_404(passes_of(request.user).exclude(raw_file=None), pk=pass_id)
    try:
        data = storage.fetch(found.raw_file.digest)
    except storage.KeptFileError as error:
        messages.error(request, str(error))
        return redirect("pass", found.pk)
    name = content_disposition_header(as_attachment=True, filename=found.raw_file.name)
    return HttpResponse(
        data, content_type="application/octet-stream", headers={"Content-Disposition": name or ""}
    )


urlpatterns = [
    path("tests/<uuid:test_id>/passes/", passes_add, name="passes-add"),
    path("tests/<uuid:test_id>/passes/aborted/", pass_aborted, name="pass-aborted"),
    path("passes/<uuid:pass_id>/", flight_pass, name="pass"),
    path("passes/<uuid:pass_id>/overrule/", overrule, name="pass-overrule"),
    path("passes/<uuid:pass_id>/file/", raw_file, name="raw-file"),
]
