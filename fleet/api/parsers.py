"""What comes in, with a size looked at before a byte of it is read."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from rest_framework.exceptions import APIException
from rest_framework.parsers import JSONParser, MultiPartParser

# A day's files of one test, with room to spare; each file has its own, smaller limit.
UPLOAD_FILES_AT_LIMIT = 10


class TooLarge(APIException):
    """The request is larger than this address takes."""

    status_code = 413
    default_code = "too_large"


def _check_length(parser_context: Any, most: int) -> None:
    """Refuse by the announced length. Nothing is read without one (see PEP 3333)."""
    request = (parser_context or {}).get("request")
    try:
        length = int(request.META.get("CONTENT_LENGTH") or 0) if request else 0
    except ValueError:
        length = 0
    if length > most:
        raise TooLarge(
            f"The request has {length / 1e6:.1f} MB; "
            f"this address takes at most {most / 1e6:.0f} MB."
        )


class LimitedJSONParser(JSONParser):
    """JSON up to `DATA_UPLOAD_MAX_MEMORY_SIZE`, which Django itself checks for forms only."""

    def parse(
        self, stream: Any, media_type: str | None = None, parser_context: Any = None
    ) -> dict[str, Any]:
        """Return the document."""
        _check_length(parser_context, settings.DATA_UPLOAD_MAX_MEMORY_SIZE)
        return super().parse(stream, media_type, parser_context)


class LimitedMultiPartParser(MultiPartParser):
    """Files, up to ten times what one file may have."""

    def parse(self, stream: Any, media_type: str | None = None, parser_context: Any = None) -> Any:
        """Return the parts."""
        _check_length(parser_context, UPLOAD_FILES_AT_LIMIT * settings.UPLOAD_LIMIT_BYTES)
        return super().parse(stream, media_type, parser_context)
