"""Checking a paper, for anybody; slowed down together with the page."""

from __future__ import annotations

from typing import Any

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.throttling import AnonRateThrottle

from fleet import signing
from fleet.api.serializers.papers import CheckOut, CheckQuery
from fleet.api.views.base import Address, asked
from fleet.paper_codes import ForgedCodeError, MistypedCodeError, typed, verify
from fleet.queries.checking import Checked, agrees, by_code, by_digest

UNKNOWN = "No such paper is on record here."
FORGED = "Not signed by this service, or it does not belong to the paper. Do not rely on it."
BEING_MADE = "This number was taken; its paper is not issued yet."
NEVER_ISSUED = "This number was given up before a paper was made."


class CheckThrottle(AnonRateThrottle):
    """So many checks a minute from one address, whoever is signed in; counted with the page's."""

    scope = "check"

    def get_cache_key(self, request: Any, view: Any) -> str:
        """Count by address alone."""
        return self.cache_format % {"scope": self.scope, "ident": self.get_ident(request)}


class Check(Address):
    """Whether a paper is genuine and how it stands, by its code, its copy or its square code."""

    authentication_classes = []
    permission_classes = []
    throttle_classes = [CheckThrottle]
    takes_query = True

    @extend_schema(parameters=[CheckQuery], responses=CheckOut, auth=[])
    def get(self, request: Request) -> Response:
        """Tell what the paper itself says and how it stands; open to anybody."""
        found = _found(asked(CheckQuery, request.query_params))
        return Response(CheckOut(found).data, headers={"Cache-Control": "no-store"})


def _found(given: dict[str, Any]) -> dict[str, Any]:
    if "digest" in given:
        return _says(by_digest(given["digest"].lower()))
    if "signed" in given:
        return _signed(given["signed"])
    try:
        return _says(by_code(typed(given["code"])))
    except MistypedCodeError as error:
        raise ValidationError({"code": [str(error)]}) from None


def _signed(signed: str) -> dict[str, Any]:
    try:
        statement = verify(signed, signing.public_keys().values())
    except ForgedCodeError:
        return _bare("forged", FORGED)
    found = by_code(statement.code)
    honest = found is None or agrees(statement, found)
    return _says(found) if honest else _bare("forged", FORGED)


def _bare(state: str, why: str) -> dict[str, Any]:
    told = ("number", "kind", "title", "issued_on", "valid_until")
    return {"state": state, "why": why, **dict.fromkeys(told)}


def _says(found: Checked | None) -> dict[str, Any]:
    if found is None:
        return _bare("unknown", UNKNOWN)
    paper, verdict = found.paper, found.verdict
    if paper is None or verdict is None:
        given_up = hasattr(found.slip, "void")
        return _bare("never_issued", NEVER_ISSUED) if given_up else _bare("being_made", BEING_MADE)
    return {
        "state": verdict.state,
        "why": verdict.why,
        "number": found.slip.name if found.slip else None,
        "kind": paper.kind,
        "title": paper.title or paper.get_kind_display(),
        "issued_on": timezone.localdate(paper.created_at),
        "valid_until": paper.valid_until,
    }
