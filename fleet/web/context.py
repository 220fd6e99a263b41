"""What every template may use."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest


def everywhere(request: HttpRequest) -> dict[str, Any]:
    """Return the unit system of the person who reads."""
    system = getattr(request.user, "unit_system", "us") if hasattr(request, "user") else "us"
    return {"system": system}
