"""The forms of the analyst: visits, tests and their conditions, passes, analyses, approvals."""

from __future__ import annotations

import datetime
from typing import Any

from django import forms

from fleet.models import Manner, Origin, Overrule, Test, VisitKind
from fleet.web.fields import MeasureField, SpokenForm


def _day(**options: Any) -> forms.DateField:
    return forms.DateField(
        widget=forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"}), **options
    )


def _moment(**options: Any) -> forms.DateTimeField:
    widget = forms.DateTimeInput(format="%Y-%m-%dT%H:%M", attrs={"type": "datetime-local"})
    return forms.DateTimeField(widget=widget, required=False, **options)


class NumberField(forms.FloatField):
    def __init__(self, **options: Any) -> None:
        widget = forms.NumberInput(attrs={"inputmode": "decimal", "step": "any"})
        super().__init__(widget=widget, **options)

    def prepare_value(self, value: Any) -> Any:
        """Write a whole number without a point: "180", not "180.0"."""
        return int(value) if isinstance(value, float) and value.is_integer() else value


def _bearing(label: str, **options: Any) -> NumberField:
    return NumberField(label=f"{label} (°)", required=False, min_value=0, max_value=360, **options)


def _measure(quantity: str, label: str, **options: Any) -> MeasureField:
    return MeasureField(quantity, label=label, required=False, **options)


class VisitForm(SpokenForm):
    kind = forms.ChoiceField(label="Kind", choices=VisitKind.choices)
    host = forms.ModelChoiceField(
        label="Operator",
        queryset=None,
        required=False,
        empty_label="Several (a clinic)",
        help_text="For a private visit only.",
    )
    place = forms.CharField(label="Place", max_length=120, help_text="Airfield, strip or town.")
    starts_on = _day(label="First day")
    ends_on = _day(label="Last day", required=False, help_text="Empty means the same day.")
    analyst = forms.ModelChoiceField(label="Analyst", queryset=None)
    note = forms.CharField(label="Note", required=False, widget=forms.Textarea(attrs={"rows": 3}))
    latitude_deg = NumberField(label="Latitude (°)", required=False, min_value=-90, max_value=90)
    longitude_deg = NumberField(
        label="Longitude (°)",
        required=False,
        min_value=-180,
        max_value=180,
        help_text="East positive. The calendar file carries both.",
    )
    aircraft_per_day = forms.IntegerField(
        label="Aircraft a day",
        required=False,
        help_text="With a number here operators can sign up; beyond it they wait for a place.",
    )
    sign_up_until = _day(
        label="Sign-up closes on", required=False, help_text="Empty means the first day."
    )
    first_slot_at = forms.TimeField(
        label="First aircraft at",
        required=False,
        widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
    )
    slot_minutes = forms.IntegerField(label="Minutes an aircraft", required=False)
    let_wait = forms.BooleanField(label="Put them on the waiting list", required=False)

    def __init__(
        self, *args: Any, operators: Any, analysts: Any, system: str, **kwargs: Any
    ) -> None:
        super().__init__(*args, system=system, **kwargs)
        self.fields["host"].queryset = operators  # type: ignore[attr-defined]
        self.fields["analyst"].queryset = analysts  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        if cleaned.get("ends_on") is None and "ends_on" not in self.errors:
            cleaned["ends_on"] = cleaned.get("starts_on")
        return cleaned


class ConditionsForm(SpokenForm):
    flown_on = _day(label="Flown on")
    line_heading_deg = _bearing("Line heading", help_text="As flown, from true north.")
    wind_speed_m_s = _measure("wind", "Wind speed")
    wind_from_deg = _bearing("Wind from")
    wind_height_m = _measure("length", "Wind gauge height")
    temperature_c = _measure("temperature", "Temperature")
    humidity_percent = NumberField(
        label="Relative humidity (%)", required=False, min_value=1, max_value=100
    )
    liquid = forms.CharField(label="Liquid and dye", required=False, max_length=120)
    reader = forms.CharField(label="String reader", required=False, max_length=120)
    file_unit = forms.ChoiceField(
        label="Positions in the files are in",
        required=False,
        choices=[("", "The files say so"), *Test._meta.get_field("file_unit").choices],
        help_text="A unit written in the file itself has the last word.",
    )
    file_origin = forms.ChoiceField(
        label="Positions count",
        required=False,
        choices=[("", "Tell it from the file"), *Origin.choices],
    )
    file_flight_line = NumberField(
        label="Flight line crosses the string at",
        required=False,
        help_text="In the unit and count of the files. Empty means the middle of the string.",
    )
    note = forms.CharField(label="Note", required=False, widget=forms.Textarea(attrs={"rows": 3}))


class AbortedForm(SpokenForm):
    aborted_reason = forms.CharField(label="Broken off because", max_length=200)


class PassForm(SpokenForm):
    heading_deg = _bearing("Heading")
    airspeed_m_s = _measure("airspeed", "Airspeed")
    release_height_m = _measure("height", "Release height")
    wind_speed_m_s = _measure("wind", "Wind speed")
    wind_from_deg = _bearing("Wind from")
    flown_at = _moment(label="Flown at")
    read_at = _moment(label="String read at")


class OverruleForm(SpokenForm):
    overrule = forms.ChoiceField(
        label="Your word", required=False, choices=[("", "Leave it to the rule"), *Overrule.choices]
    )
    overrule_reason = forms.CharField(
        label="Because",
        required=False,
        max_length=200,
        help_text="It stands beside the pass in every report.",
    )


class SettingsForm(SpokenForm):
    cv_limit_percent = NumberField(label="CV limit (%)", initial=25)
    line_error_m = MeasureField(
        "length",
        label="Lines flown wrong by",
        initial=1.0,
        help_text="A recommended swath stays within the limit with lines this much off.",
    )
    centring = forms.ChoiceField(
        label="What stands at 0",
        choices=[
            ("flight_line", "The flight line"),
            ("deposition", "Each pass's own centre of deposition"),
        ],
    )
    sweep = forms.ChoiceField(
        label="Swaths tried",
        choices=[("us", "Whole feet, 10 to 131 ft"), ("metric", "Half metres, 3 to 40 m")],
    )


class ApproveForm(SpokenForm):
    swath_m = MeasureField("swath", label="Swath")
    manner = forms.ChoiceField(label="Way of flying", choices=Manner.choices)
    valid_until = _day(
        label="Valid until",
        help_text="Twelve months from the test to begin with (common practice, no source).",
    )
    note = forms.CharField(label="Note", required=False, widget=forms.Textarea(attrs={"rows": 3}))
    outside_reason = forms.CharField(
        label="Why it is approved all the same",
        required=False,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="It stands on the approval for good.",
    )


class WithdrawForm(SpokenForm):
    reason = forms.CharField(
        label="Withdrawn because",
        required=False,
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text="It stands beside the approval for good.",
    )


class ReportForm(SpokenForm):
    page_size = forms.ChoiceField(label="Paper", choices=[("letter", "US Letter"), ("a4", "A4")])


def one_year_after(day: datetime.date) -> datetime.date:
    """Return the same day a year later (28 February for the 29th)."""
    try:
        return day.replace(year=day.year + 1)
    except ValueError:
        return day.replace(year=day.year + 1, day=28)
