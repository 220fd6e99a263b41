"""Operators and people."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import rules
from fleet.api.filters import OperatorFilter, PersonFilter
from fleet.api.serializers.people import (
    OperatorChange,
    OperatorNew,
    OperatorOut,
    PersonChange,
    PersonNew,
    PersonOut,
)
from fleet.api.views.base import ListRows, OneRow, named, taken
from fleet.models import Jurisdiction, Operator, Person
from fleet.queries.whose import operators_of, people_of
from fleet.services import people as services


def _resolved(given: dict[str, Any]) -> dict[str, Any]:
    """Put the jurisdiction in the place of its name."""
    name = given.get("jurisdiction")
    if name is not None:
        found = Jurisdiction.objects.filter(name__iexact=" ".join(name.split())).first()
        if found is None:
            raise ValidationError({"jurisdiction": [f"No jurisdiction is called {name!r}."]})
        given["jurisdiction"] = found
    return given


class OperatorList(ListRows):
    """Operators."""

    model = Operator
    rows_of = staticmethod(operators_of)
    serializer_class = OperatorOut
    filterset_class = OperatorFilter

    @extend_schema(request=OperatorNew, responses={201: OperatorOut})
    def post(self, request: Request) -> Response:
        """Add an operator (staff)."""
        by = rules.allow(rules.may_manage_operators, request.user)
        added = services.add_operator(by=by, **_resolved(taken(OperatorNew, request)))
        return self.created(added, "operator-detail")


class OperatorDetail(OneRow):
    """One operator."""

    model = Operator
    rows_of = staticmethod(operators_of)
    serializer_class = OperatorOut

    @extend_schema(request=OperatorChange, responses=OperatorOut)
    def patch(self, request: Request, pk: object) -> Response:
        """Change an operator's particulars, or say when it left (staff)."""
        operator = self.found()
        by = rules.allow(rules.may_manage_operators, request.user)
        changes = _resolved(taken(OperatorChange, request, partial=True))
        services.change_operator(operator, by=by, **changes)
        return Response(self.now(operator))


class PersonList(ListRows):
    """People: all of them for staff and analysts, those of one's own operator for others."""

    model = Person
    rows_of = staticmethod(people_of)
    serializer_class = PersonOut
    filterset_class = PersonFilter

    @extend_schema(request=PersonNew, responses={201: PersonOut})
    def post(self, request: Request) -> Response:
        """Give somebody access (staff)."""
        by = rules.allow(rules.may_manage_operators, request.user)
        given = _resolved(taken(PersonNew, request))
        key = given.pop("operator", None)
        operator = named(operators_of(by), key, "operator") if key else None
        return self.created(services.add_person(by=by, operator=operator, **given), "person-detail")


class PersonDetail(OneRow):
    """One person."""

    model = Person
    rows_of = staticmethod(people_of)
    serializer_class = PersonOut

    @extend_schema(request=PersonChange, responses=PersonOut)
    def patch(self, request: Request, pk: object) -> Response:
        """Let a pilot record set-ups, or no longer (staff; owners for their own)."""
        person = self.found()
        by = rules.allow(rules.may_allow_setups, request.user)
        services.allow_setups(person, by=by, **taken(PersonChange, request))
        return Response(self.now(person))
