"""Forms of the office."""

from __future__ import annotations

from django import forms

from fleet.models import Jurisdiction, Role
from fleet.web.fields import SpokenForm


class OperatorForm(SpokenForm):
    """An operator's particulars."""

    name = forms.CharField(max_length=120)
    base = forms.CharField(label="Home base", max_length=120, help_text="Airfield or town.")
    base_latitude_deg = forms.FloatField(
        label="Latitude of the base (°)", required=False, min_value=-90, max_value=90
    )
    base_longitude_deg = forms.FloatField(
        label="Longitude of the base (°)",
        required=False,
        min_value=-180,
        max_value=180,
        help_text="East positive. With both, return visits can be planned.",
    )
    jurisdiction = forms.ModelChoiceField(
        Jurisdiction.objects.all(),
        required=False,
        empty_label="None",
        help_text="The state or authority whose rules apply at home.",
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
