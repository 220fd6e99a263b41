"""Signing in, the way home, one's own settings, and a sign of life."""

from __future__ import annotations

from django import forms
from django.contrib import messages
from django.contrib.auth import views as auth_views
from django.contrib.auth.decorators import login_required
from django.contrib.auth.forms import AuthenticationForm
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.views.decorators.http import require_http_methods, require_safe

from fleet.models import Person, UnitSystem
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
    return render(request, "fleet/me.html", {"form": form, "section": "me"})


urlpatterns = [
    path("", home, name="home"),
    path("alive/", alive, name="alive"),
    path("me/", me, name="me"),
    path(
        "sign-in/",
        auth_views.LoginView.as_view(
            template_name="fleet/sign_in.html",
            authentication_form=SignInForm,
            redirect_authenticated_user=True,
        ),
        name="sign-in",
    ),
    path("sign-out/", auth_views.LogoutView.as_view(), name="sign-out"),
]
