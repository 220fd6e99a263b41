"""Signing in, the way home, one's own settings, and a sign of life."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.contrib.auth import views as auth_views
from django.contrib.auth.decorators import login_required
from django.contrib.auth.forms import AuthenticationForm
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.views.decorators.http import require_http_methods, require_safe
from rest_framework.throttling import AnonRateThrottle

from fleet import rules
from fleet.models import Person, UnitSystem
from fleet.queries.calendar_feed import calendar_kept
from fleet.services import people


class SignInForm(AuthenticationForm):
    """E-mail address and password."""

    username = forms.EmailField(
        label="E-mail", widget=forms.EmailInput(attrs={"autofocus": True, "autocomplete": "email"})
    )
    error_messages = {
        "invalid_login": "This e-mail address and password do not belong together.",
        "inactive": "This account is closed.",
    }


class SignInThrottle(AnonRateThrottle):
    """So many attempts a minute from one address, as at the API."""

    scope = "sign-in"


class SignInView(auth_views.LoginView):
    """The sign-in page; it slows down whoever tries passwords."""

    template_name = "fleet/sign_in.html"
    authentication_form = SignInForm
    redirect_authenticated_user = True

    def post(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        """Look at what was typed, unless there were too many attempts."""
        throttle = SignInThrottle()
        if throttle.allow_request(request, self):
            return super().post(request, *args, **kwargs)
        seconds = throttle.wait() or 60
        context = self.get_context_data(
            form=self.authentication_form(request),
            refused=f"Too many attempts. Try again in {seconds:.0f} seconds.",
        )
        return self.render_to_response(context, status=429)


class UnitsForm(forms.Form):
    """The units a person reads."""

    unit_system = forms.ChoiceField(label="Units", choices=UnitSystem.choices)


@require_safe
def alive(request: HttpRequest) -> HttpResponse:
    """Say that the web server answers."""
    return HttpResponse("ok", content_type="text/plain")


@login_required
@require_safe
def home(request: HttpRequest) -> HttpResponse:
    """Go to the page that a person of this role wants first."""
    person: Person = request.user
    if person.is_operators:
        return redirect("today")
    if person.is_checker:
        return redirect("checked")
    return redirect("visits" if person.is_analyst else "due")


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def me(request: HttpRequest) -> HttpResponse:
    """One's own settings."""
    person: Person = request.user
    form = UnitsForm(request.POST or None, initial={"unit_system": person.unit_system})
    if request.method == "POST" and form.is_valid():
        people.set_units(person, unit_system=form.cleaned_data["unit_system"])
        messages.success(request, "Saved.")
        return redirect("me")
    return render(request, "fleet/me.html", own_page(person, form=form))


def own_page(person: Person, **shown: Any) -> dict[str, Any]:
    """Return what the page of one's own settings shows."""
    return {
        "form": UnitsForm(initial={"unit_system": person.unit_system}),
        "calendar": calendar_kept(person),
        "may_keep_webhooks": rules.may_keep_webhooks(person),
        "section": "me",
        **shown,
    }


urlpatterns = [
    path("", home, name="home"),
    path("alive/", alive, name="alive"),
    path("me/", me, name="me"),
    path(
        "sign-in/",
        SignInView.as_view(),
        name="sign-in",
    ),
    path("sign-out/", auth_views.LogoutView.as_view(), name="sign-out"),
]
