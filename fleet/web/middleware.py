"""What every request gets: a tenancy scope, one id for its audit rows, words on a removed file."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from uuid_utils.compat import uuid7

from fleet import audit, storage, tenancy

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

    def process_exception(self, request: HttpRequest, error: Exception) -> HttpResponse | None:
        """Say when and by whom a file was removed, wherever a page needs it."""
        if not isinstance(error, storage.RemovedFileError):
            return None
        return render(request, "410.html", {"words": str(error)}, status=410)
