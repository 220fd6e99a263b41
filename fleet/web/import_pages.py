"""Spreadsheets of members and fleet: bring one, look at what it would change, carry it out."""

from __future__ import annotations

import datetime
from collections.abc import Iterable
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import UploadedFile
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils.http import content_disposition_header
from django.views.decorators.http import require_http_methods, require_POST, require_safe
from django_htmx.http import HttpResponseClientRefresh

from fleet import measures, rules, storage, tables
from fleet.importing import COLUMNS
from fleet.importing.rows import MOST_BYTES
from fleet.models import AircraftKind, JobState, MembershipKind, Person, SheetImport
from fleet.queries.import_plan import Document, may_be_done, rows_shown
from fleet.queries.members import imports_of, last_import_job, season_on
from fleet.services import imports as services
from fleet.tables import Column, Table
from fleet.web.forms_members import SheetForm
from fleet.web.paging import page_of

STATES = {
    "moved": "Otherwise than before",
    "wrong": "Wrong",
    "added": "New",
    "changed": "Changed",
    "same": "Left as is",
    "all": "All",
}
THINGS = {"operator": "Operators", "member": "Memberships", "aircraft": "Aircraft"}
NAMES = {
    **{name: of.heading for name, of in COLUMNS.items()},
    "base_latitude_deg": "latitude",
    "base_longitude_deg": "longitude",
    "span_m": "span",
    "kind": "kind",
    "retired_on": "out of service since",
}
DAYS = ("joined_on", "retired_on")


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def imports(request: HttpRequest) -> HttpResponse:
    """Bring a spreadsheet; below, those that were brought before."""
    person: Person = rules.allow(rules.may_manage_season, request.user)
    rows = imports_of(person)
    if export := tables.answer(request, lambda: imports_table(rows)):
        return export
    form = SheetForm(
        request.POST or None,
        request.FILES or None,
        system=person.unit_system,
        initial={"season": season_on()},
    )
    if form.carries_out(lambda: _bring(person, form.cleaned_data)):
        return redirect("import", form.outcome.pk)
    context = {
        "form": form,
        "page": page_of(request, rows),
        "headings": [of.heading for of in COLUMNS.values()],
        "section": "season",
    }
    return render(request, "fleet/imports.html", context)


def imports_table(rows: Iterable[SheetImport]) -> Table:
    """Return the spreadsheets that were brought as a list to export."""
    columns = [
        Column("File"),
        Column("Brought", "moment"),
        Column("By"),
        Column("Season"),
        Column("State"),
        Column("Done", "moment"),
        Column("SHA-256"),
    ]
    lines = (
        (
            one.name,
            one.created_at,
            one.brought_by.name,
            one.season and one.season.name,
            one.get_state_display(),
            one.applied_at,
            one.digest,
        )
        for one in rows
    )
    return Table("Imports", columns, lines)


def _bring(person: Person, given: dict[str, Any]) -> SheetImport:
    file: UploadedFile[bytes] = given["file"]
    if (file.size or 0) > MOST_BYTES:  # not read into memory
        raise ValidationError({"file": [services.too_large(file.size or 0)]})
    name = str(file.name)
    return services.bring(by=person, name=name, data=file.read(), for_season=given["season"])


@login_required
@require_safe
def sheet(request: HttpRequest, import_id: UUID) -> HttpResponse:
    """What a spreadsheet would change, row by row; of one that is done, what it changed."""
    person: Person = rules.allow(rules.may_manage_season, request.user)
    one: SheetImport = get_object_or_404(imports_of(person), pk=import_id)
    job = last_import_job(one)
    is_waiting = job is not None and not job.has_ended
    if request.htmx:
        if not is_waiting:  # the whole page has something else to show now
            return HttpResponseClientRefresh()
        return render(request, "fleet/parts/import_job.html", {"one": one, "job": job})
    context: dict[str, Any] = {
        "one": one,
        "job": job,
        "is_waiting": is_waiting,
        "in_trouble": job is not None and job.state in (JobState.FAILED, JobState.CRASHED),
        "things": _things(one.tally),
        "section": "season",
    }
    if one.plan:
        context |= _looked_at(request, one.plan, person.unit_system)
    return render(request, "fleet/import.html", context)


def _looked_at(request: HttpRequest, kept: Document, system: str) -> dict[str, Any]:
    counts = {state: len(rows_shown(kept, state)) for state in STATES}
    first = next((state for state in STATES if counts[state]), "all")
    asked = request.GET.get("show", first)
    asked = asked if asked in STATES else first
    page = page_of(request, rows_shown(kept, asked))
    return {
        "kept": kept,
        "fault_count": sum(len(row["faults"]) for row in kept["rows"]),
        "may_be_done": may_be_done(kept),
        "page": page,
        "rows": [(row, _lines(row, system)) for row in page.object_list],
        "questions": [
            (key, words, counts[key], key == asked)
            for key, words in STATES.items()
            if key != "moved" or counts[key]
        ],
    }


