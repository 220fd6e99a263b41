"""Filings: what must go where by when, and the steps of each."""

from __future__ import annotations

from typing import Any

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.exceptions import NotFound, ValidationError
from rest_framework.parsers import JSONParser
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import rules, storage
from fleet.api.filters import FilingFilter
from fleet.api.parsers import LimitedMultiPartParser
from fleet.api.serializers.filings import (
    FilingOut,
    FilingsOpenedOut,
    FilingStepNew,
    FilingStepOut,
)
from fleet.api.views.base import (
    Address,
    FileOf,
    ListRows,
    OneRow,
    Rows,
    file_answer,
    named,
    person_of,
    taken,
)
from fleet.models import Filing, FilingStep
from fleet.queries.filings import filings_of, papers_for, steps_of
from fleet.services import filings as services


class FilingList(ListRows):
    """What must go where by when."""

    model = Filing
    rows_of = staticmethod(filings_of)
    serializer_class = FilingOut
    filterset_class = FilingFilter


class FilingDetail(OneRow):
    """One filing."""

    model = Filing
    rows_of = staticmethod(filings_of)
    serializer_class = FilingOut


class FilingLook(Address):
    """Looking what the rules ask for."""

    restricted = True

    @extend_schema(request=None, responses=FilingsOpenedOut)
    def post(self, request: Request) -> Response:
        """Open what is asked for and is not on the board yet (staff, analysts)."""
        by = rules.allow(rules.may_file, person_of(request))
        return Response({"opened": services.open_filings_due(by=by)})


class FilingSteps(Rows):
    """The steps of a filing."""

    model = Filing
    rows_of = staticmethod(filings_of)
    serializer_class = FilingStepOut
    pagination_class = None
    parser_classes = [JSONParser, LimitedMultiPartParser]

    @extend_schema(responses=FilingStepOut(many=True))
    def get(self, request: Request, pk: object) -> Response:
        """Return the steps, the oldest first."""
        rows = steps_of(person_of(request)).filter(filing=self.found())
        return Response(FilingStepOut(rows.order_by("created_at", "id"), many=True).data)

    @extend_schema(
        request={"application/json": FilingStepNew, "multipart/form-data": FilingStepNew},
        responses={201: FilingStepOut},
    )
    def post(self, request: Request, pk: object) -> Response:
        """Note the next step (staff, analysts). An answer comes as a part named `file`."""
        filing = self.found()
        by = rules.allow(rules.may_file, request.user)
        given = taken(FilingStepNew, request)
        kind = given.pop("kind")
        known = ("happened_on", *services.TELLS[kind])
        unknown = [name for name in given if name not in known]
        if unknown:
            says = f"This step does not tell it. It tells: {', '.join(known)}."
            raise ValidationError({name: [says] for name in unknown})
        if "paper" in given:
            given["paper"] = named(papers_for(by, filing), given["paper"], "paper")
        if kind in services.IN_WORDS:
            given.setdefault("words", "")  # so that it is the service that asks for them
        if file := given.pop("file", None):
            given["file"] = services.Answer(str(file.name), file.read())
        step = services.STEPS[kind](filing, by=by, **given)
        return Response(FilingStepOut(steps_of(by).get(pk=step.pk)).data, 201)


class FilingStepFile(FileOf):
    """The answer to a filing, byte for byte as it came in."""

    model = FilingStep
    rows_of = staticmethod(steps_of)

    @extend_schema(responses={(200, "application/octet-stream"): OpenApiTypes.BINARY})
    def get(self, request: Request, pk: object) -> Any:
        """Return the file; 404 where none came."""
        step = self.get_queryset().exclude(file_digest="").filter(pk=self.found().pk).first()
        if step is None:
            raise NotFound("No file came with it.")
        data = storage.fetch(step.file_digest)
        return file_answer(data, "application/octet-stream", step.file_name)
