"""What all addresses share."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, ClassVar
from uuid import UUID

from django.db.models import Model, QuerySet
from django.http import HttpResponse
from django.urls import reverse
from django.utils.http import content_disposition_header
from rest_framework.exceptions import ValidationError
from rest_framework.generics import GenericAPIView, ListAPIView, RetrieveAPIView
from rest_framework.negotiation import BaseContentNegotiation
from rest_framework.parsers import JSONParser
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.serializers import BaseSerializer
from rest_framework.views import APIView

from fleet.api.filters import StrictFilterBackend
from fleet.models import Person

RowsOf = Callable[[Person], QuerySet[Any]]


class Address(APIView):
    """What takes JSON, and says no more about itself than the schema does."""

    parser_classes = [JSONParser]
    http_method_names = ["get", "head", "post", "patch"]


class Rows(Address, GenericAPIView):  # type: ignore[type-arg]
    """Something about the rows that a person may see; `rows_of` says which."""

    model: ClassVar[type[Model]]
    rows_of: ClassVar[Any]  # staticmethod of a RowsOf
    filter_backends = [StrictFilterBackend]

    def get_queryset(self) -> QuerySet[Any]:
        """Return the rows of the person signed in, in the usual order of the model.

        It is said again here because rows that are counted along lose it.
        """
        if getattr(self, "swagger_fake_view", False):
            rows: QuerySet[Any] = self.model.objects.none()  # type: ignore[attr-defined]
            return rows
        found: QuerySet[Any] = type(self).rows_of(self.request.user)
        return found.order_by(*(self.model._meta.ordering or ()))

    def found(self) -> Any:
        """Return the row that the address names; what is not yours is not there."""
        return self.get_object()

    def filter_queryset(self, queryset: QuerySet[Any]) -> QuerySet[Any]:
        """Filters belong to lists; a row named by its key is not filtered away."""
        return queryset if "pk" in self.kwargs else super().filter_queryset(queryset)

    def now(self, row: Model) -> Any:
        """Return a row as it is now, as it goes out."""
        return self.get_serializer(self.get_queryset().get(pk=row.pk)).data

    def created(self, row: Model, name: str, status: int = 201) -> Response:
        """Answer with a new row and where it is."""
        return Response(self.now(row), status, headers=at(name, row))


class ListRows(Rows, ListAPIView):  # type: ignore[type-arg]
    """A list, page by page."""


class OneRow(Rows, RetrieveAPIView):  # type: ignore[type-arg]
    """One row."""


class AnyNegotiation(BaseContentNegotiation):
    """For files, which have the one type they have, whatever the client would rather take."""

    def select_parser(self, request: Request, parsers: Any) -> Any:
        """Return the first parser; nothing is parsed."""
        return parsers[0]

    def select_renderer(
        self, request: Request, renderers: Any, format_suffix: str | None = None
    ) -> Any:
        """Return the first renderer; it is used for problems only."""
        return renderers[0], renderers[0].media_type


class FileOf(Rows):
    """A file about a row."""

    content_negotiation_class = AnyNegotiation


def at(name: str, row: Model) -> dict[str, str]:
    """Return the header that says where a row is."""
    return {"Location": reverse(f"api:{name}", args=[row.pk])}


def person_of(request: Request) -> Person:
    """Return who is signed in; nobody else gets as far as a view."""
    assert isinstance(request.user, Person)
    return request.user


def taken(kind: type[BaseSerializer[Any]], request: Request, **options: Any) -> dict[str, Any]:
    """Return the values of a body, or raise what is wrong with them."""
    serializer = kind(data=request.data, **options)
    serializer.is_valid(raise_exception=True)
    return dict(serializer.validated_data)


def asked(kind: type[BaseSerializer[Any]], values: Any) -> dict[str, Any]:
    """Return the values of a query, or raise what is wrong with them."""
    serializer = kind(data=values)
    serializer.is_valid(raise_exception=True)
    return dict(serializer.validated_data)


def named(rows: QuerySet[Any], key: UUID, field: str) -> Any:
    """Return the row that a body names, among those that may be seen."""
    row = rows.filter(pk=key).first()
    if row is None:
        raise ValidationError({field: ["There is no such row, or it is not yours."]})
    return row


def all_named(rows: QuerySet[Any], keys: Sequence[UUID], field: str) -> list[Any]:
    """Return the rows that a body names, in one query; all of them must be among those seen."""
    found = list(rows.filter(pk__in=keys))
    if missing := set(keys) - {row.pk for row in found}:
        says = f"There is no such row, or it is not yours: {', '.join(sorted(map(str, missing)))}."
        raise ValidationError({field: [says]})
    return found


def file_answer(data: bytes, media_type: str, name: str, *, inline: bool = False) -> HttpResponse:
    """Answer with bytes as they are kept."""
    disposition = content_disposition_header(as_attachment=not inline, filename=name) or ""
    return HttpResponse(data, content_type=media_type, headers={"Content-Disposition": disposition})