def _things(tally: dict[str, Any]) -> list[tuple[str, dict[str, int]]]:
    return [(words, tally[key]) for key, words in THINGS.items() if key in tally]


def _lines(row: dict[str, Any], system: str) -> list[tuple[str, str, list[str]]]:
    """Return what a row brings: what it is, whether new or changed, and old → new."""
    lines = []
    for step in row["steps"]:
        differences = [_told(one, system) for one in step["differences"]]
        said = {"added": "New", "changed": "Changed", "same": "As is"}[step["action"]]
        lines.append(
            (f"{THINGS[step['what']].removesuffix('s')} {step['name']}", said, differences)
        )
    return lines


def _told(one: dict[str, Any], system: str) -> str:
    field = one["field"]
    old, new = (_shown(field, value, system) for value in (one["old"], one["new"]))
    return f"{NAMES.get(field, field)}: {old} → {new}"


def _shown(name: str, value: Any, system: str) -> str:
    if value is None or value == "":
        return "nothing"
    if name == "span_m":
        return measures.show(value, "length", system)
    if name == "kind":
        return str({**dict(AircraftKind.choices), **dict(MembershipKind.choices)}[value])
    if name in DAYS:
        return f"{datetime.date.fromisoformat(value):%-d %B %Y}"
    return str(value)


@login_required
@require_POST
def import_apply(request: HttpRequest, import_id: UUID) -> HttpResponse:
    """Have a spreadsheet carried out, as it was looked at."""
    person: Person = rules.allow(rules.may_manage_season, request.user)
    one: SheetImport = get_object_or_404(imports_of(person), pk=import_id)
    try:
        services.ask_apply(one, by=person, seen=request.POST.get("seen", ""))
    except ValidationError as error:
        messages.error(request, " ".join(error.messages[:5]))
    return redirect("import", one.pk)


@login_required
@require_POST
def import_look(request: HttpRequest, import_id: UUID) -> HttpResponse:
    """Have a spreadsheet held against the records as they are now."""
    person: Person = rules.allow(rules.may_manage_season, request.user)
    one: SheetImport = get_object_or_404(imports_of(person), pk=import_id)
    try:
        services.look_again(one, by=person)
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    return redirect("import", one.pk)


@login_required
@require_POST
def import_discard(request: HttpRequest, import_id: UUID) -> HttpResponse:
    """Throw a spreadsheet away that was only looked at."""
    person: Person = rules.allow(rules.may_manage_season, request.user)
    one: SheetImport = get_object_or_404(imports_of(person), pk=import_id)
    try:
        services.discard(one, by=person)
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    else:
        messages.success(request, "Thrown away; nothing was changed.")
    return redirect("imports")


@login_required
@require_safe
def import_file(request: HttpRequest, import_id: UUID) -> HttpResponse:
    """Hand out a spreadsheet byte for byte as it came in."""
    rules.allow(rules.may_manage_season, request.user)
    one: SheetImport = get_object_or_404(imports_of(request.user), pk=import_id)
    disposition = content_disposition_header(as_attachment=True, filename=one.name) or ""
    return HttpResponse(
        storage.fetch(one.digest),
        content_type="application/octet-stream",
        headers={"Content-Disposition": disposition},
    )


@login_required
@require_safe
def import_template(request: HttpRequest) -> HttpResponse:
    """Hand out an empty list of members and fleet, with its headings in the reader's units."""
    person: Person = rules.allow(rules.may_manage_season, request.user)
    return tables.answer(request, lambda: template(person.unit_system)) or tables.file_of(
        template(person.unit_system), "xlsx"
    )


def template(system: str) -> Table:
    """Return the headings alone: an example left in would become a member."""
    unit = measures.unit_of("length", system)
    headings = [f"span_{unit}" if name == "span_m" else of.heading for name, of in COLUMNS.items()]
    kinds = {
        "base latitude": ("number", 5),
        "base longitude": ("number", 5),
        f"span_{unit}": ("number", 1),
        "joined on": ("date", 0),
        "out of service since": ("date", 0),
    }
    columns = [Column(heading, *kinds.get(heading, ("text", 0))) for heading in headings]  # type: ignore[arg-type] -- pairs of kind and digits
    return Table("Members and fleet", columns, [])


urlpatterns = [
    path("imports/", imports, name="imports"),
    path("imports/template/", import_template, name="import-template"),
    path("imports/<uuid:import_id>/", sheet, name="import"),
    path("imports/<uuid:import_id>/apply/", import_apply, name="import-apply"),
    path("imports/<uuid:import_id>/look/", import_look, name="import-look"),
    path("imports/<uuid:import_id>/discard/", import_discard, name="import-discard"),
    path("imports/<uuid:import_id>/file/", import_file, name="import-file"),
]
