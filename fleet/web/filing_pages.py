"""Filings: the board of what is open, one filing with its steps, the answers that came back."""

from __future__ import annotations

import datetime
from collections.abc import Iterable
from itertools import chain
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.db.models import Count, Q
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils.http import content_disposition_header
from django.views.decorators.http import require_POST, require_safe

from fleet import rules, storage, tables
from fleet.models import Filing, FilingStep, PaperKind
from fleet.queries.duties import today_in
from fleet.queries.filings import (
    FOLLOWS,
    PLACES,
    due_where_asked,
    filings_of,
    on_board,
    papers_for,
    standing_of,
    steps_of,
)
from fleet.queries.whose import analyses_of
from fleet.services import filings as services
from fleet.tables import Column, Table
from fleet.web.forms_filings import StepForm
from fleet.web.paging import page_of

OPEN = Q(place__lt=PLACES.index("settled"))
QUESTIONS = {
    "open": ("Open", OPEN),
    "late": ("Late", Q(place=PLACES.index("late"))),
    "soon": ("Due soon", Q(place=PLACES.index("soon"))),
    "waiting": ("Waiting for an answer", Q(place=PLACES.index("waiting"))),
    "settled": ("Settled", Q(place=PLACES.index("settled"))),
}


@login_required
@require_safe
def filings(request: HttpRequest) -> HttpResponse:
    """What must go where by when: late first, then due soon, then what waits for an answer."""
    person = request.user
    asked = request.GET.get("show", "open")
    asked = asked if asked in QUESTIONS else "open"
    words = request.GET.get("q", "").strip()
    rows = on_board(filings_of(person))
    if words:
        rows = rows.filter(
            Q(what__icontains=words)
            | Q(operator__name__icontains=words)
            | Q(aircraft__registration__icontains=words)
            | Q(jurisdiction__name__icontains=words)
            | Q(season__name__icontains=words)
        )
    chosen = rows.filter(QUESTIONS[asked][1])
    if export := tables.answer(request, lambda: filings_table(chosen)):
        return export
    counts = rows.order_by().aggregate(**{k: Count("pk", filter=of) for k, (_, of) in _KEYED})
    page = page_of(request, chosen)
    context = {
        "page": page,
        "rows": [(one, standing_of(one), _day_due(one)) for one in page.object_list],
        "questions": [(k, name, counts[k], k == asked) for k, (name, _) in QUESTIONS.items()],
        "asked": asked,
        "words": words,
        "may_file": rules.may_file(person),
        "section": "papers",
    }
    return render(request, "fleet/filings.html", context)


_KEYED = tuple(QUESTIONS.items())


def _day_due(one: Filing) -> datetime.date | None:
    due = due_where_asked(one)
    return due.date() if due else None


def filings_table(rows: Iterable[Filing]) -> Table:
    """Return filings as a list to export."""
    columns = [
        Column("Paper"),
        Column("To"),
        Column("Under"),
        Column("Operator"),
        Column("Aircraft"),
        Column("Flown on", "date"),
        Column("Season"),
        Column("Counted from", "moment"),
        Column("Due", "moment"),
        Column("Standing"),
        Column("Last step"),
    ]
    return Table("Filings", columns, (_row(one) for one in rows))


def _row(one: Filing) -> tuple[Any, ...]:
    standing = standing_of(one)
    return (
        one.what,
        one.jurisdiction.name,
        one.version and one.version.requirement.name,
        one.operator and one.operator.name,
        one.aircraft and str(one.aircraft),
        one.test and one.test.flown_on,
        one.season and one.season.name,
        one.counted_from,
        one.due_at,
        standing.drawn[1],
        standing.words,
    )


@login_required
@require_POST
def filings_look(request: HttpRequest) -> HttpResponse:
    """Open what the rules ask for and is not on the board yet."""
    by = rules.allow(rules.may_file, request.user)
    opened = services.open_filings_due(by=by)
    words = {0: "Nothing new is asked for.", 1: "One paper more is asked for."}
    messages.success(request, words.get(opened, f"{opened} papers more are asked for."))
    return redirect("filings")


