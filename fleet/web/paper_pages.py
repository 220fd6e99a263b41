"""Papers: asked for, looked at, issued anew, withdrawn; a season's papers in one go."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ObjectDoesNotExist, ValidationError
from django.db.models import Q
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils.http import content_disposition_header
from django.views.decorators.http import require_http_methods, require_POST, require_safe
from django_htmx.http import HttpResponseStopPolling

from fleet import rules, storage, tables
from fleet.models import JobState, PaperBatch, PaperBundle, PaperKind, Season
from fleet.paper_codes import grouped
from fleet.queries.members import season_on
from fleet.queries.paper_batches import GATHERED, progress_of, wanted
from fleet.queries.paper_subjects import OF_AN_OPERATOR, PAPER_OF, SUBJECTS, subjects
from fleet.queries.papers import (
    batches_of,
    jobs_of_slips,
    papers_of,
    slip_state,
    slips_of,
    verdict_on,
)
from fleet.services import papers as services
from fleet.web.fields import SpokenForm
from fleet.web.lists import papers_table
from fleet.web.paging import page_of

QUESTIONS = {
    "all": ("All", Q()),
    "issued": ("Issued", Q(paper__isnull=False)),
    "open": ("Not issued", Q(paper__isnull=True, void__isnull=True)),
    "void": ("Given up", Q(void__isnull=False)),
}


class ReasonForm(SpokenForm):
    """Why a paper is issued anew, withdrawn, or its number given up."""

    reason = forms.CharField(widget=forms.Textarea(attrs={"rows": 2}))


class BatchForm(SpokenForm):
    """Which of a season's papers."""

    season = forms.ModelChoiceField(Season.objects.all(), empty_label=None)
    kinds = forms.MultipleChoiceField(
        label="Papers",
        choices=[(kind, PaperKind(kind).label) for kind in GATHERED],
        widget=forms.CheckboxSelectMultiple,
    )
    page_size = forms.ChoiceField(
        label="Paper size", choices=[("letter", "US Letter"), ("a4", "A4")]
    )


@login_required
@require_safe
def papers(request: HttpRequest) -> HttpResponse:
    """Every number that was taken, the newest first, and what became of it."""
    person = request.user
    asked = request.GET.get("show", "all")
    asked = asked if asked in QUESTIONS else "all"
    words = request.GET.get("q", "").strip()
    rows = slips_of(person)
    if words:
        rows = rows.filter(
            Q(paper__title__icontains=words)
            | Q(operator__name__icontains=words)
            | Q(code__iexact=words.replace("-", ""))
        )
    chosen = rows.filter(QUESTIONS[asked][1])
    if export := tables.answer(request, lambda: papers_table(chosen)):
        return export
    page = page_of(request, chosen)
    jobs = jobs_of_slips(list(page.object_list))
    context = {
        "page": page,
        "rows": [(slip, slip_state(slip, jobs.get(slip.pk))) for slip in page.object_list],
        "questions": [
            (key, name, rows.filter(of).count(), key == asked)
            for key, (name, of) in QUESTIONS.items()
        ],
        "asked": asked,
        "words": words,
        "batches": batches_of(person)[:5],
        "may_certify": rules.may_certify(person),
        "section": "papers",
    }
    return render(request, "fleet/papers.html", context)


@login_required
@require_safe
def paper_about(request: HttpRequest, slip_id: UUID) -> HttpResponse:
    """One number: the paper, how it stands, what may be done with it."""
    slip = get_object_or_404(slips_of(request.user), pk=slip_id)
    return _about(request, slip)


def _about(request: HttpRequest, slip: Any, **forms_shown: Any) -> HttpResponse:
    person = request.user
    paper = papers_of(person).filter(slip=slip).first()
    job = jobs_of_slips([slip]).get(slip.pk)
    context = {
        "slip": slip,
        "code": grouped(slip.code),
        "paper": paper,
        "job": job,
        "state": slip_state(slip, job),
        "verdict": verdict_on(paper) if paper else None,
        "reissue_form": ReasonForm(system=person.unit_system, prefix="reissue"),
        "withdraw_form": ReasonForm(system=person.unit_system, prefix="withdraw"),
        "give_up_form": ReasonForm(system=person.unit_system, prefix="give-up"),
        "may_certify": rules.may_certify(person),
        "may_ask": services.SORTS[slip.kind].may_ask(person),
        "section": "papers",
        **forms_shown,
    }
    return render(request, "fleet/paper.html", context)


