"""Papers: asked for, looked at, issued anew, withdrawn; and the numbers they are issued under."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import ObjectDoesNotExist
from django.http import Http404, HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import rules, storage
from fleet.api.filters import PaperFilter, PaperNumberFilter
from fleet.api.rows import light_jobs_of, light_papers_of, numbers_of
from fleet.api.serializers.papers import (
    PaperAsk,
    PaperNumberFullOut,
    PaperNumberOut,
    PaperOut,
    PaperReason,
    VerdictOut,
)
from fleet.api.serializers.work import JobOut
from fleet.api.views.base import FileOf, ListRows, OneRow, Rows, at, file_answer, person_of, taken
from fleet.models import Job, Operator, Paper, PaperKind, PaperSlip, Person
from fleet.queries.paper_subjects import OF_AN_OPERATOR, PAPER_OF, subjects
from fleet.queries.papers import file_name, papers_of, slips_of, verdict_on
from fleet.services import papers as services


class PaperList(ListRows):
    """Issued papers."""

    model = Paper
    rows_of = staticmethod(light_papers_of)
    serializer_class = PaperOut
    filterset_class = PaperFilter


class PaperDetail(OneRow):
    """One issued paper."""

    model = Paper
    rows_of = staticmethod(light_papers_of)
    serializer_class = PaperOut


class PaperVerdict(Rows):
    """How an issued paper stands today."""

    model = Paper
    rows_of = staticmethod(light_papers_of)
    serializer_class = VerdictOut

    @extend_schema(responses=VerdictOut)
    def get(self, request: Request, pk: object) -> Response:
        return Response(VerdictOut(verdict_on(self.found())).data)


class PaperFile(FileOf):
    """An issued paper as PDF, byte for byte as it was issued."""

    model = Paper
    rows_of = staticmethod(light_papers_of)

    @extend_schema(responses={(200, "application/pdf"): OpenApiTypes.BINARY})
    def get(self, request: Request, pk: object) -> HttpResponse:
        paper = self.found()
        return file_answer(storage.fetch(paper.digest), "application/pdf", file_name(paper))


class PaperRecord(FileOf):
    """What a paper says as data, byte for byte as attached inside the PDF (`record_digest`)."""

    model = Paper
    rows_of = staticmethod(light_papers_of)

    @extend_schema(responses={(200, "application/json"): OpenApiTypes.OBJECT})
    def get(self, request: Request, pk: object) -> HttpResponse:
        paper = self.found()
        if not paper.record:
            raise Http404("It was issued before papers held a record.")
        return file_answer(paper.record.encode(), "application/json", f"{paper.slip.name}.json")


class PaperNumberList(ListRows):
    """Numbers that were taken, the newest first, and what became of each."""

    model = PaperSlip
    rows_of = staticmethod(numbers_of)
    serializer_class = PaperNumberOut
    filterset_class = PaperNumberFilter

    @extend_schema(request=PaperAsk, responses={202: JobOut})
    def post(self, request: Request) -> Response:
        """Ask for a paper, in your own units.

        It gets its number now and is made by a worker: the answer is the job, whose `subject_id`
        is the number. While you wait for the same paper, the job under way comes back.
        """
        by = person_of(request)
        given = taken(PaperAsk, request)
        kind, page_size = given.pop("kind"), given.pop("page_size", PAPER_OF[by.unit_system])
        sort = services.SORTS[kind]
        rules.allow(sort.may_ask, by)
        operator, about = _about(by, kind, given)
        job = services.ask(kind, by=by, operator=operator, page_size=page_size, **about)
        return _under_way(by, job)


def _about(by: Person, kind: str, given: dict[str, Any]) -> tuple[Operator | None, dict[str, Any]]:
    """Return whose a paper is to be, and the rows it is to be about: those that were named."""
    about: dict[str, Any] = {}
    errors: dict[str, list[str]] = {}
    for name, key in given.items():
        try:
            about[name] = subjects(by, {name: key})[name]
        except ObjectDoesNotExist:
            errors[name] = ["There is no such row, or it is not yours."]
    operator = about.pop("operator", None)
    if kind not in OF_AN_OPERATOR:
        if operator is not None:
            errors["operator"] = [f"A {PaperKind(kind).label.lower()} is the association's."]
        operator = None
    else:
        for name, row in about.items():
            whose = getattr(row, "operator", None)
            operator = operator or whose
            if whose is not None and whose != operator:
                errors[name] = ["It belongs to another operator than the paper would."]
    if errors:
        raise ValidationError(errors)
    return operator, about


def _under_way(by: Any, job: Job) -> Response:
    """Answer with a job, and where to ask how far it is."""
    job = light_jobs_of(by).get(pk=job.pk)
    return Response(JobOut(job).data, 202, headers=at("job-detail", job))


class OfNumber(Rows):
    """Something done about a number."""

    model = PaperSlip
    rows_of = staticmethod(numbers_of)
    serializer_class = PaperNumberFullOut

    def number(self) -> PaperSlip:
        """Return the number without what is counted along, as services take it."""
        return slips_of(person_of(self.request)).get(pk=self.found().pk)

    def paper(self, slip: PaperSlip) -> Paper:
        """Return the issued paper of a number."""
        paper = papers_of(person_of(self.request)).filter(slip=slip).first()
        if paper is None:
            raise ValidationError({"paper": ["It is not issued yet."]})
        return paper

    def now(self, row: Any) -> Any:
        """Return a number as it is now, with the verdict on its paper."""
        return self.get_serializer(self.judged(self.get_queryset().get(pk=row.pk))).data

    def judged(self, slip: Any) -> Any:
        """Put the verdict on its paper to a number."""
        paper = papers_of(person_of(self.request)).filter(slip=slip).first()
        slip.verdict = verdict_on(paper) if paper else None
        return slip


class PaperNumberDetail(OfNumber):
    """One number, and how its paper stands."""

    @extend_schema(responses=PaperNumberFullOut)
    def get(self, request: Request, pk: object) -> Response:
        return Response(self.get_serializer(self.judged(self.found())).data)


class PaperReissue(OfNumber):
    """A paper issued anew."""

    @extend_schema(request=PaperReason, responses={202: JobOut})
    def post(self, request: Request, pk: object) -> Response:
        """Issue a paper anew, from what stands on record now; it supersedes the old one."""
        slip = self.number()
        by = rules.allow(services.SORTS[slip.kind].may_ask, request.user)
        given = taken(PaperReason, request)
        return _under_way(by, services.reissue(self.paper(slip), by=by, **given))


class PaperWithdrawals(OfNumber):
    """A paper taken back."""

    @extend_schema(request=PaperReason, responses={200: PaperNumberFullOut})
    def post(self, request: Request, pk: object) -> Response:
        """Withdraw a paper (staff and analysts): whoever checks it is told so."""
        slip = self.number()
        by = rules.allow(rules.may_certify, request.user)
        given = taken(PaperReason, request)
        services.withdraw_paper(self.paper(slip), by=by, **given)
        return Response(self.now(slip))


class PaperAgain(OfNumber):
    """Another attempt at a paper that could not be made."""

    @extend_schema(request=None, responses={202: JobOut})
    def post(self, request: Request, pk: object) -> Response:
        """Let a worker try again, under the number it has."""
        slip = self.number()
        by = rules.allow(services.SORTS[slip.kind].may_ask, request.user)
        return _under_way(by, services.try_again(slip, by=by))


class PaperGivenUp(OfNumber):
    """A number given up."""

    @extend_schema(request=PaperReason, responses={200: PaperNumberFullOut})
    def post(self, request: Request, pk: object) -> Response:
        """Give up a number whose paper cannot be made (staff and analysts); the reason stays."""
        slip = self.number()
        by = rules.allow(rules.may_certify, request.user)
        services.give_up(slip, by=by, **taken(PaperReason, request))
        return Response(self.now(slip))
