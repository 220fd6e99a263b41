"""Reminders: one's own settings, and the log for staff."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import rules
from fleet.api.filters import ReminderFilter
from fleet.api.serializers.reminders import ReminderOut, RemindersChange, RemindersOut
from fleet.api.views.base import Address, ListRows, person_of, taken
from fleet.models import Person, ReminderMail
from fleet.queries.reminder_log import mails_of
from fleet.queries.reminders import KINDS_OF, kinds_for
from fleet.services import reminders as services


class MyReminders(Address):
    """Of what you are reminded by e-mail."""

    @extend_schema(responses=RemindersOut)
    def get(self, request: Request) -> Response:
        return Response(_settings_of(person_of(request)))

    @extend_schema(request=RemindersChange, responses=RemindersOut)
    def patch(self, request: Request) -> Response:
        """Say of what you want to be reminded; an empty list stops all reminders."""
        person = person_of(request)
        services.set_reminders(person, wanted=taken(RemindersChange, request)["wanted"])
        return Response(_settings_of(Person.objects.get(pk=person.pk)))


def _settings_of(person: Person) -> dict[str, Any]:
    offered = [kind.value for kind in KINDS_OF[person.role]]
    return {"wanted": [kind.value for kind in kinds_for(person)], "offered": offered}


class ReminderList(ListRows):
    """Digests that were sent, with what each told, newest first (staff)."""

    model = ReminderMail
    rows_of = staticmethod(mails_of)
    serializer_class = ReminderOut
    filterset_class = ReminderFilter
    restricted = True

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        rules.allow(rules.may_manage_season, request.user)
        return super().get(request, *args, **kwargs)
