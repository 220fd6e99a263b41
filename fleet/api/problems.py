"""Problem answers in the form of RFC 9457 (application/problem+json)."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import ValidationError as DjangoValidationError
from rest_framework.exceptions import ValidationError
from rest_framework.response import Response
from rest_framework.views import exception_handler

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
}


def problem(error: Exception, context: dict[str, Any]) -> Response | None:
    """Turn an exception of a view into a problem answer; None leaves it to Django."""
    if isinstance(error, DjangoValidationError):
        error = ValidationError(_by_field(error))
    response = exception_handler(error, context)
    if response is None:
        return None
    body: dict[str, Any] = {
        "type": "about:blank",
        "title": TITLES.get(response.status_code, "The request could not be answered"),
        "status": response.status_code,
    }
    if response.status_code == 400:
        body["errors"] = response.data
    else:
        body["detail"] = str(getattr(error, "detail", "")) or body["title"]
    response.data = body
    response.content_type = "application/problem+json"
    return response


def _by_field(error: DjangoValidationError) -> dict[str, list[str]]:
    if hasattr(error, "error_dict"):
        return error.message_dict
    return {"non_field_errors": error.messages}
