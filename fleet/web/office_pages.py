"""The office: who is due, operators and their people, the audit trail."""

from __future__ import annotations

from uuid import UUID

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_http_methods, require_safe

from fleet import rules, tables
from fleet.models import Operator, Person
from fleet.queries.members import memberships_of, open_invitations_of, season_on
from fleet.queries.rulebook import jurisdictions_of
from fleet.queries.standing import standings
from fleet.queries.whose import aircraft_of, audit_of, operators_of, people_of
from fleet.services import people as services
from fleet.web import due_list
from fleet.web.fields import SpokenForm
from fleet.web.forms_office import OperatorForm, PersonForm
from fleet.web.lists import operators_table, trail_table
from fleet.web.paging import page_of
from fleet.web.people_pages import with_states


@login_required
@require_safe
def due(request: HttpRequest) -> HttpResponse:
    """Who is due and why: rules and approvals, the longest due first."""
    jurisdictions = list(jurisdictions_of(request.user))
    asked = due_list.read(request, jurisdictions)
    found = due_list.judged(request.user, asked)
    states = due_list.QUESTIONS[asked.show][1]
    rows = [one for one in found if one.state in states]
    if export := tables.answer(
        request, lambda: due_list.due_table(due_list.told(request.user, rows))
    ):
        return export
    page = page_of(request, rows)
    page.object_list = due_list.told(request.user, list(page.object_list))
    kept = request.GET.copy()
    for name in ("show", "page"):
        kept.pop(name, None)
    context = {
        "page": page,
        "questions": due_list.tally(found, asked.show),
        "asked": asked.show,
        "words": asked.words,
        "jurisdictions": jurisdictions,
        "jurisdiction": asked.jurisdiction,
        "on": asked.on,
        "wrong": asked.wrong,
        "kept": kept.urlencode(),
        "section": "due",
    }
    return render(request, "fleet/due.html", context)


@login_required
@require_safe
def operators(request: HttpRequest) -> HttpResponse:
    """Operators, each with the size of its fleet."""
    rules.allow(rules.sees_everyone, request.user)
    words = request.GET.get("q", "").strip()
    rows = (
        operators_of(request.user)
        .order_by("name", "id")
        .annotate(
            aircraft_count=Count(
                "aircraft", filter=Q(aircraft__retired_on__isnull=True), distinct=True
            ),
            people_count=Count("people", filter=Q(people__is_active=True), distinct=True),
        )
    )
    if words:
        rows = rows.filter(Q(name__icontains=words) | Q(base__icontains=words))
    if export := tables.answer(request, lambda: operators_table(rows)):
        return export
    context = {
        "page": page_of(request, rows),
        "words": words,
        "may_change": rules.may_manage_operators(request.user),
        "section": "operators",
    }
    return render(request, "fleet/operators.html", context)


@login_required
@require_safe
def operator(request: HttpRequest, operator_id: UUID) -> HttpResponse:
    """One operator: particulars, people, fleet."""
    one: Operator = get_object_or_404(operators_of(request.user), pk=operator_id)
    fleet = aircraft_of(request.user).filter(operator=one)
    memberships = list(memberships_of(request.user).filter(operator=one))
    season = season_on()
    belongs = season is not None and season.pk in {each.season_id for each in memberships}
    context = {
        "one": one,
        "people": people_of(request.user).filter(operator=one),
        "invitations": with_states(open_invitations_of(request.user).filter(operator=one)[:20]),
        "memberships": memberships,
        "season_to_join": None if belongs else season,
        "may_invite": rules.may_invite(request.user) and one.left_on is None,
        "standings": standings(request.user, aircraft=fleet.filter(retired_on__isnull=True)),
        "retired": fleet.filter(retired_on__isnull=False),
        "may_export": rules.may_export(request.user),
        "may_change": rules.may_manage_operators(request.user),
        "may_change_fleet": rules.may_change_fleet(request.user),
        "section": "operators",
    }
    return render(request, "fleet/operator.html", context)


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def operator_new(request: HttpRequest) -> HttpResponse:
    """Add an operator."""
    person: Person = rules.allow(rules.may_manage_operators, request.user)
    form = OperatorForm(request.POST or None, system=person.unit_system)
    del form.fields["left_on"]  # nobody joins by leaving
    if form.carries_out(lambda: services.add_operator(by=person, **form.cleaned_data)):
        messages.success(request, f"{form.outcome} is on the list.")
        return redirect("operator", form.outcome.pk)
    return _form_page(request, form, "Add an operator")


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def operator_edit(request: HttpRequest, operator_id: UUID) -> HttpResponse:
    """Change an operator's particulars."""
    one: Operator = get_object_or_404(operators_of(request.user), pk=operator_id)
    person: Person = rules.allow(rules.may_manage_operators, request.user)
    form = OperatorForm(
        request.POST or None,
        system=person.unit_system,
        initial={name: getattr(one, name) for name in services.OPERATOR_FIELDS},
    )
    if form.carries_out(lambda: services.change_operator(one, by=person, **form.cleaned_data)):
        messages.success(request, "Saved.")
        return redirect("operator", one.pk)
    return _form_page(request, form, f"Change {one}", one)


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def person_new(request: HttpRequest, operator_id: UUID) -> HttpResponse:
    """Add somebody of an operator with a first password, where an invitation will not do."""
    one: Operator = get_object_or_404(operators_of(request.user), pk=operator_id)
    person: Person = rules.allow(rules.may_manage_operators, request.user)
    form = PersonForm(request.POST or None, system=person.unit_system)
    if form.carries_out(lambda: services.add_person(by=person, operator=one, **form.cleaned_data)):
        messages.success(request, f"{form.outcome} can sign in as {form.outcome.email}.")
        return redirect("operator", one.pk)
    return _form_page(request, form, f"Add somebody of {one} with a password", one)


def _form_page(
    request: HttpRequest, form: SpokenForm, title: str, one: Operator | None = None
) -> HttpResponse:
    crumbs = [(reverse("operators"), "Operators")]
    if one is not None:
        crumbs.append((reverse("operator", args=[one.pk]), str(one)))
    context = {"form": form, "title": title, "crumbs": crumbs, "section": "operators"}
    return render(request, "fleet/form.html", context)


@login_required
@require_safe
def trail(request: HttpRequest) -> HttpResponse:
    """Who did what, newest first."""
    rules.allow(rules.may_read_audit, request.user)
    words = request.GET.get("q", "").strip()
    rows = audit_of(request.user)
    if words:
        rows = rows.filter(
            Q(person_name__icontains=words)
            | Q(subject_name__icontains=words)
            | Q(operator__name__icontains=words)
        )
    if export := tables.answer(request, lambda: trail_table(rows)):
        return export
    context = {"page": page_of(request, rows), "words": words, "section": "trail"}
    return render(request, "fleet/trail.html", context)


urlpatterns = [
    path("due/", due, name="due"),
    path("operators/", operators, name="operators"),
    path("operators/new/", operator_new, name="operator-new"),
    path("operators/<uuid:operator_id>/", operator, name="operator"),
    path("operators/<uuid:operator_id>/edit/", operator_edit, name="operator-edit"),
    path("operators/<uuid:operator_id>/people/new/", person_new, name="person-new"),
    path("trail/", trail, name="trail"),
]
