"""Jurisdictions, rules with their versions, waivers, duties."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import rules
from fleet.api.filters import (
    PAGING,
    JurisdictionFilter,
    RequirementFilter,
    UnderFilter,
    WaiverFilter,
)
from fleet.api.serializers.rules import (
    DutyOut,
    DutyQuery,
    JurisdictionNew,
    JurisdictionOut,
    RequirementEnd,
    RequirementNew,
    RequirementOut,
    UnderEnd,
    UnderNew,
    UnderOut,
    VersionNew,
    WaiverEnd,
    WaiverNew,
    WaiverOut,
)
from fleet.api.views.base import ListRows, OneRow, Rows, asked, named, person_of, taken
from fleet.models import Aircraft, Jurisdiction, Requirement, Waiver, WorksUnder
from fleet.queries.duties import duties
from fleet.queries.rulebook import (
    jurisdictions_of,
    requirements_of,
    waivers_of,
    works_under_of,
)
from fleet.queries.whose import aircraft_of
from fleet.services import requirements as services


class JurisdictionList(ListRows):
    """States and authorities whose rules apply."""

    model = Jurisdiction
    rows_of = staticmethod(jurisdictions_of)
    serializer_class = JurisdictionOut
    filterset_class = JurisdictionFilter

    @extend_schema(request=JurisdictionNew, responses={201: JurisdictionOut})
    def post(self, request: Request) -> Response:
        """Add a jurisdiction (staff)."""
        by = rules.allow(rules.may_keep_rules, request.user)
        added = services.add_jurisdiction(by=by, **taken(JurisdictionNew, request))
        return self.created(added, "jurisdiction-detail")


class JurisdictionDetail(OneRow):
    """One jurisdiction."""

    model = Jurisdiction
    rows_of = staticmethod(jurisdictions_of)
    serializer_class = JurisdictionOut

    @extend_schema(request=JurisdictionNew, responses=JurisdictionOut)
    def patch(self, request: Request, pk: object) -> Response:
        """Change a jurisdiction's particulars (staff)."""
        one = self.found()
        by = rules.allow(rules.may_keep_rules, request.user)
        changes = taken(JurisdictionNew, request, partial=True)
        services.change_jurisdiction(one, by=by, **changes)
        return Response(self.now(one))


class RequirementList(ListRows):
    """Rules, each with its versions."""

    model = Requirement
    rows_of = staticmethod(requirements_of)
    serializer_class = RequirementOut
    filterset_class = RequirementFilter

    @extend_schema(request=RequirementNew, responses={201: RequirementOut})
    def post(self, request: Request) -> Response:
        """Add a rule with its first version (staff)."""
        by = rules.allow(rules.may_keep_rules, request.user)
        given = taken(RequirementNew, request)
        given["jurisdiction"] = named(jurisdictions_of(by), given["jurisdiction"], "jurisdiction")
        return self.created(services.add_requirement(by=by, **given), "requirement-detail")


class RequirementDetail(OneRow):
    """One rule with its versions."""

    model = Requirement
    rows_of = staticmethod(requirements_of)
    serializer_class = RequirementOut


class RequirementVersions(Rows):
    """What a rule says from a day on."""

    model = Requirement
    rows_of = staticmethod(requirements_of)
    serializer_class = RequirementOut

    @extend_schema(request=VersionNew, responses={201: RequirementOut})
    def post(self, request: Request, pk: object) -> Response:
        """Record a later version (staff). What was judged before stays."""
        one = self.found()
        by = rules.allow(rules.may_keep_rules, request.user)
        services.record_version(one, by=by, **taken(VersionNew, request))
        return self.created(one, "requirement-detail")


class RequirementEnds(Rows):
    """The last day of a rule."""

    model = Requirement
    rows_of = staticmethod(requirements_of)
    serializer_class = RequirementOut

    @extend_schema(request=RequirementEnd, responses=RequirementOut)
    def post(self, request: Request, pk: object) -> Response:
        """End a rule, today at the earliest (staff)."""
        one = self.found()
        by = rules.allow(rules.may_keep_rules, request.user)
        services.end_requirement(one, by=by, **taken(RequirementEnd, request))
        return Response(self.now(one))


