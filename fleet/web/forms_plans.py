"""Forms of return visits: a plan, a word on an aircraft, a wish."""

from __future__ import annotations

import datetime
import re
from typing import Any

from django import forms

from fleet.web.fields import MeasureField, SpokenForm

WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
MOST_BLOCKED = 182
_SETTINGS = (
    "aircraft_per_day",
    "minutes_per_aircraft",
    "day_minutes",
    "nights_out",
    "speed_m_s",
    "detour_percent",
    "work_days",
    "blocked_days",
)


def _day(**options: Any) -> forms.DateField:
    return forms.DateField(
        widget=forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"}), **options
    )


def bool_of(given: str) -> bool:
    """Read a choice of yes and no."""
    return given == "1"


class PlanForm(SpokenForm):
    analyst = forms.ModelChoiceField(label="Analyst", queryset=None)
    starts_on = _day(label="First day")
    ends_on = _day(label="Last day")
    start_place = forms.CharField(label="Tours start from", max_length=120)
    start_latitude_deg = forms.FloatField(label="Latitude (°)", min_value=-90, max_value=90)
    start_longitude_deg = forms.FloatField(
        label="Longitude (°)", min_value=-180, max_value=180, help_text="East positive."
    )
    aircraft_per_day = forms.IntegerField(label="Aircraft a day, at most")
    minutes_per_aircraft = forms.IntegerField(label="Minutes for each aircraft")
    day_minutes = forms.IntegerField(
        label="Minutes of a day", help_text="For tests and travel; less where daylight is shorter."
    )
    nights_out = forms.IntegerField(
        label="Nights away in a row, at most", help_text="0 means home every evening."
    )
    speed_m_s = MeasureField("airspeed", label="Travel speed")
    detour_percent = forms.FloatField(
        label="Detour over the straight way (%)",
        help_text="30 for roads; common practice, no source.",
    )
    work_days = forms.TypedMultipleChoiceField(
        label="Working days",
        coerce=int,
        choices=[(str(n), name) for n, name in enumerate(WEEKDAYS)],
        widget=forms.CheckboxSelectMultiple,
    )
    blocked_days = forms.CharField(
        label="Blocked days",
        required=False,
        help_text=(
            "As 2026-05-01, or 2026-05-01..2026-05-08, with blanks between. Days of planned visits "
            "are blocked anyway, and any day can be blocked later."
        ),
    )

    def __init__(self, *args: Any, analysts: Any, system: str, **kwargs: Any) -> None:
        super().__init__(*args, system=system, **kwargs)
        self.fields["analyst"].queryset = analysts  # type: ignore[attr-defined]

    def clean_blocked_days(self) -> list[str]:
        given = re.split(r"[\s,;]+", self.cleaned_data["blocked_days"])
        return [day for one in given if one for day in _days_of(one)]

    def plan(self) -> dict[str, Any]:
        """Return what was typed as the service takes it."""
        given = dict(self.cleaned_data)
        settings = {name: given.pop(name) for name in _SETTINGS}
        return {**given, "settings": settings}


def _days_of(given: str) -> list[str]:
    """Return the days that "2026-05-01..2026-05-08" means; the service checks a day alone."""
    first, dots, last = given.partition("..")
    if not dots:
        return [given]
    try:
        begin, end = datetime.date.fromisoformat(first), datetime.date.fromisoformat(last)
    except ValueError:
        raise forms.ValidationError(f"“{given}”: write 2026-05-01..2026-05-08.") from None
    length = (end - begin).days + 1
    if not 1 <= length <= MOST_BLOCKED:
        raise forms.ValidationError(
            f"“{given}”: the last day must follow the first, within {MOST_BLOCKED} days."
        )
    return [(begin + datetime.timedelta(days=n)).isoformat() for n in range(length)]


class WordForm(SpokenForm):
    aircraft = forms.ModelMultipleChoiceField(queryset=None)
    word = forms.ChoiceField(
        choices=[("pin", "Keep on this day"), ("drop", "Leave out"), ("back", "Take back")]
    )
    day = forms.DateField(required=False)

    def __init__(self, *args: Any, fleet: Any, system: str, **kwargs: Any) -> None:
        super().__init__(*args, system=system, **kwargs)
        self.fields["aircraft"].queryset = fleet  # type: ignore[attr-defined]


class DayForm(SpokenForm):
    day = forms.DateField()
    blocked = forms.TypedChoiceField(choices=[("1", "Block"), ("0", "Free")], coerce=bool_of)


class WishForm(SpokenForm):
    from_on = _day(label="From")
    until_on = _day(label="Best by")
    words = forms.CharField(
        label="What is to be tested",
        max_length=200,
        required=False,
        help_text="A new set-up, a swath to be looked at again…",
    )