@login_required
@require_safe
def filing(request: HttpRequest, filing_id: UUID) -> HttpResponse:
    """One filing: what is asked, how it stands, its steps, and what may be noted next."""
    one = get_object_or_404(filings_of(request.user), pk=filing_id)
    return _show(request, one)


def _show(request: HttpRequest, one: Filing, tried: StepForm | None = None) -> HttpResponse:
    person = request.user
    standing = standing_of(one)
    may_file = rules.may_file(person)
    shown: list[StepForm] = []
    if may_file:
        follows = dict.fromkeys(FOLLOWS[standing.step])
        shown = [
            tried if tried and tried.kind == kind else _form(request, one, kind) for kind in follows
        ]
    analysis = None
    if one.test_id:
        rows = analyses_of(person).filter(test=one.test_id)
        analysis = rows.order_by("-number").values_list("pk", flat=True).first()
    context = {
        "filing": one,
        "standing": standing,
        "due": due_where_asked(one),
        "steps": steps_of(person).filter(filing=one).order_by("created_at", "id"),
        "forms": shown,
        "tried": tried,
        "may_file": may_file,
        "analysis": analysis,
        "certificate": PaperKind.CERTIFICATE.value,
        "season_return": PaperKind.SEASON_RETURN.value,
        "section": "papers",
    }
    return render(request, "fleet/filing.html", context)


def _form(request: HttpRequest, one: Filing, kind: str, *bound: Any) -> StepForm:
    person = request.user
    papers = papers_for(person, one)
    first = {"happened_on": today_in(one.jurisdiction), "paper": papers.filter(about__lt=2).first()}
    return StepForm(kind, *bound, papers=papers, initial=first, system=person.unit_system)


@login_required
@require_POST
def filing_step(request: HttpRequest, filing_id: UUID) -> HttpResponse:
    """Note the next step."""
    one = get_object_or_404(filings_of(request.user), pk=filing_id)
    by = rules.allow(rules.may_file, request.user)
    kind = request.POST.get("kind", "")
    take = services.STEPS.get(kind)
    if take is None:
        messages.error(request, "Say what was done with it.")
        return redirect("filing", one.pk)
    form = _form(request, one, kind, request.POST, request.FILES)
    if form.carries_out(lambda: take(one, by=by, **form.values())):
        messages.success(request, f"Noted: {form.outcome.get_kind_display().lower()}.")
        return redirect("filing", one.pk)
    if kind not in FOLLOWS[standing_of(one).step]:  # somebody was faster; there is no form for it
        messages.error(request, " ".join(chain.from_iterable(form.errors.values())))
        return redirect("filing", one.pk)
    return _show(request, one, form)


@login_required
@require_safe
def filing_file(request: HttpRequest, step_id: UUID) -> HttpResponse:
    """Hand out the answer to a filing, byte for byte as it came in."""
    step: FilingStep = get_object_or_404(steps_of(request.user), pk=step_id)
    if not step.file_digest:
        raise Http404("No file came with it.")
    try:
        data = storage.fetch(step.file_digest)
    except storage.KeptFileError as error:
        messages.error(request, str(error))
        return redirect("filing", step.filing_id)
    name = content_disposition_header(as_attachment=True, filename=step.file_name)
    return HttpResponse(
        data,
        content_type="application/octet-stream",
        headers={"Content-Disposition": name or ""},
    )


urlpatterns = [
    path("filings/", filings, name="filings"),
    path("filings/look/", filings_look, name="filings-look"),
    path("filings/<uuid:filing_id>/", filing, name="filing"),
    path("filings/<uuid:filing_id>/step/", filing_step, name="filing-step"),
    path("filings/steps/<uuid:step_id>/file/", filing_file, name="filing-file"),
]
