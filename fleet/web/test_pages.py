"""A test: its conditions, its passes as they come in, and asking for its analysis."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from fleet import rules
from fleet.models import Test
from fleet.queries.whose import tests_of
from fleet.services import analyses
from fleet.services import tests as test_services
from fleet.weather import CONDITIONS, weather_of
from fleet.web.forms_testing import ConditionsForm, SettingsForm
from fleet.web.test_sheet import sheet


@login_required
@require_safe
def test(request: HttpRequest, test_id: Any) -> HttpResponse:
    """Show a test: what comes next, and every pass with its quality."""
    found = get_object_or_404(tests_of(request.user), pk=test_id)
    return render(request, "fleet/test.html", sheet(request, found))


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def test_edit(request: HttpRequest, test_id: Any) -> HttpResponse:
    """Enter the conditions of a test, once for all its passes."""
    found = get_object_or_404(tests_of(request.user), pk=test_id)
    by = rules.allow(rules.may_test, request.user)
    initial = {name: getattr(found, name) for name in test_services.TEST_FIELDS}
    if request.htmx:
        return _weather_typed(request, found)
    form = ConditionsForm(request.POST or None, initial=initial, system=by.unit_system)
    if form.carries_out(lambda: test_services.change_conditions(found, by=by, **form.changes())):
        if form.outcome:
            messages.success(request, "Conditions saved.")
        return redirect("test", found.pk)
    context = {
        "form": form,
        "test": found,
        "visit": found.visit,
        "weather": weather_of(found, list(found.passes.all())),
        "section": "visits",
    }
    return render(request, "fleet/test_form.html", context)


def _weather_typed(request: HttpRequest, found: Test) -> HttpResponse:
    """Say what follows from the weather as it is being typed; nothing is saved."""
    form = ConditionsForm(request.GET, system=request.user.unit_system)
    form.is_valid()
    for name in CONDITIONS:
        setattr(found, name, form.cleaned_data.get(name))
    context = {"weather": weather_of(found, list(found.passes.all()))}
    return render(request, "fleet/parts/weather_remarks.html", context)


@login_required
@require_POST
def analyse(request: HttpRequest, test_id: Any) -> HttpResponse:
    """Ask for the analysis of the passes as they stand."""
    found = get_object_or_404(tests_of(request.user), pk=test_id)
    by = rules.allow(rules.may_test, request.user)
    form = SettingsForm(request.POST, system=by.unit_system)
    if form.carries_out(
        lambda: analyses.request_analysis(
            found, by=by, settings=analyses.Settings(**form.cleaned_data)
        )
    ):
        return redirect("job", form.outcome.pk)
    context = sheet(request, found, settings_form=form)
    return render(request, "fleet/test.html", context)


urlpatterns = [
    path("tests/<uuid:test_id>/", test, name="test"),
    path("tests/<uuid:test_id>/conditions/", test_edit, name="test-edit"),
    path("tests/<uuid:test_id>/analyse/", analyse, name="analyse"),
]
