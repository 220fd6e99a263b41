"""All records of an operator in one file."""

from __future__ import annotations

from typing import Any

from django.http import FileResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import rules
from fleet.api.filters import OperatorExportFilter
from fleet.api.rows import light_jobs_of
from fleet.api.serializers.exports import ExportOut
from fleet.api.serializers.work import JobOut
from fleet.api.views.base import FileOf, ListRows, OneRow, Rows, at
from fleet.models import Operator, OperatorExport
from fleet.queries.exports import exports_of
from fleet.queries.whose import operators_of
from fleet.services import exports as services


class OperatorExports(Rows):
    """All records of an operator."""

    model = Operator
    rows_of = staticmethod(operators_of)
    serializer_class = JobOut

    @extend_schema(request=None, responses={202: JobOut})
    def post(self, request: Request, pk: object) -> Response:
        """Ask for all records as one ZIP (staff; owners for their own). `export` of the job, once
        it is done, names what was made.
        """
        operator = self.found()
        by = rules.allow(rules.may_export, request.user)
        job = light_jobs_of(by).get(pk=services.ask_export(operator, by=by).pk)
        return Response(JobOut(job).data, 202, headers=at("job-detail", job))


class ExportList(ListRows):
    """Exports that were made, the newest first (staff; owners their own)."""

    model = OperatorExport
    rows_of = staticmethod(exports_of)
    serializer_class = ExportOut
    filterset_class = OperatorExportFilter
    restricted = True

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        rules.allow(rules.may_export, request.user)
        return super().get(request, *args, **kwargs)


class ExportDetail(OneRow):
    """One export."""

    model = OperatorExport
    rows_of = staticmethod(exports_of)
    serializer_class = ExportOut
    restricted = True

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        found = self.found()
        rules.allow(rules.may_export, request.user)
        return Response(ExportOut(found).data)


class ExportFile(FileOf):
    """An export's file, until it expires."""

    model = OperatorExport
    rows_of = staticmethod(exports_of)

    @extend_schema(responses={(200, "application/zip"): OpenApiTypes.BINARY})
    def get(self, request: Request, pk: object) -> FileResponse:
        """Return the ZIP; who took it is written down."""
        export = self.found()
        by = rules.allow(rules.may_export, request.user)
        file = services.fetch_export(export, by=by)
        answer = FileResponse(
            file, as_attachment=True, filename=export.file_name, content_type="application/zip"
        )
        answer["Cache-Control"] = "no-store"
        return answer
