"""Analyses, approvals, papers."""

from __future__ import annotations

from typing import Any, ClassVar

from django.core.exceptions import ValidationError
from django.http import HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import rules
from fleet.api.filters import AnalysisFilter, ApprovalFilter
from fleet.api.rows import light_analyses_of, light_jobs_of
from fleet.api.serializers.papers import PaperIn
from fleet.api.serializers.results import (
    AnalysisFullOut,
    AnalysisOut,
    ApprovalIn,
    ApprovalOut,
    ChartQuery,
    EvidenceOut,
    EvidenceQuery,
    WithdrawalIn,
)
from fleet.api.serializers.work import JobOut
from fleet.api.views.base import (
    FileOf,
    ListRows,
    OneRow,
    Rows,
    asked,
    at,
    file_answer,
    person_of,
    taken,
)
from fleet.models import AnalysisRun, Approval
from fleet.queries.approvals import judged_approvals_of
from fleet.queries.evidence import at_swath
from fleet.queries.inputs import is_current
from fleet.queries.whose import analyses_of
from fleet.services import approvals as approval_services
from fleet.services import papers as paper_services
from fleet.validators import check_ranges
from patterns.draw import COMPACT, PAPER, WIDE, cv_chart, field_chart, passes_chart

SIZES = {"wide": WIDE, "compact": COMPACT, "paper": PAPER}


class AnalysisList(ListRows):
    """Finished analyses, without their documents."""

    model = AnalysisRun
    rows_of = staticmethod(light_analyses_of)
    serializer_class = AnalysisOut
    filterset_class = AnalysisFilter


class AnalysisDetail(OneRow):
    """One analysis with its settings, inputs and whole result."""

    model = AnalysisRun
    rows_of = staticmethod(analyses_of)
    serializer_class = AnalysisFullOut

    def get_object(self) -> Any:
        """Return the analysis, with whether it still speaks of the test as it is."""
        run = super().get_object()
        passes = list(run.test.passes.select_related("raw_file").order_by("number"))
        run.current = is_current(run, run.test, passes)
        return run


class AnalysisEvidence(Rows):
    """What an approval of a swath would rest on."""

    model = AnalysisRun
    rows_of = staticmethod(analyses_of)
    serializer_class = EvidenceOut
    takes_query = True

    @extend_schema(parameters=[EvidenceQuery], responses=EvidenceOut)
    def get(self, request: Request, pk: object) -> Response:
        run = self.found()
        wanted = asked(EvidenceQuery, request.query_params)
        _check_swath(wanted["swath_m"])
        return Response(EvidenceOut(at_swath(run, wanted["swath_m"], wanted["manner"])).data)


def _check_swath(swath_m: float) -> None:
    errors = check_ranges({"swath_m": swath_m})
    if errors:
        raise ValidationError(errors)


class AnalysisChart(FileOf):
    """A drawing of an analysis as SVG: `passes`, `cv` or `field`."""

    model = AnalysisRun
    rows_of = staticmethod(analyses_of)
    chart: ClassVar[str] = "passes"
    takes_query = True

    @extend_schema(parameters=[ChartQuery], responses={(200, "image/svg+xml"): OpenApiTypes.BINARY})
    def get(self, request: Request, pk: object) -> HttpResponse:
        run = self.found()
        wanted = asked(ChartQuery, request.query_params)
        manner = wanted.get("manner", run.test.setup.manner)
        swath_m = wanted.get("swath_m")
        if swath_m is not None:
            _check_swath(swath_m)
        system = wanted.get("system", person_of(request).unit_system)
        svg = _drawn(run, self.chart, system, manner, swath_m, SIZES[wanted["size"]])
        return file_answer(svg.encode(), "image/svg+xml", f"{self.chart}.svg", inline=True)


def _drawn(
    run: AnalysisRun, chart: str, system: Any, manner: Any, swath_m: float | None, size: Any
) -> str:
    if chart == "passes":
        return passes_chart(run.result, system=system, size=size)
    if chart == "cv":
        return cv_chart(run.result, system=system, chosen_swath_m=swath_m, size=size)
    swath_m = swath_m or getattr(run.result.recommended, manner).swath_m
    if swath_m is None:
        says = "The analysis recommends none for this way of flying; say which one to draw."
        raise ValidationError({"swath_m": [says]})
    return field_chart(run.result, system=system, swath_m=swath_m, manner=manner, size=size)


class AnalysisApprovals(Rows):
    """Approvals that rest on an analysis (read them at /approvals/?analysis=…)."""

    model = AnalysisRun
    rows_of = staticmethod(analyses_of)
    serializer_class = ApprovalOut

    @extend_schema(request=ApprovalIn, responses={201: ApprovalOut})
    def post(self, request: Request, pk: object) -> Response:
        """Approve a swath for the set-up that was tested (analysts).

        It supersedes the approval in force for the same set-up. A test finding, never permission
        to spray.
        """
        run = self.found()
        by = rules.allow(rules.may_approve, request.user)
        made = approval_services.approve(run, by=by, **taken(ApprovalIn, request))
        approval = judged_approvals_of(by).get(pk=made.pk)
        return Response(ApprovalOut(approval).data, 201, headers=at("approval-detail", made))


class AnalysisPapers(Rows):
    """Papers about an analysis (read them at /papers/?analysis=…)."""

    model = AnalysisRun
    rows_of = staticmethod(light_analyses_of)
    serializer_class = JobOut

    @extend_schema(request=PaperIn, responses={202: JobOut})
    def post(self, request: Request, pk: object) -> Response:
        """Ask for the test report, in your own units.

        Answers with the job, and in `Location` where to ask how far it is.
        """
        run = self.found()
        by = rules.allow(rules.may_issue_papers, request.user)
        job = paper_services.request_report(run, by=by, **taken(PaperIn, request))
        job = light_jobs_of(by).get(pk=job.pk)
        return Response(JobOut(job).data, 202, headers=at("job-detail", job))


class ApprovalList(ListRows):
    """Approved swaths: those that stand, and those that something ended."""

    model = Approval
    rows_of = staticmethod(judged_approvals_of)
    serializer_class = ApprovalOut
    filterset_class = ApprovalFilter


class ApprovalDetail(OneRow):
    """One approval."""

    model = Approval
    rows_of = staticmethod(judged_approvals_of)
    serializer_class = ApprovalOut


class ApprovalWithdrawal(Rows):
    """The end of an approval before its date."""

    model = Approval
    rows_of = staticmethod(judged_approvals_of)
    serializer_class = ApprovalOut

    @extend_schema(request=WithdrawalIn, responses={201: ApprovalOut})
    def post(self, request: Request, pk: object) -> Response:
        """Withdraw an approval (analysts). It stays on record with the reason."""
        approval = self.found()
        by = rules.allow(rules.may_approve, request.user)
        approval_services.withdraw(approval, by=by, reason=taken(WithdrawalIn, request)["reason"])
        return self.created(approval, "approval-detail")
