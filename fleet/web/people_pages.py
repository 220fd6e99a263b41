"""Who signs in, who is invited, and taking an invitation up."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.conf import settings
from django.contrib import messages
from django.contrib.auth import login
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.db.models import Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from fleet import rules, tables
from fleet.models import Invitation, Operator, Person
from fleet.queries.members import invitations_of, open_invitations_of, posted, state_of
from fleet.queries.whose import operators_of, people_of
from fleet.services import invitations as services
from fleet.services import people as people_services
from fleet.web.account import SignInThrottle
from fleet.web.forms_members import InviteForm, JoinForm
from fleet.web.lists import people_table
from fleet.web.paging import page_of

MOST_INVITATIONS = 100


@login_required
@require_safe
def people(request: HttpRequest) -> HttpResponse:
    """Who signs in, and who is invited to, searched by name, address and operator."""
    person: Person = request.user
    words = request.GET.get("q", "").strip()
    rows = people_of(person)
    waiting = open_invitations_of(person)
    for word in words.split():
        told = Q(name__icontains=word) | Q(email__icontains=word)
        asked = told | Q(operator__name__icontains=word)
        rows, waiting = rows.filter(asked), waiting.filter(asked)
    if export := tables.answer(request, lambda: people_table(rows)):
        return export
    context = {
        "page": page_of(request, rows),
        "invitations": with_states(waiting[:MOST_INVITATIONS]),
        "words": words,
        "may_allow": rules.may_allow_setups(person),
        "section": "people",
    }
    return render(request, "fleet/people.html", context)


def with_states(invitations: Any) -> list[tuple[Invitation, Any]]:
    """Return invitations, each with how it stands: two queries for all of them."""
    found = list(invitations)
    letters = posted(found)
    return [(one, state_of(one, letters.get(one.pk))) for one in found]


@login_required
@require_POST
def person_setups(request: HttpRequest, person_id: UUID) -> HttpResponse:
    """Let a pilot record set-ups, or (when they may) no longer."""
    one: Person = get_object_or_404(people_of(request.user), pk=person_id)
    by: Person = rules.allow(rules.may_allow_setups, request.user)
    wanted = request.POST.get("may") == "yes"
    try:
        people_services.allow_setups(one, by=by, may_change_setups=wanted)
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    else:
        messages.success(request, f"{one} may {'now' if wanted else 'no longer'} record set-ups.")
    return redirect("people")


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def invite(request: HttpRequest, operator_id: UUID) -> HttpResponse:
    """Invite somebody of an operator by e-mail."""
    one: Operator = get_object_or_404(operators_of(request.user), pk=operator_id)
    by: Person = rules.allow(rules.may_invite, request.user)
    form = InviteForm(request.POST or None, system=by.unit_system)
    if form.carries_out(lambda: services.invite(by=by, operator=one, **form.cleaned_data)):
        _tell(request, form.outcome)
        return redirect("invitation", form.outcome.invitation.pk)
    context = {
        "form": form,
        "title": f"Invite somebody of {one}",
        "crumbs": [(reverse("operator", args=[one.pk]), str(one))],
        "section": "people",
        "save": "Send the invitation",
    }
    return render(request, "fleet/form.html", context)


def _tell(request: HttpRequest, letter: services.Letter) -> None:
    """Say whether the letter went out; where no mail server is set up, where it lies."""
    if letter.problem:
        messages.error(request, f"{letter.problem} The invitation is kept; send it again.")
    elif settings.EMAIL_BACKEND.endswith("filebased.EmailBackend"):
        messages.warning(
            request,
            "No mail server is set up, so the letter was written into the outbox folder of the "
            "service. Set SWATHBOOK_EMAIL_URL, then send it again.",
        )
    else:
        messages.success(request, f"Sent to {letter.invitation.email}.")


@login_required
@require_safe
def invitation(request: HttpRequest, invitation_id: UUID) -> HttpResponse:
    """How an invitation stands."""
    one = get_object_or_404(invitations_of(request.user), pk=invitation_id)
    [(_, state)] = with_states([one])
    context = {
        "one": one,
        "state": state,
        "is_open": one.accepted_at is None and one.withdrawn_at is None,
        "may_invite": rules.may_invite(request.user),
        "section": "people",
    }
    return render(request, "fleet/invitation.html", context)


@login_required
@require_POST
def invitation_send(request: HttpRequest, invitation_id: UUID) -> HttpResponse:
    """Send an invitation again, with a new link."""
    one = get_object_or_404(invitations_of(request.user), pk=invitation_id)
    by: Person = rules.allow(rules.may_invite, request.user)
    try:
        _tell(request, services.send_again(one, by=by))
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    return redirect("invitation", one.pk)


@login_required
@require_POST
def invitation_withdraw(request: HttpRequest, invitation_id: UUID) -> HttpResponse:
    """End an invitation that nobody has taken up."""
    one = get_object_or_404(invitations_of(request.user), pk=invitation_id)
    by: Person = rules.allow(rules.may_invite, request.user)
    try:
        services.withdraw(one, by=by)
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    else:
        messages.success(request, "Withdrawn; the link opens nothing any more.")
    return redirect("invitation", one.pk)


class JoinThrottle(SignInThrottle):
    """As at the sign-in, and for those who are signed in as well."""

    def get_cache_key(self, request: Any, view: Any) -> str:
        """Count by where the request comes from."""
        return str(self.cache_format % {"scope": "join", "ident": self.get_ident(request)})


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def join(request: HttpRequest, token: str) -> HttpResponse:
    """Take an invitation up: choose name, password and units. A dead link says only that."""
    throttle = JoinThrottle()
    if request.method == "POST" and not throttle.allow_request(request, None):
        words = f"Too many attempts. Try again in {throttle.wait() or 60:.0f} seconds."
        return render(request, "fleet/join.html", {"refused": words}, status=429)
    found = services.opened(token)
    if found is None:
        return render(request, "fleet/join.html", {}, status=404)
    form = JoinForm(
        request.POST or None, system="us", initial={"name": found.name, "unit_system": "us"}
    )
    if form.carries_out(lambda: _accepted(token, form.cleaned_data)):
        login(request, form.outcome, backend=settings.AUTHENTICATION_BACKENDS[0])
        messages.success(request, f"Welcome, {form.outcome}.")
        return redirect("home")
    return render(request, "fleet/join.html", {"form": form, "invitation": found})


def _accepted(token: str, typed: dict[str, Any]) -> Person:
    return services.accept(
        token,
        name=typed["name"],
        password=typed["password"],
        unit_system=typed["unit_system"],
    )


urlpatterns = [
    path("people/", people, name="people"),
    path("people/<uuid:person_id>/set-ups/", person_setups, name="person-setups"),
    path("operators/<uuid:operator_id>/invite/", invite, name="invite"),
    path("invitations/<uuid:invitation_id>/", invitation, name="invitation"),
    path("invitations/<uuid:invitation_id>/send/", invitation_send, name="invitation-send"),
    path(
        "invitations/<uuid:invitation_id>/withdraw/",
        invitation_withdraw,
        name="invitation-withdraw",
    ),
    path("join/<str:token>/", join, name="join"),
]
