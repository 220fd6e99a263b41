"""Who took part in a season, of how many."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import rules
from fleet.api.filters import check_names
from fleet.api.serializers.participation import (
    FiguresOut,
    ParticipationOut,
    SeasonAircraftOut,
    SeasonMemberOut,
)
from fleet.api.views.base import ListRows, Rows, person_of
from fleet.models import Season
from fleet.queries import participants
from fleet.queries.members import seasons_of
from fleet.queries.participation import figures


class SeasonRows(Rows):
    """Something about a season, for whom it may concern: nobody of no operator but the office."""

    model = Season
    rows_of = staticmethod(seasons_of)
    filter_backends = []
    restricted = True

    def get_queryset(self) -> QuerySet[Any]:
        """Return the seasons, once it is said that the person may see what they counted."""
        if not getattr(self, "swagger_fake_view", False):
            rules.allow(rules.may_see_season, self.request.user)
        return super().get_queryset()


class ParticipationList(SeasonRows, ListRows):
    """What each season counted, side by side, the newest first.

    Staff and analysts get the figures of everybody, people of an operator those of their own part.
    """

    serializer_class = FiguresOut

    @extend_schema(operation_id="seasons_compare", responses=FiguresOut(many=True))
    def get(self, request: Request) -> Response:
        check_names(request, ())
        page = self.paginate_queryset(self.get_queryset())
        found = figures(person_of(request), page or [])
        return self.get_paginated_response(FiguresOut(reversed(found), many=True).data)


class SeasonParticipation(SeasonRows):
    """What a season counted, by jurisdiction, kind of aircraft, kind of membership and visit."""

    serializer_class = ParticipationOut

    @extend_schema(operation_id="seasons_participation_retrieve", responses=ParticipationOut)
    def get(self, request: Request, pk: object) -> Response:
        season = self.found()
        person, today = person_of(request), timezone.localdate()
        [one] = figures(person, [season], today=today)
        out = dict(FiguresOut(one).data)
        tallies = {
            "by_jurisdiction": participants.by_jurisdiction(person, season, today),
            "by_aircraft_kind": participants.by_aircraft_kind(person, season, today),
            "by_membership": participants.by_membership(person, season, today),
            "by_visit": participants.visits(person, season),
        }
        for name, rows in tallies.items():
            field: Any = ParticipationOut().fields[name]
            out[name] = field.to_representation(rows)
        return Response(out)


class SeasonMembers(SeasonRows, ListRows):
    """How each member of a season took part, and who else did, or did the season before."""

    serializer_class = SeasonMemberOut

    @extend_schema(
        operation_id="seasons_participation_members_list", responses=SeasonMemberOut(many=True)
    )
    def get(self, request: Request, pk: object) -> Response:
        check_names(request, ())
        rows = participants.members(person_of(request), self.found(), timezone.localdate())
        page = self.paginate_queryset(rows)
        return self.get_paginated_response(SeasonMemberOut(page, many=True).data)


class SeasonAircraft(SeasonRows, ListRows):
    """The aircraft tested in a season, and those of its fleet that were not."""

    serializer_class = SeasonAircraftOut

    @extend_schema(
        operation_id="seasons_participation_aircraft_list", responses=SeasonAircraftOut(many=True)
    )
    def get(self, request: Request, pk: object) -> Response:
        check_names(request, ())
        rows = participants.aircraft(person_of(request), self.found(), timezone.localdate())
        page = self.paginate_queryset(rows)
        return self.get_paginated_response(SeasonAircraftOut(page, many=True).data)
