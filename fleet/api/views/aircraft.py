"""Aircraft, set-ups, standings."""

from __future__ import annotations

import datetime
from typing import Any
from uuid import UUID

from drf_spectacular.utils import extend_schema
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import rules
from fleet.api.filters import PAGING, AircraftFilter, SetUpFilter
from fleet.api.serializers.aircraft import (
    AircraftChange,
    AircraftNew,
    AircraftOut,
    SetUpNew,
    SetUpOut,
    StandingOut,
    StandingQuery,
)
from fleet.api.views.base import ListRows, OneRow, Rows, asked, at, named, person_of, taken
from fleet.models import Aircraft, Operator, Person, SetUp
from fleet.queries.standing import Standing, standings
from fleet.queries.whose import aircraft_of, operators_of, setups_of
from fleet.services import aircraft as services


class AircraftList(ListRows):
    """Aircraft, in service and retired."""

    model = Aircraft
    rows_of = staticmethod(aircraft_of)
    serializer_class = AircraftOut
    filterset_class = AircraftFilter

    @extend_schema(request=AircraftNew, responses={201: AircraftOut})
    def post(self, request: Request) -> Response:
        """Add an aircraft."""
        by = rules.allow(rules.may_change_fleet, request.user)
        given = taken(AircraftNew, request)
        operator = _operator(by, given.pop("operator", by.operator_id))
        return self.created(
            services.add_aircraft(by=by, operator=operator, **given), "aircraft-detail"
        )


def _operator(by: Person, key: UUID | None) -> Operator:
    if key is None:
        raise ValidationError({"operator": ["Say whose aircraft it is."]})
    operator: Operator = named(operators_of(by), key, "operator")
    return operator


class AircraftDetail(OneRow):
    """One aircraft."""

    model = Aircraft
    rows_of = staticmethod(aircraft_of)
    serializer_class = AircraftOut

    @extend_schema(request=AircraftChange, responses=AircraftOut)
    def patch(self, request: Request, pk: object) -> Response:
        """Change an aircraft's particulars, retire it or take it back into service."""
        aircraft = self.found()
        by = rules.allow(rules.may_change_fleet, request.user)
        services.change_aircraft(aircraft, by=by, **taken(AircraftChange, request, partial=True))
        return Response(self.now(aircraft))


class AircraftSetUps(Rows):
    """The set-up revisions of an aircraft (read them at /setups/?aircraft=…)."""

    model = Aircraft
    rows_of = staticmethod(aircraft_of)
    serializer_class = SetUpOut

    @extend_schema(request=SetUpNew, responses={201: SetUpOut})
    def post(self, request: Request, pk: object) -> Response:
        """Record how an aircraft is now equipped and flown for a purpose: a new revision."""
        aircraft = self.found()
        by = rules.allow(rules.may_record_setups, request.user)
        setup = services.record_setup(by=by, aircraft=aircraft, **taken(SetUpNew, request))
        return Response(SetUpOut(setup).data, 201, headers=at("setup-detail", setup))


class SetUpList(ListRows):
    """Set-up revisions."""

    model = SetUp
    rows_of = staticmethod(setups_of)
    serializer_class = SetUpOut
    filterset_class = SetUpFilter


class SetUpDetail(OneRow):
    """One set-up revision."""

    model = SetUp
    rows_of = staticmethod(setups_of)
    serializer_class = SetUpOut


class StandingList(ListRows):
    """How each aircraft in service stands for each purpose: which swath today, and who is due.

    The longest due first. A swath is a test finding, never permission to spray.
    """

    model = Aircraft
    rows_of = staticmethod(aircraft_of)
    serializer_class = StandingOut
    filter_backends = []

    @extend_schema(parameters=[StandingQuery], responses=StandingOut(many=True))
    def get(self, request: Request) -> Response:
        query = request.query_params.copy()
        for name in PAGING:
            query.pop(name, None)
        wanted = asked(StandingQuery, query)
        fleet = self.get_queryset().filter(
            retired_on__isnull=True,
            **{
                path: wanted[name]
                for name, path in (("operator", "operator_id"), ("aircraft", "pk"))
                if name in wanted
            },
        )
        found = [
            one for one in standings(person_of(request), aircraft=fleet) if _matches(one, wanted)
        ]
        page = self.paginate_queryset(found)
        return self.get_paginated_response(StandingOut(page, many=True).data)


def _matches(one: Standing, wanted: dict[str, Any]) -> bool:
    states = wanted.get("state")
    before: datetime.date | None = wanted.get("due_before")
    return (not states or one.state in states) and (
        before is None or (one.due_on is not None and one.due_on < before)
    )