@login_required
@require_POST
def paper_ask(request: HttpRequest) -> HttpResponse:
    """Ask for a paper about what the form names."""
    person = request.user
    kind = request.POST.get("kind", "")
    keys = {name: request.POST.get(name, "") for name in (*SUBJECTS, "giver")}
    try:
        about = subjects(person, keys)
    except (ObjectDoesNotExist, ValidationError, ValueError) as error:
        raise Http404("No such record.") from error
    sort = services.SORTS.get(kind)
    if sort is None:
        raise Http404("No such kind of paper.")
    named = {name: about[name] for name in (*sort.about, *sort.optional) if name in about}
    try:
        job = services.ask(
            kind,
            by=rules.allow(sort.may_ask, person),
            operator=about.get("operator") if kind in OF_AN_OPERATOR else None,
            page_size=request.POST.get("page_size") or PAPER_OF[person.unit_system],
            **named,
        )
    except ValidationError as refused:
        messages.error(request, " ".join(refused.messages))
        return redirect("papers")
    return redirect("job", job.pk)


@login_required
@require_POST
def paper_reissue(request: HttpRequest, slip_id: UUID) -> HttpResponse:
    """Issue a paper anew."""
    slip, paper = _issued(request, slip_id)
    by = rules.allow(services.SORTS[slip.kind].may_ask, request.user)
    form = ReasonForm(request.POST, system=by.unit_system, prefix="reissue")
    if form.carries_out(lambda: services.reissue(paper, by=by, **form.cleaned_data)):
        return redirect("job", form.outcome.pk)
    return _about(request, slip, reissue_form=form)


@login_required
@require_POST
def paper_withdraw(request: HttpRequest, slip_id: UUID) -> HttpResponse:
    """Take a paper back."""
    slip, paper = _issued(request, slip_id)
    by = rules.allow(rules.may_certify, request.user)
    form = ReasonForm(request.POST, system=by.unit_system, prefix="withdraw")
    if form.carries_out(lambda: services.withdraw_paper(paper, by=by, **form.cleaned_data)):
        messages.success(request, f"{slip.name} is withdrawn; whoever checks it is told so.")
        return redirect("paper-about", slip.pk)
    return _about(request, slip, withdraw_form=form)


def _issued(request: HttpRequest, slip_id: UUID) -> tuple[Any, Any]:
    slip = get_object_or_404(slips_of(request.user), pk=slip_id)
    return slip, get_object_or_404(papers_of(request.user), slip=slip)


@login_required
@require_POST
def paper_again(request: HttpRequest, slip_id: UUID) -> HttpResponse:
    """Let a worker try again."""
    slip = get_object_or_404(slips_of(request.user), pk=slip_id)
    by = rules.allow(services.SORTS[slip.kind].may_ask, request.user)
    try:
        job = services.try_again(slip, by=by)
    except ValidationError as refused:
        messages.error(request, " ".join(refused.messages))
        return redirect("paper-about", slip.pk)
    return redirect("job", job.pk)


@login_required
@require_POST
def paper_give_up(request: HttpRequest, slip_id: UUID) -> HttpResponse:
    """Give up a number whose paper cannot be made."""
    slip = get_object_or_404(slips_of(request.user), pk=slip_id)
    by = rules.allow(rules.may_certify, request.user)
    form = ReasonForm(request.POST, system=by.unit_system, prefix="give-up")
    if form.carries_out(lambda: services.give_up(slip, by=by, **form.cleaned_data)):
        messages.success(request, f"{slip.name} is given up; the reason stays on record.")
        return redirect("paper-about", slip.pk)
    return _about(request, slip, give_up_form=form)


# --- A season's papers ----------------------------------------------------------------------------


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def batch_new(request: HttpRequest) -> HttpResponse:
    """Ask for a season's papers in one go."""
    by = rules.allow(rules.may_certify, request.user)
    first = {
        "season": request.GET.get("season") or season_on(),
        "page_size": PAPER_OF[by.unit_system],
    }
    form = BatchForm(request.POST or None, initial=first, system=by.unit_system)

    def ask() -> PaperBatch:
        season, kinds = form.cleaned_data["season"], form.cleaned_data["kinds"]
        return services.ask_batch(
            season,
            by=by,
            kinds=kinds,
            wanted=wanted(by, season, kinds),
            page_size=form.cleaned_data["page_size"],
        )

    if form.carries_out(ask):
        return redirect("paper-batch", form.outcome.pk)
    context = {
        "form": form,
        "title": "A season's papers",
        "save": "Issue them",
        "crumbs": [(reverse("papers"), "Papers")],
        "section": "papers",
    }
    return render(request, "fleet/form.html", context)


