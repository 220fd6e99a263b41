"""Uploads, with their size looked at before a byte of them is read.

JSON needs nothing of the kind: `DATA_UPLOAD_MAX_MEMORY_SIZE` holds for it.
"""

from __future__ import annotations

from typing import Any

from django.conf import settings
from rest_framework.exceptions import APIException
from rest_framework.parsers import MultiPartParser

# A day's files of one test, with room to spare; each file has its own, smaller limit.
FILES_AT_LIMIT = 10
# Scans lie on disk until it is their turn, and are as large as a disk would not like ten times.
SCANS_AT_LIMIT = 4


class TooLarge(APIException):
    """The request is larger than this address takes."""

    status_code = 413
    default_code = "too_large"


class LimitedMultiPartParser(MultiPartParser):
    """Files, together up to ten times what one file may have."""

    def most(self) -> int:
        """Return how many bytes may come at once."""
        most: int = FILES_AT_LIMIT * settings.UPLOAD_LIMIT_BYTES
        return most

    def parse(self, stream: Any, media_type: str | None = None, parser_context: Any = None) -> Any:
        """Return the parts. A server hands nothing on without a length (see PEP 3333)."""
        length = int(parser_context["request"].META.get("CONTENT_LENGTH") or 0)
        most = self.most()
        if length > most:
            raise TooLarge(
                f"The files have {length / 1e6:.1f} MB together; "
                f"at most {most / 1e6:.1f} MB may be sent at once."
            )
        return super().parse(stream, media_type, parser_context)


class ScanParser(LimitedMultiPartParser):
    """Scans, together up to four times what one scan may have."""

    def most(self) -> int:
        """Return how many bytes may come at once."""
        most: int = SCANS_AT_LIMIT * settings.SCAN_LIMIT_BYTES
        return most
