"""Reminders: one's own settings, the link that stops them, and the office's log."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.db.models import Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_http_methods, require_safe

from fleet import rules, tables
from fleet.models import Person, ReminderMail
from fleet.queries.reminder_log import (
    doubtful,
    mails_of,
    own_mails_of,
    place_letters_of,
    undelivered_of,
)
from fleet.queries.reminders import KINDS_OF, kinds_for
from fleet.services import reminders as services
from fleet.web.fields import SpokenForm
from fleet.web.paging import page_of

OWN_SHOWN = 10
PLACES_SHOWN = 50
COLUMNS = (
    tables.Column("Sent at", "moment"),
    tables.Column("To"),
    tables.Column("E-mail"),
    tables.Column("Operator"),
    tables.Column("Kind"),
    tables.Column("What was told"),
)


class RemindersForm(SpokenForm):
    """The kinds of reminder that a person wants."""

    wanted = forms.MultipleChoiceField(
        label="Remind me when", required=False, widget=forms.CheckboxSelectMultiple
    )

    def __init__(self, *args: Any, person: Person, **kwargs: Any) -> None:
        super().__init__(*args, system=person.unit_system, **kwargs)
        wanted: Any = self.fields["wanted"]
        wanted.choices = [(kind.value, kind.label) for kind in KINDS_OF[person.role]]


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def own_reminders(request: HttpRequest) -> HttpResponse:
    """Of what one is reminded, and what was sent."""
    person: Person = request.user
    form = RemindersForm(
        request.POST if request.method == "POST" else None,  # no box ticked is an answer too
        person=person,
        initial={"wanted": [kind.value for kind in kinds_for(person)]},
    )

    def deed() -> bool:
        wanted = [] if "none" in request.POST else form.cleaned_data["wanted"]
        return services.set_reminders(person, wanted=wanted)

    if form.carries_out(deed):
        none = not kinds_for(Person.objects.get(pk=person.pk))
        messages.success(request, "Saved: no more reminders." if none else "Saved.")
        return redirect("me-reminders")
    context = {
        "form": form,
        "kinds": KINDS_OF[person.role],
        "gets_any": bool(kinds_for(person)),
        "mails": own_mails_of(person)[:OWN_SHOWN],
        "place_letters": place_letters_of(person, OWN_SHOWN) if person.is_operators else [],
        "remind_at": services.hour(),
        "section": "me",
    }
    return render(request, "fleet/reminders_own.html", context)


@csrf_exempt  # the token is the proof; mail programs have no other (RFC 8058, section 3.2)
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def stop(request: HttpRequest, token: str) -> HttpResponse:
    """Say what the link does; do it when asked by POST, without sign-in and without redirection.

    A link not made here and one that does nothing any more get the same answer.
    """
    if request.method == "POST":
        good = services.stop_reminders(token)
        state = "done" if good else "nothing"
    else:
        good = services.stops_something(token)
        state = "asked" if good else "nothing"
    context = {"state": state, "section": ""}
    return render(request, "fleet/reminders_stop.html", context, status=200 if good else 404)


@login_required
@require_safe
def log(request: HttpRequest) -> HttpResponse:
    """Who was sent what, when and why; and what was not delivered."""
    by = rules.allow(rules.may_manage_season, request.user)
    words = request.GET.get("q", "").strip()
    rows = mails_of(by)
    if words:
        rows = rows.filter(
            Q(person__name__icontains=words)
            | Q(email__icontains=words)
            | Q(person__operator__name__icontains=words)
        )
    if export := tables.answer(request, lambda: log_table(rows)):
        return export
    page = page_of(request, rows)
    context = {
        "page": page,
        "doubtful": doubtful(page.object_list),
        "undelivered": undelivered_of(by),
        "place_letters": place_letters_of(by, PLACES_SHOWN),
        "words": words,
        "section": "season",
    }
    return render(request, "fleet/reminders.html", context)


def log_table(mails: Iterable[ReminderMail]) -> tables.Table:
    """Return the log as a table, one row for each thing that was told."""
    lines = (
        (
            timezone.localtime(mail.created_at),
            mail.person.name,
            mail.email,
            mail.person.operator.name if mail.person.operator else "",
            reason.get_kind_display(),
            reason.words,
        )
        for mail in mails
        for reason in mail.reasons.all()
    )
    return tables.Table("Reminders", COLUMNS, lines)


urlpatterns = [
    path("me/reminders/", own_reminders, name="me-reminders"),
    path("reminders/stop/<str:token>/", stop, name="reminders-stop"),
    path("season/reminders/", log, name="reminders"),
]
