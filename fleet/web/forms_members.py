"""Forms of seasons, memberships, invitations and spreadsheets."""

from __future__ import annotations

from typing import Any

from django import forms

from fleet.models import MembershipKind, Role, Season, UnitSystem
from fleet.web.fields import SpokenForm


def _day(**options: Any) -> forms.DateField:
    return forms.DateField(
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"), **options
    )


class SeasonForm(SpokenForm):
    name = forms.CharField(max_length=40, help_text="As people say it: 2026, 2026/27.")
    starts_on = _day(label="First day")
    ends_on = _day(label="Last day", help_text="It may lie in the next year.")


class MembershipForm(SpokenForm):
    """How an operator belongs to a season. `operators` None: the operator is given."""

    operator = forms.ModelChoiceField(queryset=None, empty_label="Choose…")
    kind = forms.ChoiceField(choices=MembershipKind.choices)
    joined_on = _day(label="Joined on")
    lapsed_on = _day(
        label="Lapsed on", required=False, help_text="Empty while the operator belongs."
    )
    note = forms.CharField(max_length=200, required=False)

    def __init__(self, *args: Any, operators: Any = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if operators is None:
            del self.fields["operator"]
        else:
            self.fields["operator"].queryset = operators
            del self.fields["lapsed_on"]  # nobody joins by lapsing


class InviteForm(SpokenForm):
    name = forms.CharField(max_length=120)
    email = forms.EmailField(label="E-mail", help_text="The link goes there; it works once.")
    role = forms.ChoiceField(
        choices=[(role.value, role.label) for role in (Role.OWNER, Role.PILOT)],
        initial=Role.PILOT,
        help_text="Owners may change the fleet and invite; pilots read.",
    )
    may_change_setups = forms.TypedChoiceField(
        label="Set-ups",
        choices=[("", "A pilot reads them"), ("yes", "This pilot may record them as well")],
        coerce=bool,
        empty_value=False,
        required=False,
    )


class JoinForm(SpokenForm):
    """What somebody who was invited fills in."""

    name = forms.CharField(max_length=120, widget=forms.TextInput(attrs={"autocomplete": "name"}))
    password = forms.CharField(
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        strip=False,
        help_text="At least ten characters.",
    )
    again = forms.CharField(
        label="The same once more",
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        strip=False,
    )
    unit_system = forms.ChoiceField(label="Units", choices=UnitSystem.choices)

    def clean(self) -> dict[str, Any]:
        """Hold the two passwords against each other."""
        data = super().clean()
        if data.get("password") and data.get("again") and data["password"] != data["again"]:
            self.add_error("again", "The two passwords differ.")
        return data


class SheetForm(SpokenForm):
    file = forms.FileField(
        label="CSV or XLSX file",
        help_text="One row for each aircraft; at most 20,000 rows and 5 MB.",
        widget=forms.ClearableFileInput(attrs={"accept": ".csv,.xlsx,.xlsm,.txt,.tsv"}),
    )
    season = forms.ModelChoiceField(
        Season.objects.all(),
        required=False,
        empty_label="None",
        help_text="Memberships in the file are of this season.",
    )
