"""The form of a record of service: its fields come from the lists that it follows.

A part that repeats shows its rows and a few empty ones, folded away, so that another material
needs no connection. Names of fields are the paths of the elements, so that a refusal of the
service finds its field.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from django import forms
from django.forms import BoundField
from django.utils.html import format_html
from uuid_utils.compat import uuid7

from fleet.record_lists import Element, Part, RecordList, Wanted, named, wanted
from fleet.web.fields import SpokenForm

SPARE_ROWS = 3
USUAL_UNITS = {"us": {"acre", "gal"}, "metric": {"ha", "L"}}


@dataclass(frozen=True, slots=True)
class Cell:
    """A field, the field of its unit, and what stands beside its label when it may be empty."""

    field: BoundField
    unit: BoundField | None
    optional: str


@dataclass(frozen=True, slots=True)
class Row:
    """The fields of one material, one pilot; `another` is what the fold around it says."""

    another: str
    cells: list[Cell]
    is_folded: bool
    is_open: bool


class ServiceForm(SpokenForm):
    """One application, as the lists available ask for it."""

    mark = forms.UUIDField(widget=forms.HiddenInput, required=False)

    def __init__(
        self,
        *args: Any,
        available: Sequence[str],
        aircraft: Any,
        values: Mapping[str, Any],
        system: str,
        suggested: Mapping[str, Sequence[str]] | None = None,
        correcting: bool = False,
        initial: Mapping[str, Any] | None = None,
        **kwargs: Any,
    ) -> None:
        self.lists = named(available)
        self.suggested = suggested or {}
        self._wants = wanted(available, [one.key for one in self.lists if not one.only_when])
        self._rows = {
            want.element.part: min(
                len(values.get(want.element.part.key, ())) + SPARE_ROWS, want.element.part.most
            )
            for want in self._wants
            if want.element.part.repeats
        }
        shown = {**self._flat(values), **(initial or {})}
        shown.setdefault("mark", uuid7())
        super().__init__(*args, system=system, initial=shown, **kwargs)
        self.fields["aircraft"] = forms.ModelChoiceField(
            aircraft, required=False, empty_label="None named"
        )
        for one in self.conditions():
            self.fields[_condition(one)] = forms.ChoiceField(
                label=one.only_when,
                choices=[("", "Choose…"), ("yes", "Yes"), ("no", "No")],
                error_messages={"required": "Say yes or no."},
            )
        for want in self._wants:
            for at in range(self._rows.get(want.element.part, 1)):
                self._add(want.element, at, system)
        if correcting:
            del self.fields["mark"]
            self.fields["reason"] = forms.CharField(
                label="What was wrong",
                widget=forms.Textarea(attrs={"rows": 2}),
                help_text="It stands beside both records.",
            )

    def conditions(self) -> list[RecordList]:
        """Return the lists that ask only of some applications."""
        return [one for one in self.lists if one.only_when]

    def condition_fields(self) -> list[BoundField]:
        """Return the questions whether those lists apply."""
        return [self[_condition(one)] for one in self.conditions()]

    def _add(self, element: Element, at: int, system: str) -> None:
        path, options = element.path(at), {"label": element.label, "required": False}
        if element.kind == "number":
            widget = forms.NumberInput(attrs={"inputmode": "decimal", "step": "any", "min": 0})
            self.fields[path] = forms.FloatField(widget=widget, **options)
            usual = next((one for one in element.units if one in USUAL_UNITS[system]), None)
            self.fields[f"{path}.unit"] = forms.ChoiceField(
                label=format_html('Unit<span class="away"> of: {}</span>', element.label),
                choices=[(one, one) for one in element.units],
                initial=usual,
                required=False,
            )
        elif element.kind == "date":
            widget = forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"})
            self.fields[path] = forms.DateField(widget=widget, **options)
        elif element.kind == "time":
            widget = forms.TimeInput(format="%H:%M", attrs={"type": "time"})
            self.fields[path] = forms.TimeField(widget=widget, **options)
        else:
            attrs = {"list": f"known-{element.name}"} if element.name in self.suggested else {}
            self.fields[path] = forms.CharField(widget=forms.TextInput(attrs=attrs), **options)

    # --- to the page

    def parts(self) -> Iterator[tuple[Part, list[str], list[Row]]]:
        """Yield the parts with the paragraphs that ask for them and their rows of fields."""
        for part, group in groupby(self._wants, key=lambda want: want.element.part):
            wants = list(group)
            sources = dict.fromkeys(source for want in wants for source in want.sources)
            rows = [self._row(part, wants, at) for at in range(self._rows.get(part, 1))]
            yield part, list(sources), rows

    def _row(self, part: Part, wants: Sequence[Wanted], at: int) -> Row:
        cells = [self._cell(want, want.element.path(at), at) for want in wants]
        filled = any(cell.field.value() or cell.field.errors for cell in cells)
        asked = any(want.required_by or self._optional(want) != "if any" for want in wants)
        another = f"Another {part.one[:1].lower()}{part.one[1:]}" if at else part.one
        return Row(another, cells, is_folded=bool(at) or not asked, is_open=filled)

    def _cell(self, want: Wanted, path: str, at: int) -> Cell:
        unit = self[f"{path}.unit"] if want.element.kind == "number" else None
        return Cell(self[path], unit, self._optional(want) if at == 0 else "hide")

    def _optional(self, want: Wanted) -> str:
        if want.required_by:
            return "hide"
        name = want.element.name
        asking = [
            one.in_short
            for one in self.lists
            if any(ask.required and ask.element.name == name for ask in one.asks)
        ]
        return ", ".join(asking) or "if any"

    # --- to and from the values of a record

    def _flat(self, values: Mapping[str, Any]) -> dict[str, Any]:
        flat: dict[str, Any] = {}
        for want in self._wants:
            element = want.element
            rows = values.get(element.part.key, ()) if element.part.repeats else [values]
            for at, row in enumerate(rows):
                value = row.get(element.key)
                if isinstance(value, Mapping):
                    flat[f"{element.path(at)}.unit"] = value.get("unit")
                    value = value.get("number")
                if value is not None:
                    flat[element.path(at)] = value
        return flat

    def values(self) -> dict[str, Any]:
        """Return what the service takes."""
        data = self.cleaned_data
        given: dict[str, Any] = {
            part.key: [{} for _ in range(count)] for part, count in self._rows.items()
        }
        for want in self._wants:
            element = want.element
            rows = given[element.part.key] if element.part.repeats else [given]
            for at, row in enumerate(rows):
                row[element.key] = self._value(element, element.path(at))
        followed = [
            one.key for one in self.lists if not one.only_when or data.get(_condition(one)) == "yes"
        ]
        kept = {name: data[name] for name in ("mark", "reason") if name in data}
        return {"values": given, "lists": followed, "aircraft": data["aircraft"], **kept}

    def _value(self, element: Element, path: str) -> Any:
        value = self.cleaned_data.get(path)
        if element.kind == "number":
            return {"number": value, "unit": self.cleaned_data.get(f"{path}.unit")}
        return value


def _condition(one: RecordList) -> str:
    return f"applies.{one.key}"


def answers(available: Sequence[str], followed: Sequence[str]) -> dict[str, str]:
    """Return what a form shows about the conditions of a record that follows these lists."""
    return {
        _condition(one): "yes" if one.key in followed else "no"
        for one in named(available)
        if one.only_when
    }


class StrikeForm(SpokenForm):
    """Why nothing took place."""

    reason = forms.CharField(
        label="Why there is nothing to record",
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="It stands beside the record, which stays.",
    )


class FilterForm(forms.Form):
    """What is sought among the records."""

    q = forms.CharField(label="Person, place, crop or aircraft", required=False)
    aircraft = forms.ModelChoiceField(None, required=False, empty_label="All")
    season = forms.ModelChoiceField(None, required=False, empty_label="All")
    since = forms.DateField(
        label="From the day",
        required=False,
        widget=forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"}),
    )
    until = forms.DateField(
        label="To the day",
        required=False,
        widget=forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"}),
    )
    show = forms.ChoiceField(
        choices=[("", "Those that hold"), ("all", "All, with what was corrected")], required=False
    )

    def __init__(self, *args: Any, aircraft: Any, seasons: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["season"].queryset = seasons
        if aircraft is None:
            del self.fields["aircraft"]
        else:
            self.fields["aircraft"].queryset = aircraft
