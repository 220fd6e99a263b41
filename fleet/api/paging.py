"""Pages of a list; a wrong limit or offset is an error, not a guess."""

from __future__ import annotations

from typing import Any

from rest_framework.exceptions import ValidationError
from rest_framework.pagination import LimitOffsetPagination
from rest_framework.request import Request

MOST_DIGITS = 10


class StrictPagination(LimitOffsetPagination):
    """`?limit=50&offset=100`; limit 1 to 200."""

    default_limit = 50
    max_limit = 200

    def get_limit(self, request: Request) -> int:
        """Return the limit asked for, or 50."""
        return self._whole(request, "limit", least=1, most=self.max_limit, default=50)

    def get_offset(self, request: Request) -> int:
        """Return the offset asked for, or 0."""
        return self._whole(request, "offset", least=0, most=2**31, default=0)

    @staticmethod
    def _whole(request: Request, name: str, *, least: int, most: int, default: int) -> int:
        text: Any = request.query_params.get(name)
        if text is None:
            return default
        whole = text.isascii() and text.isdigit() and len(text) <= MOST_DIGITS
        if not (whole and least <= int(text) <= most):
            raise ValidationError({name: [f"Must be a whole number from {least} to {most}."]})
        return int(text)
