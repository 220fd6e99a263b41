"""Form fields that take a number in the reader's unit and give it in SI."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from fleet import measures


class MeasureField(forms.FloatField):
    """A number with a unit. The form that holds it calls `speak` with the reader's system."""

    def __init__(self, quantity: str, **kwargs: Any) -> None:
        self.quantity = quantity
        self.system = "us"
        super().__init__(**kwargs)
        self.widget.attrs.setdefault("inputmode", "decimal")
        self.widget.attrs.setdefault("step", "any")

    def speak(self, system: str) -> None:
        """Show label and value in the units of `system`."""
        self.system = system
        self.label = f"{self.label} ({measures.unit_of(self.quantity, system)})"

    def prepare_value(self, value: Any) -> Any:
        """Turn an initial value in SI into the reader's number; leave what was typed alone."""
        if isinstance(value, int | float):
            return measures.prefilled(value, self.quantity, self.system)
        return value

    def has_changed(self, initial: Any, data: Any) -> bool:
        """Compare what was typed with what was shown."""
        return super().has_changed(self.prepare_value(initial), data)

    def clean(self, value: Any) -> float | None:
        """Return SI, or None when empty and allowed to be."""
        typed = super().clean(value)
        return None if typed is None else measures.entered(typed, self.quantity, self.system)


class SpokenForm(forms.Form):
    """A form in the reader's units. Errors of a service are put on their fields."""

    def __init__(self, *args: Any, system: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for each in self.fields.values():
            if isinstance(each, MeasureField):
                each.speak(system)

    def clean(self) -> dict[str, Any]:
        """Keep the exact value in SI of a number that was shown rounded and not touched."""
        data: dict[str, Any] = super().clean() or self.cleaned_data
        for name, each in self.fields.items():
            shown = self.get_initial_for_field(each, name)
            untouched = name in data and name not in self.changed_data
            if isinstance(each, MeasureField) and shown is not None and untouched:
                data[name] = shown
        return data

    def changes(self) -> dict[str, Any]:
        """Return what was typed differently from what was shown."""
        return {name: self.cleaned_data[name] for name in self.changed_data}

    def carries_out(self, deed: Callable[[], Any]) -> bool:
        """Do a deed when what was typed is right; say whether it was done.

        A refusal of the service goes to the fields it names. What the deed gave is in `outcome`.
        """
        if not (self.is_bound and self.is_valid()):
            return False
        try:
            self.outcome = deed()
        except ValidationError as refusal:
            self.take_errors(refusal)
            return False
        return True

    def take_errors(self, errors: forms.ValidationError) -> None:
        """Put the errors of a service on their fields, or over the form."""
        by_field = getattr(errors, "error_dict", None) or {None: errors.error_list}
        for name, found in by_field.items():
            self.add_error(name if name in self.fields else None, found)
