"""Forms of the office."""

from __future__ import annotations

from django import forms

from fleet.models import Role
from fleet.web.fields import SpokenForm


class OperatorForm(SpokenForm):
    """An operator's particulars."""

    name = forms.CharField(max_length=120)
    base = forms.CharField(label="Home base", max_length=120, help_text="Airfield or town.")
    jurisdiction = forms.CharField(
        max_length=80, required=False, help_text="The state or authority whose rules apply."
    )
    email = forms.EmailField(label="E-mail", required=False)
    phone = forms.CharField(max_length=40, required=False)
    left_on = forms.DateField(
        label="Left the association on",
        required=False,
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
    )


class PersonForm(SpokenForm):
    """Somebody of an operator who is to sign in."""

    name = forms.CharField(max_length=120)
    email = forms.EmailField(label="E-mail")
    role = forms.ChoiceField(
        choices=[(role.value, role.label) for role in (Role.OWNER, Role.PILOT)],
        help_text="Owners may change the fleet; pilots only read.",
    )
    password = forms.CharField(
        label="First password",
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        help_text="At least ten characters; tell it to them yourself.",
    )
