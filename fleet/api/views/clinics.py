"""Sign-ups, running orders, calendar files, supplies, gifts."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from django.http import HttpResponse
from django.utils.text import slugify
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiResponse, extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import rules
from fleet.api.filters import GiftFilter, SignUpFilter, SupplyFilter
from fleet.api.serializers.clinics import (
    CancellationIn,
    GiftIn,
    GiftOut,
    MoveIn,
    OrderIn,
    SignUpNew,
    SignUpOut,
    StateIn,
    SupplyNew,
    SupplyOut,
)
from fleet.api.serializers.visits import VisitOut
from fleet.api.views.base import (
    FileOf,
    ListRows,
    OneRow,
    Rows,
    file_answer,
    named,
    person_of,
    taken,
)
from fleet.models import Gift, Person, SignUp, SupplyUse, Visit
from fleet.queries.calendars import calendar_of
from fleet.queries.clinics import sign_ups_of
from fleet.queries.gifts import gifts_of, supplies_of
from fleet.queries.whose import aircraft_of, visits_of
from fleet.services import clinics, gifts
from fleet.services import visits as visit_services


class VisitRows(Rows):
    """Something of one visit."""

    model = Visit
    rows_of = staticmethod(visits_of)


class SignUpList(ListRows):
    """Sign-ups for visits: of your operator; staff and analysts see all."""

    model = SignUp
    rows_of = staticmethod(sign_ups_of)
    serializer_class = SignUpOut
    filterset_class = SignUpFilter


class SignUpDetail(OneRow):
    """One sign-up with its place and about when its turn is."""

    model = SignUp
    rows_of = staticmethod(sign_ups_of)
    serializer_class = SignUpOut


class VisitSignUps(VisitRows):
    """Sign-ups for one visit."""

    serializer_class = SignUpOut
    pagination_class = None
    filter_backends = []

    @extend_schema(responses=SignUpOut(many=True))
    def get(self, request: Request, pk: object) -> Response:
        """Return those that you may see, by day and place, the waiting list last."""
        visit = self.found()
        rows = sign_ups_of(person_of(request)).filter(visit=visit)
        return Response(SignUpOut(rows, many=True).data)

    @extend_schema(request=SignUpNew, responses={201: SignUpOut})
    def post(self, request: Request, pk: object) -> Response:
        """Sign an aircraft up (owners for their own; staff and analysts).

        When all places are taken it is put on the waiting list: see `state`.
        """
        visit = self.found()
        by = rules.allow(rules.may_sign_up, request.user)
        given = taken(SignUpNew, request)
        given["aircraft"] = named(aircraft_of(by), given["aircraft"], "aircraft")
        row = clinics.sign_up(by=by, visit=visit, **given)
        return Response(SignUpOut(sign_ups_of(by).get(pk=row.pk)).data, 201)


class SignUpDeed(Rows):
    """A deed on one sign-up; answers with it as it is then."""

    model = SignUp
    rows_of = staticmethod(sign_ups_of)
    serializer_class = SignUpOut


class SignUpCancellation(SignUpDeed):
    """Calling a sign-up off."""

    @extend_schema(request=None, responses=SignUpOut)
    def post(self, request: Request, pk: object) -> Response:
        """Call it off; the first on the waiting list gets the place."""
        row = self.found()
        clinics.cancel(row, by=rules.allow(rules.may_sign_up, request.user))
        return Response(self.now(row))


class SignUpStateOf(SignUpDeed):
    """What became of an aircraft on the day."""

    @extend_schema(request=StateIn, responses=SignUpOut)
    def post(self, request: Request, pk: object) -> Response:
        """Note it as flown or absent, or take that back (staff and analysts)."""
        row = self.found()
        by = rules.allow(rules.may_run_day, request.user)
        deed = {
            "flown": clinics.mark_flown,
            "absent": clinics.mark_absent,
            "placed": clinics.put_back,
        }[taken(StateIn, request)["state"]]
        deed(row, by=by)
        return Response(self.now(row))


class SignUpMove(SignUpDeed):
    """Moving an aircraft within its day or to another one."""

    @extend_schema(request=MoveIn, responses=SignUpOut)
    def post(self, request: Request, pk: object) -> Response:
        """Move it before another one, or to a day with a free place (staff and analysts)."""
        row = self.found()
        by = rules.allow(rules.may_run_day, request.user)
        given = taken(MoveIn, request)
        if "day" in given:
            clinics.move_to_day(row, by=by, day=given["day"])
        else:
            others = sign_ups_of(by).filter(visit=row.visit_id)
            clinics.move_before(row, by=by, other=named(others, given["before"], "before"))
        return Response(self.now(row))


class VisitOrder(VisitRows):
    """The running order of a day."""

    serializer_class = SignUpOut
    pagination_class = None
    filter_backends = []

    @extend_schema(request=OrderIn, responses=SignUpOut(many=True))
    def post(self, request: Request, pk: object) -> Response:
        """Put those to fly on a day in an order (staff and analysts); answers with the day.

        A list made before somebody flew or came still holds: who is no longer to fly is passed
        over, who is missing comes behind.
        """
        visit = self.found()
        by = rules.allow(rules.may_run_day, request.user)
        given = taken(OrderIn, request)
        clinics.reorder(visit, by=by, **given)
        rows = sign_ups_of(by).filter(visit=visit, day=given["day"], position__isnull=False)
        return Response(SignUpOut(rows, many=True).data)


class VisitCancellation(VisitRows):
    """Calling a visit off."""

    serializer_class = VisitOut

    @extend_schema(request=CancellationIn, responses=VisitOut)
    def post(self, request: Request, pk: object) -> Response:
        """Call it off, with the reason (staff and analysts). Places are kept."""
        visit = self.found()
        by = rules.allow(rules.may_plan_visits, request.user)
        visit_services.call_off_visit(visit, by=by, **taken(CancellationIn, request))
        return Response(self.now(visit))


class VisitRestoration(VisitRows):
    """Putting a visit back on."""

    serializer_class = VisitOut

    @extend_schema(request=None, responses=VisitOut)
    def post(self, request: Request, pk: object) -> Response:
        """Put it back on when it was called off (staff and analysts)."""
        visit = self.found()
        by = rules.allow(rules.may_plan_visits, request.user)
        visit_services.put_visit_back(visit, by=by)
        return Response(self.now(visit))


class VisitCalendar(FileOf):
    """The calendar file of a visit."""

    model = Visit
    rows_of = staticmethod(visits_of)

    @extend_schema(responses={(200, "text/calendar"): OpenApiTypes.BINARY})
    def get(self, request: Request, pk: object) -> HttpResponse:
        """Return it (RFC 5545): for staff and analysts the visit, for operators their turns."""
        visit = self.found()
        name = f"{slugify(visit.place) or 'visit'}-{visit.starts_on}.ics"
        return file_answer(calendar_of(person_of(request), visit), "text/calendar", name)


class SupplyList(ListRows):
    """What visits used up (staff and analysts)."""

    model = SupplyUse
    rows_of = staticmethod(supplies_of)
    serializer_class = SupplyOut
    filterset_class = SupplyFilter
    restricted = True

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        rules.allow(rules.may_run_day, request.user)
        return super().get(request, *args, **kwargs)


class VisitSupplies(VisitRows):
    """What one visit used up."""

    serializer_class = SupplyOut
    pagination_class = None
    filter_backends = []
    restricted = True

    @extend_schema(responses=SupplyOut(many=True))
    def get(self, request: Request, pk: object) -> Response:
        """Return what was noted (staff and analysts)."""
        visit = self.found()
        by = rules.allow(rules.may_run_day, request.user)
        return Response(SupplyOut(supplies_of(by).filter(visit=visit), many=True).data)

    @extend_schema(request=SupplyNew, responses={201: SupplyOut})
    def post(self, request: Request, pk: object) -> Response:
        """Note what was used (staff and analysts)."""
        visit = self.found()
        by = rules.allow(rules.may_run_day, request.user)
        use = gifts.record_supply(by=by, visit=visit, **taken(SupplyNew, request))
        return Response(SupplyOut(use).data, 201)


class SupplyRemoval(Rows):
    """Taking back what was noted by mistake."""

    model = SupplyUse
    rows_of = staticmethod(supplies_of)

    @extend_schema(request=None, responses={204: OpenApiResponse(description="Taken back")})
    def post(self, request: Request, pk: object) -> Response:
        """Take it back (staff and analysts); the trail keeps it."""
        gifts.remove_supply(self.found(), by=rules.allow(rules.may_run_day, request.user))
        return Response(status=204)


class GiftList(ListRows):
    """What was given to the programme (staff and analysts read, staff write)."""

    model = Gift
    rows_of = staticmethod(gifts_of)
    serializer_class = GiftOut
    filterset_class = GiftFilter
    restricted = True

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        rules.allow(rules.may_run_day, request.user)
        return super().get(request, *args, **kwargs)

    @extend_schema(request=GiftIn, responses={201: GiftOut})
    def post(self, request: Request) -> Response:
        """Note a gift (staff). It counts for the season in which it was given."""
        by = rules.allow(rules.may_manage_season, request.user)
        gift = gifts.record_gift(by=by, **_with_visit(by, taken(GiftIn, request)))
        return self.created(gift, "gift-detail")


class GiftDetail(OneRow):
    """One gift."""

    model = Gift
    rows_of = staticmethod(gifts_of)
    serializer_class = GiftOut

    @extend_schema(request=GiftIn, responses=GiftOut)
    def patch(self, request: Request, pk: object) -> Response:
        """Change what was noted (staff)."""
        gift = self.found()
        by = rules.allow(rules.may_manage_season, request.user)
        gifts.change_gift(gift, by=by, **_with_visit(by, taken(GiftIn, request, partial=True)))
        return Response(self.now(gift))


class GiftRemoval(Rows):
    """Taking back a gift noted by mistake."""

    model = Gift
    rows_of = staticmethod(gifts_of)

    @extend_schema(request=None, responses={204: OpenApiResponse(description="Taken back")})
    def post(self, request: Request, pk: object) -> Response:
        """Take it back (staff); the trail keeps it."""
        gifts.remove_gift(self.found(), by=rules.allow(rules.may_manage_season, request.user))
        return Response(status=204)


def _with_visit(by: Person, given: dict[str, Any]) -> dict[str, Any]:
    visits: QuerySet[Visit] = visits_of(by)
    if given.get("visit"):
        given["visit"] = named(visits, given["visit"], "visit")
    return given
