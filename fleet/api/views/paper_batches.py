"""A season's papers in one go."""

from __future__ import annotations

from typing import Any

from django.http import Http404, HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import rules, storage
from fleet.api.filters import PaperBatchFilter
from fleet.api.rows import light_jobs_of
from fleet.api.serializers.papers import BatchFullOut, BatchNew, BatchOut, TriedAgainOut
from fleet.api.serializers.work import JobOut
from fleet.api.views.base import FileOf, ListRows, Rows, at, file_answer, named, taken
from fleet.models import PaperBatch, PaperBundle, Season
from fleet.queries.paper_batches import progress_of, wanted
from fleet.queries.paper_subjects import PAPER_OF
from fleet.queries.papers import batches_of
from fleet.services import papers as services


class PaperBatchList(ListRows):
    """A season's papers that were asked for in one go (staff and analysts)."""

    model = PaperBatch
    rows_of = staticmethod(batches_of)
    serializer_class = BatchOut
    filterset_class = PaperBatchFilter
    restricted = True

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        rules.allow(rules.may_certify, request.user)
        return super().get(request, *args, **kwargs)

    @extend_schema(request=BatchNew, responses={201: BatchFullOut})
    def post(self, request: Request) -> Response:
        """Ask for a season's papers of some kinds; all get their numbers now."""
        by = rules.allow(rules.may_certify, request.user)
        given = taken(BatchNew, request)
        season = named(Season.objects.all(), given["season"], "season")
        kinds = list(dict.fromkeys(given["kinds"]))
        batch = services.ask_batch(
            season,
            by=by,
            kinds=kinds,
            wanted=wanted(by, season, kinds),
            page_size=given.get("page_size", PAPER_OF[by.unit_system]),
        )
        body = BatchFullOut(_whole(batch)).data
        return Response(body, 201, headers=at("paper-batch-detail", batch))


def _whole(batch: Any) -> Any:
    """Put to a batch how far it is and what was put together of it."""
    batch.progress = progress_of(batch)
    batch.bundle = PaperBundle.objects.filter(batch=batch).first()
    bundling = services.bundle_under_way(batch)
    batch.bundling_id = bundling.pk if bundling else None
    return batch


class OfBatch(Rows):
    """Something about a batch."""

    model = PaperBatch
    rows_of = staticmethod(batches_of)
    serializer_class = BatchFullOut


class PaperBatchDetail(OfBatch):
    """One batch and how far it is."""

    @extend_schema(responses=BatchFullOut)
    def get(self, request: Request, pk: object) -> Response:
        return Response(BatchFullOut(_whole(self.found())).data)


class PaperBatchAgain(OfBatch):
    """Another attempt at what could not be made."""

    @extend_schema(request=None, responses={200: TriedAgainOut})
    def post(self, request: Request, pk: object) -> Response:
        """Let workers try again what could not be made."""
        batch = self.found()
        by = rules.allow(rules.may_certify, request.user)
        count = services.try_batch_again(batch, by=by)
        return Response({"tried_again": count})


class PaperBatchBundle(OfBatch):
    """One ZIP and one PDF of a batch."""

    @extend_schema(request=None, responses={202: JobOut})
    def post(self, request: Request, pk: object) -> Response:
        """Put together what is issued; the files are at `zip/` and `pdf/` once the job is done."""
        batch = self.found()
        by = rules.allow(rules.may_certify, request.user)
        job = light_jobs_of(by).get(pk=services.bundle(batch, by=by).pk)
        return Response(JobOut(job).data, 202, headers=at("job-detail", job))


class _BundleFile(FileOf):
    model = PaperBatch
    rows_of = staticmethod(batches_of)

    def answer(self, form: str) -> HttpResponse:
        """Answer with the newest file of a form."""
        batch = self.found()
        bundle = PaperBundle.objects.filter(batch=batch).first()
        if bundle is None:
            raise Http404("There is no such file yet.")
        digest = bundle.zip_digest if form == "zip" else bundle.pdf_digest
        return file_answer(storage.fetch(digest), f"application/{form}", f"{batch}.{form}")


class PaperBatchZip(_BundleFile):
    """All papers of a batch in one ZIP: the newest that was put together."""

    @extend_schema(responses={(200, "application/zip"): OpenApiTypes.BINARY})
    def get(self, request: Request, pk: object) -> HttpResponse:
        return self.answer("zip")


class PaperBatchPdf(_BundleFile):
    """All papers of a batch in one PDF: the newest that was put together."""

    @extend_schema(responses={(200, "application/pdf"): OpenApiTypes.BINARY})
    def get(self, request: Request, pk: object) -> HttpResponse:
        return self.answer("pdf")
