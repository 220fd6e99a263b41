"""Records of service: lists of elements, records, corrections."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import rules
from fleet.api.filters_service import ServiceRecordFilter
from fleet.api.serializers.service_records import (
    RecordListOut,
    ServiceRecordCorrection,
    ServiceRecordNew,
    ServiceRecordOut,
    ServiceRecordStrike,
)
from fleet.api.views.base import Address, ListRows, OneRow, Rows, named, person_of, taken
from fleet.models import Person, ServiceRecord
from fleet.queries.rulebook import jurisdictions_of
from fleet.queries.service_records import service_records_of
from fleet.queries.whose import aircraft_of
from fleet.record_lists import book
from fleet.services import service_records as services


class RecordLists(Address):
    """What the laws ask for."""

    @extend_schema(operation_id="record_lists_all", responses=RecordListOut(many=True))
    def get(self, request: Request) -> Response:
        """Return the lists of elements, each element with the paragraph that asks for it."""
        return Response(RecordListOut(book().lists.values(), many=True).data)


class ServiceRecordList(ListRows):
    """What was applied."""

    model = ServiceRecord
    rows_of = staticmethod(service_records_of)
    serializer_class = ServiceRecordOut
    filterset_class = ServiceRecordFilter

    @extend_schema(request=ServiceRecordNew, responses={201: ServiceRecordOut})
    def post(self, request: Request) -> Response:
        """Record an application of one's own operator (owner, pilot)."""
        by = rules.allow(rules.may_keep_service_records, request.user)
        given = _with_aircraft(by, taken(ServiceRecordNew, request))
        given["jurisdiction"] = named(jurisdictions_of(by), given["jurisdiction"], "jurisdiction")
        return self.created(services.record_service(by=by, **given), "service-record-detail")


def _with_aircraft(by: Person, given: dict[str, Any]) -> dict[str, Any]:
    if given.get("aircraft"):
        given["aircraft"] = named(aircraft_of(by), given["aircraft"], "aircraft")
    return given


class ServiceRecordDetail(OneRow):
    """One record of service."""

    model = ServiceRecord
    rows_of = staticmethod(service_records_of)
    serializer_class = ServiceRecordOut


class ServiceRecordCorrections(Rows):
    """The correction of a record."""

    model = ServiceRecord
    rows_of = staticmethod(service_records_of)
    serializer_class = ServiceRecordOut

    @extend_schema(request=ServiceRecordCorrection, responses={201: ServiceRecordOut})
    def post(self, request: Request, pk: object) -> Response:
        """Put a right record beside a wrong one (owner, pilot)."""
        one = self.found()
        by = rules.allow(rules.may_keep_service_records, person_of(request))
        given = _with_aircraft(by, taken(ServiceRecordCorrection, request))
        given.setdefault("aircraft", one.aircraft)
        new = services.correct_service_record(one, by=by, **given)
        return self.created(new, "service-record-detail")


class ServiceRecordStrikes(Rows):
    """The word that nothing took place."""

    model = ServiceRecord
    rows_of = staticmethod(service_records_of)
    serializer_class = ServiceRecordOut

    @extend_schema(request=ServiceRecordStrike, responses={201: ServiceRecordOut})
    def post(self, request: Request, pk: object) -> Response:
        """Say that what was recorded did not take place (owner, pilot)."""
        one = self.found()
        by = rules.allow(rules.may_keep_service_records, person_of(request))
        given = taken(ServiceRecordStrike, request)
        new = services.strike_service_record(one, by=by, **given)
        return self.created(new, "service-record-detail")
