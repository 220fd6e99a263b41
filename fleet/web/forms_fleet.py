"""Forms of aircraft and set-ups."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
from django import forms
from django.db.models import QuerySet

from fleet import measures
from fleet.models import AircraftKind, Manner, Operator
from fleet.web.fields import MeasureField, SpokenForm

_SPLIT = re.compile(r"\s*[;,\t]\s*")


class AircraftForm(SpokenForm):
    """One airframe. The operator is asked for only where there is a choice."""

    operator = forms.ModelChoiceField(queryset=None, empty_label="Choose…")
    registration = forms.CharField(max_length=20)
    make = forms.CharField(max_length=60, required=False)
    model = forms.CharField(max_length=60)
    kind = forms.ChoiceField(choices=AircraftKind.choices)
    span_m = MeasureField("length", label="Wingspan or rotor diameter")

    def __init__(self, *args: Any, operators: Any = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if operators is None or len(operators) == 1:
            del self.fields["operator"]
        else:
            self.fields["operator"].queryset = operators

    def values(self, operators: QuerySet[Operator]) -> dict[str, Any]:
        """Return what the service takes; where there is no choice, the one operator."""
        return {"operator": operators.first(), **self.cleaned_data}


class SetUpForm(SpokenForm):
    """How an aircraft is equipped and flown for a purpose."""

    purpose = forms.CharField(
        max_length=60,
        help_text="The same words continue a line of revisions; other words begin a new one.",
        widget=forms.TextInput(attrs={"list": "purposes"}),
    )
    manner = forms.ChoiceField(label="Way of flying", choices=Manner.choices)
    airspeed_m_s = MeasureField("airspeed", label="Airspeed")
    release_height_m = MeasureField("height", label="Release height")
    pressure_kpa = MeasureField("pressure", label="Boom pressure")
    rate_l_per_ha = MeasureField("rate", label="Intended rate")
    intended_swath_m = MeasureField("swath", label="Intended swath", required=False)
    boom_width_m = MeasureField("length", label="Boom width")
    even_count = forms.IntegerField(
        label="Number of nozzles", min_value=1, max_value=200, required=False
    )
    even_type = forms.CharField(label="Type", max_length=40, required=False)
    even_size = forms.CharField(label="Size", max_length=20, required=False)
    even_deflection = forms.FloatField(
        label="Deflection (°)",
        min_value=-90,
        max_value=180,
        required=False,
        help_text="Below straight back.",
    )
    nozzles = forms.CharField(
        label="Nozzles, one a line",
        widget=forms.Textarea(attrs={"rows": 12, "spellcheck": "false", "class": "code"}),
        required=False,
    )
    note = forms.CharField(widget=forms.Textarea(attrs={"rows": 3}), required=False)

    def __init__(self, *args: Any, system: str, **kwargs: Any) -> None:
        super().__init__(*args, system=system, **kwargs)
        self.system = system
        self.fields["nozzles"].help_text = (
            f"Place in {measures.unit_of('place', system)} (left of the centre negative), type, "
            "size, deflection in degrees; separated by semicolons, commas or tabs."
        )

    def clean(self) -> dict[str, Any]:
        """Read the nozzle lines, or lay nozzles out evenly where there are none."""
        data = super().clean()
        text = data.get("nozzles", "")
        if text and "nozzles" not in self.changed_data:
            data["nozzles"] = self.initial["nozzles_in_force"]  # shown rounded, kept exactly
        elif text.strip():
            data["nozzles"] = self._read_lines(text)
        elif data.get("even_count") and data.get("boom_width_m"):
            data["nozzles"] = self._even(data)
        else:
            self.add_error(
                "nozzles", "List the nozzles, or give their number to spread them evenly."
            )
        return data

    def _read_lines(self, text: str) -> list[dict[str, Any]]:
        read = []
        for number, line in enumerate(text.splitlines(), start=1):
            if not line.strip():
                continue
            cells = [*_SPLIT.split(line.strip()), "", "", "", ""][:4]
            try:
                place = float(cells[0].replace("−", "-"))
                deflection = float(cells[3]) if cells[3] else 0.0
            except ValueError:
                self.add_error("nozzles", f"Line {number}: place and deflection must be numbers.")
                continue
            read.append(
                {
                    "place_m": measures.entered(place, "place", self.system),
                    "type": cells[1],
                    "size": cells[2],
                    "deflection_deg": deflection,
                }
            )
        return read

    @staticmethod
    def _even(data: dict[str, Any]) -> list[dict[str, Any]]:
        half = data["boom_width_m"] / 2
        count = data["even_count"]
        places = np.linspace(-half, half, count) if count > 1 else [0.0]
        return [
            {
                "place_m": round(float(place), 3),
                "type": data.get("even_type", ""),
                "size": data.get("even_size", ""),
                "deflection_deg": data.get("even_deflection") or 0.0,
            }
            for place in places
        ]

    def values(self) -> dict[str, Any]:
        """Return what the service takes."""
        return {name: v for name, v in self.cleaned_data.items() if not name.startswith("even_")}


def nozzle_lines(nozzles: list[dict[str, Any]], system: str) -> str:
    """Return nozzles as the lines that the form reads."""
    return "\n".join(
        f"{measures.prefilled(n['place_m'], 'place', system):g}; {n['type']}; {n['size']}; "
        f"{n['deflection_deg']:g}"
        for n in nozzles
    )
