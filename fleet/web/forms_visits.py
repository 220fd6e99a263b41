"""The forms of a visit's day and of gifts."""

from __future__ import annotations

from typing import Any

from django import forms

from fleet.models import GiftKind, Supply
from fleet.web.fields import SpokenForm
from fleet.web.forms_testing import NumberField


class CallOffForm(SpokenForm):
    reason = forms.CharField(
        label="Called off because",
        max_length=200,
        help_text="Whoever signed up reads it. Places are kept, for when the visit is put back on.",
    )


class SupplyForm(SpokenForm):
    what = forms.ChoiceField(label="Used up", choices=Supply.choices)
    amount = NumberField(label="Amount")
    unit = forms.CharField(
        label="Unit",
        max_length=20,
        required=False,
        help_text="Empty means dye in g, string in m, cards in pieces.",
    )
    note = forms.CharField(label="Note", max_length=200, required=False)


class GiftForm(SpokenForm):
    giver = forms.CharField(label="Who gave", max_length=120)
    kind = forms.ChoiceField(label="What kind", choices=GiftKind.choices)
    amount = NumberField(label="Amount")
    unit = forms.CharField(
        label="Unit",
        max_length=20,
        required=False,
        help_text="L, pieces, USD…; hours need none.",
    )
    what = forms.CharField(label="Of what", max_length=200, required=False)
    given_on = forms.DateField(
        label="Given on",
        widget=forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"}),
    )
    visit = forms.ModelChoiceField(
        label="On the visit", queryset=None, required=False, empty_label="On none"
    )

    def __init__(self, *args: Any, visits: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["visit"].queryset = visits  # type: ignore[attr-defined]