class WaiverList(ListRows):
    """Waivers: a rule that does not bind an aircraft for a while."""

    model = Waiver
    rows_of = staticmethod(waivers_of)
    serializer_class = WaiverOut
    filterset_class = WaiverFilter

    @extend_schema(request=WaiverNew, responses={201: WaiverOut})
    def post(self, request: Request) -> Response:
        """Grant a waiver (staff)."""
        by = rules.allow(rules.may_keep_rules, request.user)
        given = taken(WaiverNew, request)
        given["aircraft"] = named(aircraft_of(by), given["aircraft"], "aircraft")
        given["requirement"] = named(requirements_of(by), given["requirement"], "requirement")
        return self.created(services.grant_waiver(by=by, **given), "waiver-detail")


class WaiverDetail(OneRow):
    """One waiver."""

    model = Waiver
    rows_of = staticmethod(waivers_of)
    serializer_class = WaiverOut


class WaiverEnds(Rows):
    """The end of a waiver before its last day."""

    model = Waiver
    rows_of = staticmethod(waivers_of)
    serializer_class = WaiverOut

    @extend_schema(request=WaiverEnd, responses=WaiverOut)
    def post(self, request: Request, pk: object) -> Response:
        """End a waiver, with the reason (staff). From today on the rule binds again."""
        one = self.found()
        by = rules.allow(rules.may_keep_rules, request.user)
        services.end_waiver(one, by=by, **taken(WaiverEnd, request))
        return Response(self.now(one))


class UnderList(ListRows):
    """Aircraft that work under a jurisdiction besides that of their operator's home."""

    model = WorksUnder
    rows_of = staticmethod(works_under_of)
    serializer_class = UnderOut
    filterset_class = UnderFilter

    @extend_schema(request=UnderNew, responses={201: UnderOut})
    def post(self, request: Request) -> Response:
        """Put an aircraft under a further jurisdiction (staff)."""
        by = rules.allow(rules.may_keep_rules, request.user)
        given = taken(UnderNew, request)
        given["aircraft"] = named(aircraft_of(by), given["aircraft"], "aircraft")
        given["jurisdiction"] = named(jurisdictions_of(by), given["jurisdiction"], "jurisdiction")
        return self.created(services.put_under(by=by, **given), "under-detail")


class UnderDetail(OneRow):
    """One of them."""

    model = WorksUnder
    rows_of = staticmethod(works_under_of)
    serializer_class = UnderOut


class UnderEnds(Rows):
    """The last day of work under a further jurisdiction."""

    model = WorksUnder
    rows_of = staticmethod(works_under_of)
    serializer_class = UnderOut

    @extend_schema(request=UnderEnd, responses=UnderOut)
    def post(self, request: Request, pk: object) -> Response:
        """End it, today at the earliest (staff)."""
        one = self.found()
        by = rules.allow(rules.may_keep_rules, request.user)
        services.end_under(one, by=by, **taken(UnderEnd, request))
        return Response(self.now(one))


class DutyList(ListRows):
    """What each rule asks of each aircraft in service, and how that stands, with the reasons.

    The longest due first. A rule that is met is no permission to spray.
    """

    model = Aircraft
    rows_of = staticmethod(aircraft_of)
    serializer_class = DutyOut
    filter_backends = []

    @extend_schema(parameters=[DutyQuery], responses=DutyOut(many=True))
    def get(self, request: Request) -> Response:
        query = request.query_params.copy()
        for name in PAGING:
            query.pop(name, None)
        wanted = asked(DutyQuery, query)
        fleet = None
        paths = {"operator": "operator_id", "aircraft": "pk"}
        narrowed = {path: wanted[name] for name, path in paths.items() if name in wanted}
        if narrowed:
            fleet = self.get_queryset().filter(**narrowed)
            fleet = fleet if "on" in wanted else fleet.filter(retired_on__isnull=True)
        found = duties(person_of(request), aircraft=fleet, today=wanted.get("on"))
        page = self.paginate_queryset([one for one in found if _matches(one, wanted)])
        return self.get_paginated_response(DutyOut(page, many=True).data)


def _matches(one: Any, wanted: dict[str, Any]) -> bool:
    states, jurisdiction = wanted.get("state"), wanted.get("jurisdiction")
    return (not states or one.state in states) and (
        jurisdiction is None or one.requirement.jurisdiction_id == jurisdiction
    )
