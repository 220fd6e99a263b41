"""Checking a paper: by its code, by its square code, or by a copy of the file. For anybody.

Nothing is told to whoever guesses: codes have 55 bits, attempts are counted by address, and a
code that was never given answers as a code that is not on record does.
"""

from __future__ import annotations

import hashlib
from typing import Any

from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.views.decorators.http import require_http_methods, require_safe
from rest_framework.throttling import AnonRateThrottle

from fleet import signing
from fleet.paper_codes import ForgedCodeError, MistypedCodeError, typed, verify
from fleet.queries.checking import agrees, by_code, by_digest

TOO_LARGE = "A paper has no more than 40 MB; this file is larger."
MOST_BYTES = 40 * 1024 * 1024


class CheckThrottle(AnonRateThrottle):
    """So many checks a minute from one address, whoever is signed in."""

    scope = "check"

    def get_cache_key(self, request: Any, view: Any) -> str:
        """Count by address alone."""
        return self.cache_format % {"scope": self.scope, "ident": self.get_ident(request)}


class CodeForm(forms.Form):
    """The code as it is printed."""

    code = forms.CharField(
        label="Code on the paper",
        max_length=40,
        widget=forms.TextInput(
            attrs={
                "autocapitalize": "characters",
                "autocomplete": "off",
                "spellcheck": "false",
                "placeholder": "ABCD-EFGH-JKMN",
            }
        ),
    )

    def clean_code(self) -> str:
        """Return the code without dashes."""
        try:
            return typed(self.cleaned_data["code"])
        except MistypedCodeError as error:
            raise forms.ValidationError(str(error)) from None


class CopyForm(forms.Form):
    """A copy of the paper as a file."""

    copy = forms.FileField(label="The PDF itself")

    def clean_copy(self) -> str:
        """Return the SHA-256 of the copy."""
        copy = self.cleaned_data["copy"]
        if copy.size > MOST_BYTES:
            raise forms.ValidationError(TOO_LARGE)
        digest = hashlib.sha256()
        for chunk in copy.chunks():
            digest.update(chunk)
        return digest.hexdigest()


def _slowed(request: HttpRequest) -> HttpResponse | None:
    throttle = CheckThrottle()
    if throttle.allow_request(request, None):  # type: ignore[arg-type]
        return None
    seconds = throttle.wait() or 60
    context = {"refused": f"Too many checks from here. Try again in {seconds:.0f} seconds."}
    return _shown(request, status=429, **context)


def _shown(request: HttpRequest, status: int = 200, **context: Any) -> HttpResponse:
    context = {"code_form": CodeForm(), "copy_form": CopyForm(), "section": "check", **context}
    answer = render(request, "fleet/check.html", context, status=status)
    answer.headers["Cache-Control"] = "no-store"
    answer.headers["X-Robots-Tag"] = "noindex"
    return answer


@require_http_methods(["GET", "HEAD", "POST"])
def check(request: HttpRequest) -> HttpResponse:
    """Ask for a code or a copy, and tell how that paper stands."""
    if request.method != "POST":
        return _shown(request)
    slowed = _slowed(request)
    if slowed is not None:
        return slowed
    if "copy" in request.FILES:
        form = CopyForm(request.POST, request.FILES)
        if not form.is_valid():
            return _shown(request, copy_form=form)
        digest = form.cleaned_data["copy"]
        return _shown(request, found=by_digest(digest), by_copy=True, digest=digest, asked=True)
    code_form = CodeForm(request.POST)
    if not code_form.is_valid():
        return _shown(request, code_form=code_form)
    return redirect("check-code", code_form.cleaned_data["code"])


@require_safe
def check_code(request: HttpRequest, code: str) -> HttpResponse:
    """Tell how the paper with this code stands."""
    slowed = _slowed(request)
    if slowed is not None:
        return slowed
    try:
        code = typed(code)
    except MistypedCodeError as error:
        return _shown(request, mistyped=str(error))
    return _shown(request, found=by_code(code), asked=True)


@require_safe
def check_signed(request: HttpRequest, code: str, signed: str) -> HttpResponse:
    """Tell how a paper stands whose square code was scanned, and whether we have signed it."""
    slowed = _slowed(request)
    if slowed is not None:
        return slowed
    try:
        statement = verify(signed, signing.public_keys().values())
    except ForgedCodeError:
        return _shown(request, forged=True, asked=True)
    found = by_code(statement.code)
    honest = statement.code == code and (found is None or agrees(statement, found))
    context = {"found": found, "statement": statement} if honest else {"forged": True}
    return _shown(request, asked=True, **context)


@require_safe
def keys(request: HttpRequest) -> HttpResponse:
    """Hand out the public keys, to check signed codes without this service."""
    pems = b"".join(signing.pem_of(key) for key in signing.public_keys().values())
    return HttpResponse(pems, content_type="application/x-pem-file")


urlpatterns = [
    path("check/", check, name="check"),
    path("check/keys.pem", keys, name="check-keys"),
    path("check/<str:code>/", check_code, name="check-code"),
    path("C/<str:code>/<str:signed>/", check_signed, name="check-signed"),
]
