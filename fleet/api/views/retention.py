"""What must be kept until when, and removing what nothing holds any longer (staff)."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import rules, storage
from fleet.api.filters import PAGING, PurgeFilter
from fleet.api.serializers.retention import (
    KeptFileOut,
    KeptFilesQuery,
    PurgeNew,
    PurgeOut,
    PurgePreviewOut,
)
from fleet.api.views.base import Address, ListRows, Rows, asked, person_of, taken
from fleet.models import Purge
from fleet.queries.retention import going, kept_bytes, oldest_first, purges_of, removable
from fleet.services import retention as services


class KeptFiles(Rows):
    """Every kept file, with what holds it; the oldest first."""

    model = Purge
    rows_of = staticmethod(purges_of)
    serializer_class = KeptFileOut
    filter_backends = []
    restricted = True

    @extend_schema(
        operation_id="kept_files_list",
        parameters=[KeptFilesQuery],
        responses=KeptFileOut(many=True),
    )
    def get(self, request: Request) -> Response:
        """Return the files page by page (staff)."""
        by = rules.allow(rules.may_purge, person_of(request))
        query = request.query_params.copy()
        for name in PAGING:
            query.pop(name, None)
        wanted = asked(KeptFilesQuery, query).get("removable")
        found = oldest_first(kept_bytes(by))
        if wanted is not None:
            gone = going(found)
            names = {one.digest for one in gone}
            found = gone if wanted else [one for one in found if one.digest not in names]
        page: list[Any] = self.paginate_queryset(found) or []
        sized = [(one, storage.size_of(one.digest)) for one in page]
        return self.get_paginated_response(KeptFileOut(sized, many=True).data)


class PurgePreview(Address):
    """What a purge would remove now."""

    restricted = True

    @extend_schema(responses=PurgePreviewOut)
    def get(self, request: Request) -> Response:
        """Return how much would go, and the mark that a purge must give back (staff)."""
        found = removable(rules.allow(rules.may_purge, person_of(request)))
        return Response(
            {
                "files": len(found),
                "size_bytes": sum(one.size or 0 for one in found),
                "seen": services.mark_of(found),
                "word": services.WORD,
            }
        )


class PurgeList(ListRows):
    """What was removed, the newest first (staff)."""

    model = Purge
    rows_of = staticmethod(purges_of)
    serializer_class = PurgeOut
    filterset_class = PurgeFilter
    restricted = True

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        rules.allow(rules.may_purge, request.user)
        return super().get(request, *args, **kwargs)

    @extend_schema(request=PurgeNew, responses={201: PurgeOut})
    def post(self, request: Request) -> Response:
        """Remove for good what the preview named, unless it is another list by now (staff)."""
        by = rules.allow(rules.may_purge, person_of(request))
        return Response(self.now(services.purge(by=by, **taken(PurgeNew, request))), 201)
