"""Visits and tests."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import rules
from fleet.api.filters import TestFilter, VisitFilter
from fleet.api.rows import light_jobs_of
from fleet.api.serializers.results import AnalysisIn
from fleet.api.serializers.visits import (
    QualityOut,
    TestChange,
    TestNew,
    TestOut,
    VisitChange,
    VisitIn,
    VisitOut,
)
from fleet.api.serializers.work import JobOut
from fleet.api.views.base import ListRows, OneRow, Rows, at, named, person_of, taken
from fleet.models import Person, Test, Visit
from fleet.queries.quality import quality_of
from fleet.queries.whose import (
    operators_of,
    people_of,
    setups_of,
    tests_of,
    tests_with_counts,
    visits_of,
)
from fleet.services import analyses
from fleet.services import tests as test_services
from fleet.services import visits as visit_services


class VisitList(ListRows):
    """Visits: for people of an operator those with a test or sign-up of theirs, private ones to
    them, and clinics open for sign-up.
    """

    model = Visit
    rows_of = staticmethod(visits_of)
    serializer_class = VisitOut
    filterset_class = VisitFilter

    @extend_schema(request=VisitIn, responses={201: VisitOut})
    def post(self, request: Request) -> Response:
        """Plan a visit (staff and analysts)."""
        by = rules.allow(rules.may_plan_visits, request.user)
        given = _with_rows(by, taken(VisitIn, request))
        return self.created(visit_services.plan_visit(by=by, **given), "visit-detail")


class VisitDetail(OneRow):
    """One visit."""

    model = Visit
    rows_of = staticmethod(visits_of)
    serializer_class = VisitOut

    @extend_schema(request=VisitChange, responses=VisitOut)
    def patch(self, request: Request, pk: object) -> Response:
        """Change a visit (staff and analysts)."""
        visit = self.found()
        by = rules.allow(rules.may_plan_visits, request.user)
        changes = _with_rows(by, taken(VisitChange, request, partial=True))
        visit_services.change_visit(visit, by=by, **changes)
        return Response(self.now(visit))


def _with_rows(by: Person, given: dict[str, Any]) -> dict[str, Any]:
    """Put rows in the place of their keys."""
    if "analyst" in given:
        given["analyst"] = named(people_of(by), given["analyst"], "analyst")
    if given.get("host"):
        given["host"] = named(operators_of(by), given["host"], "host")
    return given


class TestList(ListRows):
    """Tests."""

    __test__ = False

    model = Test
    rows_of = staticmethod(tests_with_counts)
    serializer_class = TestOut
    filterset_class = TestFilter

    @extend_schema(request=TestNew, responses={201: TestOut})
    def post(self, request: Request) -> Response:
        """Start a test of a set-up on a visit (analysts)."""
        by = rules.allow(rules.may_test, request.user)
        given = taken(TestNew, request)
        given["visit"] = named(visits_of(by), given["visit"], "visit")
        given["setup"] = named(setups_of(by), given["setup"], "setup")
        return self.created(test_services.start_test(by=by, **given), "test-detail")


class TestDetail(OneRow):
    """One test with its conditions."""

    __test__ = False

    model = Test
    rows_of = staticmethod(tests_with_counts)
    serializer_class = TestOut

    @extend_schema(request=TestChange, responses=TestOut)
    def patch(self, request: Request, pk: object) -> Response:
        """Change the conditions, or how the files are read (analysts)."""
        test = self.found()
        by = rules.allow(rules.may_test, request.user)
        test_services.change_conditions(test, by=by, **taken(TestChange, request, partial=True))
        return Response(self.now(test))


class TestQuality(Rows):
    """How good each pass of a test is, at once and without an analysis."""

    __test__ = False

    model = Test
    rows_of = staticmethod(tests_of)
    serializer_class = QualityOut
    pagination_class = None  # a test has a handful of passes
    filter_backends = []

    @extend_schema(operation_id="tests_quality_list", responses=QualityOut(many=True))
    def get(self, request: Request, pk: object) -> Response:
        test = self.found()
        passes = list(test.passes.select_related("raw_file").order_by("number"))
        parameters = analyses.Settings(sweep=person_of(request).unit_system).parameters()
        return Response(QualityOut(quality_of(test, passes, parameters), many=True).data)


class TestAnalyses(Rows):
    """The analyses of a test (read them at /analyses/?test=…)."""

    __test__ = False

    model = Test
    rows_of = staticmethod(tests_of)
    serializer_class = JobOut

    @extend_schema(request=AnalysisIn, responses={202: JobOut})
    def post(self, request: Request, pk: object) -> Response:
        """Ask for an analysis of the passes as they stand (analysts).

        Answers with the job, and in `Location` where to ask how far it is. While the same
        analysis is under way, that job comes back.
        """
        test = self.found()
        by = rules.allow(rules.may_test, request.user)
        settings = analyses.Settings(**taken(AnalysisIn, request))
        job = analyses.request_analysis(test, by=by, settings=settings)
        job = light_jobs_of(by).get(pk=job.pk)
        return Response(JobOut(job).data, 202, headers=at("job-detail", job))
