"""Signing in and out, oneself, and addresses that do not exist."""

from __future__ import annotations

from typing import Any

from django.contrib.auth import authenticate
from drf_spectacular.utils import extend_schema
from rest_framework.authtoken.models import Token
from rest_framework.exceptions import AuthenticationFailed, NotFound
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.throttling import ScopedRateThrottle
from rest_framework.views import APIView

from fleet.api.problems import MEDIA_TYPE
from fleet.api.serializers.base import Problem
from fleet.api.serializers.people import MeChange, PersonOut, SignInIn, TokenOut
from fleet.api.views.base import Address, person_of, taken
from fleet.services import people as services


class SignIn(Address):
    """Get a token for an e-mail address and a password."""

    authentication_classes = []
    permission_classes = []
    throttle_classes = [ScopedRateThrottle]
    throttle_scope = "sign-in"

    def get_authenticate_header(self, request: Request) -> str:
        """Answer 401, not 403, to a wrong password."""
        return "Bearer"

    @extend_schema(request=SignInIn, responses={200: TokenOut, (401, MEDIA_TYPE): Problem}, auth=[])
    def post(self, request: Request) -> Response:
        given = taken(SignInIn, request)
        person = authenticate(request._request, username=given["email"], password=given["password"])
        if person is None:
            raise AuthenticationFailed("This e-mail address and password do not belong together.")
        token, _ = Token.objects.get_or_create(user=person)
        return Response({"token": token.key})


class SignOut(Address):
    """End the token; whoever uses it must sign in again."""

    @extend_schema(request=None, responses={204: None})
    def post(self, request: Request) -> Response:
        Token.objects.filter(user=person_of(request)).delete()
        return Response(status=204)


class Me(Address):
    """The person signed in."""

    @extend_schema(responses=PersonOut)
    def get(self, request: Request) -> Response:
        return Response(PersonOut(request.user).data)

    @extend_schema(request=MeChange, responses=PersonOut)
    def patch(self, request: Request) -> Response:
        """Set the units you read on pages, charts and papers. The API itself is in SI."""
        given = taken(MeChange, request)
        services.set_units(person_of(request), unit_system=given["unit_system"])
        return Response(PersonOut(request.user).data)


class Unknown(APIView):
    """Whatever else stands below /api/: a problem answer instead of a page."""

    authentication_classes = []
    permission_classes = []
    schema = None

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        """Say so, whatever the method."""
        raise NotFound("There is nothing at this address. Addresses of the API end with a slash.")
