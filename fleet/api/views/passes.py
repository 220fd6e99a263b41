"""Passes and their files."""

from __future__ import annotations

from django.conf import settings
from django.core.files.uploadedfile import UploadedFile
from django.http import Http404, HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiResponse, extend_schema
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import rules, storage
from fleet.api.filters import PassFilter
from fleet.api.parsers import LimitedMultiPartParser
from fleet.api.serializers.visits import (
    AbortedIn,
    OverruleIn,
    PassChange,
    PassOut,
    UploadOut,
)
from fleet.api.views.base import FileOf, ListRows, OneRow, Rows, at, file_answer, taken
from fleet.models import FlightPass, Person, Test
from fleet.queries.whose import passes_of, tests_of
from fleet.services import passes as services

FILES = {
    "multipart/form-data": {
        "type": "object",
        "properties": {"file": {"type": "array", "items": {"type": "string", "format": "binary"}}},
        "required": ["file"],
    }
}


class TestPasses(Rows):
    """The passes of a test (read them at /passes/?test=…)."""

    __test__ = False

    model = Test
    rows_of = staticmethod(tests_of)
    serializer_class = UploadOut
    parser_classes = [LimitedMultiPartParser]

    @extend_schema(
        request=FILES,
        responses={
            201: OpenApiResponse(UploadOut, "All files were accepted."),
            207: OpenApiResponse(UploadOut, "Some were accepted; the others say why not."),
        },
    )
    def post(self, request: Request, pk: object) -> Response:
        """Add a pass for each trace file, sent as parts named `file` (analysts).

        Each file stands for itself. 201 when all were accepted, 207 when some were refused, 400
        when all were; `results` are in the order of the files.
        """
        test = self.found()
        by = rules.allow(rules.may_test, request.user)
        added = [_added(test, by, file) for file in _files(request)]
        refused = [one.error for one in added if one.error]
        if len(refused) == len(added):
            raise ValidationError({"file": refused})
        return Response(UploadOut({"results": added}).data, 207 if refused else 201)


def _files(request: Request) -> list[UploadedFile[bytes]]:
    unknown = [name for name in request.data if name != "file"]
    if unknown:
        raise ValidationError({name: ['Name the parts "file".'] for name in unknown})
    files: list[UploadedFile[bytes]] = request.FILES.getlist("file")
    if not files:
        raise ValidationError({"file": ['Send one or more files, as parts named "file".']})
    return files


def _added(test: Test, by: Person, file: UploadedFile[bytes]) -> services.Added:
    """Add one file; one that is too big is not read into memory."""
    name, size, limit = str(file.name), file.size or 0, settings.UPLOAD_LIMIT_BYTES
    if size > limit:
        says = f"{name}: the file has {size / 1e6:.1f} MB; at most {limit / 1e6:.0f} MB."
        return services.Added(name, None, says)
    return services.add_passes(test, by=by, files=[(name, file.read())])[0]


class TestAborted(Rows):
    """Passes of a test that were broken off."""

    __test__ = False

    model = Test
    rows_of = staticmethod(tests_of)
    serializer_class = PassOut

    @extend_schema(request=AbortedIn, responses={201: PassOut})
    def post(self, request: Request, pk: object) -> Response:
        """Record a pass that was flown and broken off (analysts)."""
        test = self.found()
        by = rules.allow(rules.may_test, request.user)
        given = taken(AbortedIn, request)
        made = services.add_aborted_pass(test, by=by, reason=given["aborted_reason"])
        return Response(PassOut(made).data, 201, headers=at("pass-detail", made))


class PassList(ListRows):
    """Passes."""

    model = FlightPass
    rows_of = staticmethod(passes_of)
    serializer_class = PassOut
    filterset_class = PassFilter


class PassDetail(OneRow):
    """One pass."""

    model = FlightPass
    rows_of = staticmethod(passes_of)
    serializer_class = PassOut

    @extend_schema(request=PassChange, responses=PassOut)
    def patch(self, request: Request, pk: object) -> Response:
        """Enter what differed from the test on this pass (analysts)."""
        flight_pass = self.found()
        by = rules.allow(rules.may_test, request.user)
        services.change_pass(flight_pass, by=by, **taken(PassChange, request, partial=True))
        return Response(self.now(flight_pass))


class PassOverrule(Rows):
    """The analyst's word against the rule's."""

    model = FlightPass
    rows_of = staticmethod(passes_of)
    serializer_class = PassOut

    @extend_schema(request=OverruleIn, responses={200: PassOut})
    def post(self, request: Request, pk: object) -> Response:
        """Use a suspect pass all the same, leave a good one out, or take that back (analysts)."""
        flight_pass = self.found()
        by = rules.allow(rules.may_test, request.user)
        given = taken(OverruleIn, request)
        services.overrule(
            flight_pass, by=by, overrule=given["overrule"], reason=given["overrule_reason"]
        )
        return Response(self.now(flight_pass))


class PassFile(FileOf):
    """The raw file of a pass, byte for byte as it came in."""

    model = FlightPass
    rows_of = staticmethod(passes_of)

    @extend_schema(responses={(200, "application/octet-stream"): OpenApiTypes.BINARY})
    def get(self, request: Request, pk: object) -> HttpResponse:
        raw_file = self.found().raw_file
        if raw_file is None:
            raise Http404("This pass was broken off and has no file.")
        data = storage.fetch(raw_file.digest)
        return file_answer(data, "application/octet-stream", raw_file.name)
