"""Sign-in for the API. Whoever is recognised gets their tenancy scope for the request."""

from __future__ import annotations

from typing import Any

from rest_framework.authentication import SessionAuthentication, TokenAuthentication
from rest_framework.request import Request

from fleet import tenancy


class ScopedTokenAuthentication(TokenAuthentication):
    """`Authorization: Bearer TOKEN`. The middleware closes the scope after the request."""

    keyword = "Bearer"

    def authenticate(self, request: Request) -> Any:
        """Return (person, token), or None when the header is not ours."""
        found = super().authenticate(request)
        if found is not None:
            tenancy.enter(tenancy.scope_of(found[0]))
        return found


class ScopedSessionAuthentication(SessionAuthentication):
    """The pages' own sign-in, so that their scripts may call the API."""

    def authenticate(self, request: Request) -> Any:
        """Return (person, None), or None when nobody is signed in."""
        found = super().authenticate(request)
        if found is not None:
            tenancy.enter(tenancy.scope_of(found[0]))
        return found
