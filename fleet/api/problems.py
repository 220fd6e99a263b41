"""Problem answers in the form of RFC 9457 (application/problem+json).

Every answer that is not a success has `type`, `title`, `status`, and either `detail` (a sentence)
or, for values that are not right, `errors`: the place of each value (`swath_m`, `nozzles[3].size`,
the name of a query parameter) with its sentences; `non_field_errors` is about the whole.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator
from typing import Any

from django.conf import settings
from django.core.exceptions import (
    NON_FIELD_ERRORS,
    RequestDataTooBig,
    SuspiciousOperation,
    TooManyFilesSent,
)
from django.core.exceptions import ValidationError as DjangoValidationError
from django.db import IntegrityError
from rest_framework.exceptions import APIException, ValidationError
from rest_framework.response import Response
from rest_framework.settings import api_settings
from rest_framework.views import exception_handler

from fleet.api.parsers import TooLarge
from fleet.storage import KeptFileError

logger = logging.getLogger(__name__)

MEDIA_TYPE = "application/problem+json"
WHOLE = api_settings.NON_FIELD_ERRORS_KEY
TITLES = {
    400: "The request has mistakes",
    401: "Sign in first",
    403: "Not allowed",
    404: "Not found",
    405: "Method not allowed",
    406: "Not acceptable",
    409: "Conflict",
    413: "Too large",
    415: "Unsupported media type",
    429: "Too many requests",
    500: "Something went wrong on our side",
}


class Fault(APIException):
    """A fault of ours; its words are for the person who asked, the log has the rest."""

    status_code = 500
    default_detail = "It has been noted in the service's log. Please try again."


class Conflict(APIException):
    """Somebody else was faster."""

    status_code = 409
    default_detail = (
        "Somebody changed the same thing at the same moment. Read it again, then try again."
    )


class Mistake(APIException):
    """A request that no well-behaved client sends."""

    status_code = 400


def problem(error: Exception, context: dict[str, Any]) -> Response:
    """Turn any exception of a view into a problem answer."""
    if isinstance(error, DjangoValidationError):
        error = ValidationError(_by_field(error))
    response = exception_handler(error, context)
    if response is None:
        error = _told(error, context)
        response = exception_handler(error, context)
        assert response is not None
    return _as_problem(error, response)


def _told(error: Exception, context: dict[str, Any]) -> APIException:
    """Name an exception that REST framework does not know, and log what is a fault of ours."""
    if isinstance(error, RequestDataTooBig):
        most = (settings.DATA_UPLOAD_MAX_MEMORY_SIZE or 0) / 1e6
        return TooLarge(f"At most {most:.1f} MB may be sent, beside files.")
    if isinstance(error, TooManyFilesSent):
        return TooLarge(f"At most {settings.DATA_UPLOAD_MAX_NUMBER_FILES} files at once.")
    if isinstance(error, SuspiciousOperation):
        return Mistake(str(error))
    request = context.get("request")
    where = f"{request.method} {request.path}" if request is not None else "API"
    logger.error("%s", where, exc_info=error)
    if isinstance(error, IntegrityError):
        return Conflict()
    if isinstance(error, KeptFileError):  # says which file, in words for the person who asked
        return Fault(str(error))
    return Fault()


def _as_problem(error: Exception, response: Response) -> Response:
    status = response.status_code
    body: dict[str, Any] = {
        "type": "about:blank",
        "title": TITLES.get(status, "The request could not be answered"),
        "status": status,
    }
    if isinstance(error, ValidationError):
        body["errors"] = _flat(error.detail)
    else:
        body["detail"] = str(response.data.get("detail", "")) or body["title"]
    response.data = _sendable(body)
    response.content_type = MEDIA_TYPE
    return response


def _sendable(said: Any) -> Any:
    """Return what is said without half characters, which a request may hold and no answer can."""
    if isinstance(said, str):
        return said.encode(errors="replace").decode()
    if isinstance(said, dict):
        return {_sendable(name): _sendable(inner) for name, inner in said.items()}
    if isinstance(said, list):
        return [_sendable(inner) for inner in said]
    return said


def _by_field(error: DjangoValidationError) -> dict[str, list[str]]:
    if not hasattr(error, "error_dict"):
        return {WHOLE: error.messages}
    return {
        WHOLE if name == NON_FIELD_ERRORS else name: sentences
        for name, sentences in error.message_dict.items()
    }


def _flat(detail: Any) -> dict[str, list[str]]:
    """Return errors by place, however deep they lie."""
    errors: dict[str, list[str]] = {}
    for place, sentence in _places(detail, ""):
        errors.setdefault(place or WHOLE, []).append(sentence)
    return errors


def _places(detail: Any, place: str) -> Iterator[tuple[str, str]]:
    if isinstance(detail, dict):
        for name, inner in detail.items():
            if name == WHOLE and place:
                yield from _places(inner, place)
            elif isinstance(name, int):
                yield from _places(inner, f"{place}[{name}]")
            else:
                yield from _places(inner, f"{place}.{name}" if place else str(name))
    elif isinstance(detail, list):
        for number, inner in enumerate(detail):
            nested = isinstance(inner, dict | list)
            yield from _places(inner, f"{place}[{number}]" if nested else place)
    else:
        yield place, str(detail)