@login_required
@require_safe
def batch(request: HttpRequest, batch_id: UUID) -> HttpResponse:
    """How far a batch is, and its files once they are made."""
    rules.allow(rules.may_certify, request.user)
    found = get_object_or_404(batches_of(request.user), pk=batch_id)
    progress = progress_of(found)
    bundling = services.bundle_under_way(found)
    context = {
        "batch": found,
        "kinds": [PaperKind(kind).label for kind in found.kinds],
        "progress": progress,
        "bundling": bundling,
        "bundle": PaperBundle.objects.filter(batch=found).first(),
        "is_waiting": bool(progress.waiting or bundling),
        "trouble": _trouble(found) if progress.in_trouble else [],
        "section": "papers",
    }
    if not request.htmx:
        return render(request, "fleet/paper_batch.html", context)
    stop = HttpResponseStopPolling.status_code
    status = 200 if context["is_waiting"] else stop
    return render(request, "fleet/parts/paper_batch.html", context, status=status)


def _trouble(found: PaperBatch) -> list[tuple[Any, Any]]:
    """The papers that could not be made, with the reasons."""
    slips = list(found.slips.filter(paper__isnull=True, void__isnull=True).select_related("series"))
    jobs = jobs_of_slips(slips)
    ended = (JobState.FAILED, JobState.CRASHED)
    return [(slip, jobs[slip.pk]) for slip in slips if jobs[slip.pk].state in ended][:50]


@login_required
@require_POST
def batch_again(request: HttpRequest, batch_id: UUID) -> HttpResponse:
    """Try again what could not be made."""
    by = rules.allow(rules.may_certify, request.user)
    found = get_object_or_404(batches_of(by), pk=batch_id)
    count = services.try_batch_again(found, by=by)
    messages.success(request, f"Tried again: {count}.")
    return redirect("paper-batch", found.pk)


@login_required
@require_POST
def batch_bundle(request: HttpRequest, batch_id: UUID) -> HttpResponse:
    """Make one ZIP and one PDF of what is issued."""
    by = rules.allow(rules.may_certify, request.user)
    found = get_object_or_404(batches_of(by), pk=batch_id)
    try:
        services.bundle(found, by=by)
    except ValidationError as refused:
        messages.error(request, " ".join(refused.messages))
    return redirect("paper-batch", found.pk)


@login_required
@require_safe
def bundle_file(request: HttpRequest, batch_id: UUID, form: str) -> HttpResponse:
    """Hand out the newest ZIP or merged PDF of a batch."""
    by = rules.allow(rules.may_certify, request.user)
    found = get_object_or_404(batches_of(by), pk=batch_id)
    bundle = PaperBundle.objects.filter(batch=found).first()
    if bundle is None:
        raise Http404("There is no such file yet.")
    is_zip = form == "zip"
    kept = storage.fetch(bundle.zip_digest if is_zip else bundle.pdf_digest)
    name = content_disposition_header(as_attachment=True, filename=f"{found}.{form}")
    return HttpResponse(
        kept,
        content_type="application/zip" if is_zip else "application/pdf",
        headers={"Content-Disposition": name or ""},
    )


urlpatterns = [
    path("papers/", papers, name="papers"),
    path("papers/ask/", paper_ask, name="paper-ask"),
    path("papers/numbers/<uuid:slip_id>/", paper_about, name="paper-about"),
    path("papers/numbers/<uuid:slip_id>/reissue/", paper_reissue, name="paper-reissue"),
    path("papers/numbers/<uuid:slip_id>/withdraw/", paper_withdraw, name="paper-withdraw"),
    path("papers/numbers/<uuid:slip_id>/again/", paper_again, name="paper-again"),
    path("papers/numbers/<uuid:slip_id>/give-up/", paper_give_up, name="paper-give-up"),
    path("papers/season/", batch_new, name="paper-batch-new"),
    path("papers/season/<uuid:batch_id>/", batch, name="paper-batch"),
    path("papers/season/<uuid:batch_id>/again/", batch_again, name="paper-batch-again"),
    path("papers/season/<uuid:batch_id>/bundle/", batch_bundle, name="paper-batch-bundle"),
    path(
        "papers/season/<uuid:batch_id>/all.zip",
        bundle_file,
        {"form": "zip"},
        name="paper-batch-zip",
    ),
    path(
        "papers/season/<uuid:batch_id>/all.pdf",
        bundle_file,
        {"form": "pdf"},
        name="paper-batch-pdf",
    ),
]
