"""Forms of jurisdictions, rules and waivers."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from django import forms
from django.forms import BoundField

from fleet.models import (
    AircraftKind,
    Covers,
    DeadlineUnit,
    Evidence,
    Jurisdiction,
    Requirement,
    RequirementVersion,
    Rhythm,
    Role,
)
from fleet.record_lists import book
from fleet.version_checks import SAYS
from fleet.web.fields import MeasureField, SpokenForm


def _day(**options: Any) -> forms.DateField:
    return forms.DateField(
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"), **options
    )


def _some(label: str, choices: Any, help_text: str) -> forms.MultipleChoiceField:
    return forms.MultipleChoiceField(
        label=label,
        choices=choices,
        required=False,
        help_text=help_text,
        widget=forms.CheckboxSelectMultiple,
    )


def _percent(label: str) -> forms.FloatField:
    return forms.FloatField(label=f"{label} (%)", required=False, min_value=0)


class JurisdictionForm(SpokenForm):
    name = forms.CharField(max_length=80)
    time_zone = forms.CharField(
        max_length=60,
        initial="America/Chicago",
        help_text="IANA name. Its days begin at midnight there.",
    )
    note = forms.CharField(widget=forms.Textarea(attrs={"rows": 3}), required=False)
    record_lists = _some(
        "Records of service asked for",
        [(one.key, f"{one.name} {one.in_short}".strip()) for one in book().lists.values()],
        "What operators record of each application. None marked: no records are asked for.",
    )


class RuleForm(SpokenForm):
    """What a rule says from a day on, in the reader's units."""

    name = forms.CharField(max_length=120, help_text="As the office calls it.")
    effective_from = _day(label="In force from")
    source = forms.CharField(
        label="Where it is written",
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="Law, rule or letter, with its date.",
    )
    rhythm = forms.ChoiceField(label="A test is asked for", choices=Rhythm.choices)
    interval_months = forms.IntegerField(label="Months", required=False, min_value=1)
    season_first = forms.CharField(
        label="First day of the window",
        required=False,
        max_length=5,
        help_text="Month-day: 03-01 is 1 March.",
    )
    season_last = forms.CharField(
        label="Last day of the window",
        required=False,
        max_length=5,
        help_text="11-30 is 30 November; may lie beyond New Year. 02-29: the last of February.",
    )
    due_soon_days = forms.IntegerField(
        label="Say “due soon” so many days before", min_value=0, initial=30
    )
    covers = forms.ChoiceField(label="What must be tested", choices=Covers.choices)
    kinds = _some("Kinds of aircraft", AircraftKind.choices, "None marked: every kind.")
    evidence = forms.ChoiceField(
        label="What proves it",
        choices=Evidence.choices,
        initial=Evidence.APPROVAL,
        help_text="An approval counts as long as it is valid.",
    )
    minimum_passes = forms.IntegerField(
        label="Accepted passes, at least",
        min_value=0,
        initial=1,
        help_text="0: proof that a test was flown is enough.",
    )
    signers = _some("Who may sign", Role.choices, "None marked: anybody.")
    cv_percent = _percent("CV at most")
    wind_speed_m_s = MeasureField("wind", label="Wind at most", required=False)
    wind_angle_deg = forms.FloatField(label="Wind off the line, at most (°)", required=False)
    nozzle_type = forms.BooleanField(label="Another nozzle type or size", required=False)
    nozzle_count = forms.BooleanField(label="Another number of nozzles", required=False)
    nozzle_place_m = MeasureField("place", label="A nozzle moved by more than", required=False)
    deflection_deg = forms.FloatField(label="A nozzle turned by more than (°)", required=False)
    boom_width_m = MeasureField("length", label="Boom width by more than", required=False)
    pressure_percent = _percent("Pressure by more than")
    airspeed_percent = _percent("Airspeed by more than")
    release_height_m = MeasureField("length", label="Release height by more than", required=False)
    papers = forms.CharField(
        label="Papers asked for",
        required=False,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="One a line. Each is asked for on each test, but a season return once a season.",
    )
    filing_deadline = forms.IntegerField(label="To be filed within", required=False, min_value=1)
    filing_deadline_unit = forms.ChoiceField(
        label="Days or hours", choices=DeadlineUnit.choices, required=False
    )
    retention_years = forms.IntegerField(
        label="To be kept for (years)", required=False, min_value=1
    )

    GROUPS = (
        ("The rule", "", ("name", "effective_from", "source")),
        (
            "When a test is due",
            "Months only for an interval, a window only for a season.",
            ("rhythm", "interval_months", "season_first", "season_last", "due_soon_days"),
        ),
        (
            "What proves it",
            "",
            ("covers", "evidence", "minimum_passes", "kinds", "signers"),
        ),
        ("Limits", "Empty: no limit.", ("cv_percent", "wind_speed_m_s", "wind_angle_deg")),
        (
            "A new test after a change of the set-up",
            "Empty: such a change asks for none. 0: any such change does.",
            tuple(RequirementVersion.RETEST_KEYS),
        ),
        (
            "Papers",
            "",
            ("papers", "filing_deadline", "filing_deadline_unit", "retention_years"),
        ),
    )
    _LIMITS = ("cv_percent", "wind_speed_m_s", "wind_angle_deg")

    def __init__(self, *args: Any, version: RequirementVersion | None = None, **kwargs: Any):
        if version is not None:
            kwargs["initial"] = {**_shown(version), **kwargs.get("initial", {})}
        super().__init__(*args, **kwargs)
        if version is not None:
            del self.fields["name"]

    def groups(self) -> Iterator[tuple[str, str, list[BoundField]]]:
        """Return the fields as they stand together on the page."""
        for title, about, names in self.GROUPS:
            yield title, about, [self[name] for name in names if name in self.fields]

    def values(self) -> dict[str, Any]:
        """Return what the service takes."""
        data = self.cleaned_data
        plain = {name: data[name] for name in SAYS if name in data and name not in _GATHERED}
        outer = ("name", "effective_from", "source")
        return {
            **{name: data[name] for name in outer if name in data},
            **plain,
            "filing_deadline_unit": data["filing_deadline_unit"] or DeadlineUnit.DAYS,
            "retest": {
                key: data[key]
                for key in RequirementVersion.RETEST_KEYS
                if data.get(key) not in (None, False)
            },
            "limits": {key: data[key] for key in self._LIMITS if data.get(key) is not None},
            "papers": [line for line in data["papers"].splitlines() if line.strip()],
        }


