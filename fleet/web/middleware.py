"""What every request gets: a tenancy scope and one id for its audit rows."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from uuid_utils.compat import uuid7

from fleet import audit, tenancy

GetResponse = Callable[[HttpRequest], HttpResponse]


class TenancyMiddleware:
    """Open the signed-in person's scope for the request, and close it whatever happens."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """Answer the request inside its scope."""
        opened = tenancy.enter(tenancy.scope_of(request.user))
        request_id = audit.request_id.set(uuid7())
        try:
            return self.get_response(request)
        finally:
            audit.request_id.reset(request_id)
            tenancy.leave(opened)
