"""The forms of droplet cards: scans with how to measure them, and where the cards lay."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django import forms

from fleet.models import Test
from fleet.queries.cards import SeenCard
from fleet.services.cards import CardSettings
from fleet.web.fields import MeasureField, SpokenForm
from fleet.web.forms_testing import NumberField
from patterns.cards.classes import DEFAULT_TABLE, class_table, class_table_names
from patterns.cards.drops import spread_factor, spread_factor_names

DEFAULT_SPREAD = "water_on_water_sensitive"


def _spreads() -> list[tuple[str, str]]:
    return [(key, spread_factor(key).name) for key in spread_factor_names()]


def _tables() -> list[tuple[str, str]]:
    return [(key, class_table(key).name) for key in class_table_names()]


def _place(label: str, **options: Any) -> MeasureField:
    """A place left or right: the figures' keyboard of some phones has no minus."""
    widget = forms.NumberInput(attrs={"inputmode": "text"})
    return MeasureField("place", label=label, widget=widget, **options)


class MeasureForm(SpokenForm):
    """How a scan is to be measured."""

    spread = forms.ChoiceField(
        label="Spread factor",
        choices=_spreads,
        initial=DEFAULT_SPREAD,
        required=False,
        help_text="From stain to drop. A liquid with surfactant has a factor of its own.",
    )
    spread_a = NumberField(
        label="or A of its own", required=False, help_text="Drop = A · stain to the power B, in µm."
    )
    spread_b = NumberField(label="and B", required=False)
    table = forms.ChoiceField(
        label="Size classes by", choices=_tables, initial=DEFAULT_TABLE, required=False
    )
    dpi = NumberField(
        label="Resolution (dpi)",
        required=False,
        help_text="Only where the file does not say it, or says it wrong.",
    )

    def settings(self) -> CardSettings:
        """Return what was chosen."""
        data = self.cleaned_data
        return CardSettings(**{name: data[name] for name in MeasureForm.base_fields})


class ScansForm(MeasureForm):
    """Scans to be added, beside the file field, which the page writes itself."""

    flight_pass = forms.ModelChoiceField(
        label="Flown on",
        queryset=None,
        required=False,
        empty_label="No single pass",
    )
    field_order = ("flight_pass",)

    def __init__(self, *args: Any, test: Test, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["flight_pass"].queryset = test.passes.order_by("number")  # type: ignore[attr-defined]


class ConfirmForm(SpokenForm):
    """Which outlines of a measurement are cards: all but those with a reason."""

    def __init__(self, *args: Any, cards: Sequence[SeenCard], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.numbers = [card.number for card in cards]
        for card in cards:
            self.fields[f"not_{card.number}"] = forms.CharField(
                label=f"Outline {card.number} is no card, but",
                required=False,
                max_length=200,
                initial=card.not_card_reason,
            )

    @property
    def rows(self) -> list[Any]:
        """Return the field of each outline."""
        return [self[f"not_{number}"] for number in self.numbers]

    def not_cards(self) -> dict[int, str]:
        """Return what was said to be no card: number → what it is."""
        said = {number: self.cleaned_data[f"not_{number}"] for number in self.numbers}
        return {number: what for number, what in said.items() if what}


class PlacesForm(SpokenForm):
    """Where each card of a scan lay, and why it does not count."""

    def __init__(self, *args: Any, cards: Sequence[SeenCard], system: str, **kwargs: Any) -> None:
        self.numbers = [card.number for card in cards]
        initial = {f"position_{card.number}": card.position_m for card in cards}
        initial |= {f"reason_{card.number}": card.left_out_reason for card in cards}
        super().__init__(*args, system=system, initial=initial, **kwargs)
        for number in self.numbers:
            place = _place(f"Card {number} at", required=False)
            place.speak(system)
            self.fields[f"position_{number}"] = place
            self.fields[f"reason_{number}"] = forms.CharField(
                label="Left out because", required=False, max_length=200
            )

    @property
    def rows(self) -> list[tuple[Any, Any]]:
        """Return the two fields of each card."""
        return [(self[f"position_{n}"], self[f"reason_{n}"]) for n in self.numbers]

    def places(self) -> dict[int, tuple[float | None, str]]:
        """Return what was said: number of the card → position [m] and why it is left out."""
        data = self.cleaned_data
        return {n: (data[f"position_{n}"], data[f"reason_{n}"]) for n in self.numbers}


class EvenPlacesForm(SpokenForm):
    """Cards laid in a row at even distances."""

    first_m = _place("First card at", help_text="Left wing negative.")
    every_m = MeasureField("place", label="then every")

    def places(self, cards: Sequence[SeenCard]) -> dict[int, tuple[float | None, str]]:
        """Return the place of every card in order; what was left out stays so."""
        first_m, every_m = self.cleaned_data["first_m"], self.cleaned_data["every_m"]
        return {
            card.number: (round(first_m + index * every_m, 6), card.left_out_reason)
            for index, card in enumerate(cards)
        }