_GATHERED = ("retest", "limits", "papers", "filing_deadline_unit")


def _shown(version: RequirementVersion) -> dict[str, Any]:
    plain = {name: getattr(version, name) for name in SAYS if name not in ("retest", "limits")}
    papers = "\n".join(version.papers)
    return {
        **plain,
        **version.retest,
        **version.limits,
        "papers": papers,
        "source": version.source,
    }


class EndForm(SpokenForm):
    """The last day of a rule."""

    ended_on = _day(label="Last day in force")


class WaiverForm(SpokenForm):
    """A rule that does not bind an aircraft for a while."""

    requirement = forms.ModelChoiceField(
        Requirement.objects.none(), label="Rule", empty_label="Choose…"
    )
    from_on = _day(label="First day")
    until_on = _day(label="Last day")
    reason = forms.CharField(
        widget=forms.Textarea(attrs={"rows": 3}), help_text="It stands beside the aircraft."
    )

    def __init__(self, *args: Any, requirements: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["requirement"].queryset = requirements


class ReasonForm(SpokenForm):
    """Why something ends before its day."""

    reason = forms.CharField(widget=forms.Textarea(attrs={"rows": 3}))


class UnderForm(SpokenForm):
    """A jurisdiction that an aircraft works under besides that of its home."""

    jurisdiction = forms.ModelChoiceField(Jurisdiction.objects.all(), empty_label="Choose…")
    from_on = _day(label="From")
