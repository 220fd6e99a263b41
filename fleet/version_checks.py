"""Checks of what a version of a rule says: what is wrong, where, and what would be right."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping
from functools import partial
from typing import Any
from zoneinfo import available_timezones

from django.core.exceptions import ValidationError

from fleet.judging.days import on_day
from fleet.models import (
    AircraftKind,
    Covers,
    DeadlineUnit,
    Evidence,
    RequirementVersion,
    Rhythm,
    Role,
)
from fleet.record_lists import book

_LEAP_YEAR = 2024
MOST_PAPERS = 20
LONGEST_PAPER = 120

# key: the most that makes sense, and its unit. Common practice, no source.
_TOLERANCES: Mapping[str, tuple[float, str]] = {
    "nozzle_place_m": (20.0, "m"),
    "deflection_deg": (180.0, "°"),
    "boom_width_m": (40.0, "m"),
    "pressure_percent": (100.0, "%"),
    "airspeed_percent": (100.0, "%"),
    "release_height_m": (60.0, "m"),
}
_YES = tuple(key for key in RequirementVersion.RETEST_KEYS if key not in _TOLERANCES)
_LIMITS: Mapping[str, tuple[float, str]] = {
    "cv_percent": (100.0, "%"),
    "wind_speed_m_s": (40.0, "m/s"),
    "wind_angle_deg": (90.0, "°"),
}
_WHOLE: Mapping[str, tuple[int, int]] = {
    "interval_months": (1, 240),
    "due_soon_days": (0, 366),
    "minimum_passes": (0, 50),
    "filing_deadline": (1, 10_000),
    "retention_years": (1, 100),
}
_NEVER_EMPTY = ("due_soon_days", "minimum_passes")
_CHOICES: Mapping[str, Collection[str]] = {
    "rhythm": Rhythm.values,
    "covers": Covers.values,
    "evidence": Evidence.values,
    "filing_deadline_unit": DeadlineUnit.values,
}

SAYS = (
    "kinds",
    "covers",
    "evidence",
    "rhythm",
    "interval_months",
    "season_first",
    "season_last",
    "due_soon_days",
    "minimum_passes",
    "retest",
    "limits",
    "signers",
    "papers",
    "filing_deadline",
    "filing_deadline_unit",
    "retention_years",
)


def check_record_lists(given: Any) -> None:
    """Refuse what is no list of records of service."""
    known = book().lists
    if not isinstance(given, list | tuple) or any(one not in known for one in given):
        words = f"Give lists of these: {', '.join(known)}."
        raise ValidationError({"record_lists": [words]})


def check_time_zone(name: Any) -> None:
    """Raise ValidationError for what is no zone of the IANA database."""
    if name not in available_timezones():
        says = f"{name!r} is no time zone; give an IANA name such as America/Chicago."
        raise ValidationError({"time_zone": [says]})


def check_says(values: Mapping[str, Any]) -> dict[str, Any]:
    """Return what a version says, cleaned. `values` may leave out what has a usual value.

    Raises ValidationError by field.
    """
    errors: dict[str, list[str]] = {
        name: [f"No rule has such a thing; known are {', '.join(SAYS)}."]
        for name in values
        if name not in SAYS
    }
    usual = RequirementVersion()
    clean = {name: values.get(name, getattr(usual, name)) for name in SAYS}

    def put(name: str, check: Callable[[Any], Any]) -> None:
        try:
            clean[name] = check(clean[name])
        except ValidationError as error:
            errors[name] = list(error.messages)

    for name, known in _CHOICES.items():
        put(name, partial(_choice, known))
    for name in _WHOLE:
        put(name, partial(_whole, name))
    for name in ("season_first", "season_last"):
        put(name, lambda value: _month_day(value) if value else "")
    put("kinds", lambda value: _words(value, AircraftKind.values))
    put("signers", lambda value: _words(value, Role.values))
    put("papers", _papers)
    put("retest", _retest)
    put("limits", _limits)
    errors = {**_rhythm(clean), **errors}
    if errors:
        raise ValidationError(errors)
    return clean


def _rhythm(clean: Mapping[str, Any]) -> dict[str, list[str]]:
    """The rhythm has the fields it needs, and none that say otherwise."""
    rhythm = clean["rhythm"]
    errors: dict[str, list[str]] = {}
    if rhythm == Rhythm.INTERVAL and clean["interval_months"] is None:
        errors["interval_months"] = ["Say after how many months a test is due again."]
    if rhythm != Rhythm.INTERVAL and clean["interval_months"] is not None:
        errors["interval_months"] = ["Only a rule with an interval has months; leave it empty."]
    for name, which in (("season_first", "first"), ("season_last", "last")):
        if rhythm == Rhythm.SEASON and not clean[name]:
            errors[name] = [f"Say the {which} day of the season's window."]
        if rhythm != Rhythm.SEASON and clean[name]:
            errors[name] = ["Only a rule by season has a window; leave it empty."]
    return errors


def _choice(known: Collection[str], value: Any) -> Any:
    if value not in known:
        raise ValidationError(f"Must be one of {', '.join(known)}.")
    return value


def _whole(name: str, value: Any) -> int | None:
    least, most = _WHOLE[name]
    if value is None and name not in _NEVER_EMPTY:
        return None
    if not isinstance(value, int) or isinstance(value, bool) or not least <= value <= most:
        raise ValidationError(f"Must be a whole number from {least} to {most}.")
    return value


def _month_day(value: Any) -> str:
    says = "Must be a month and a day, MM-DD, such as 04-30; 02-29 is the last day of February."
    try:
        month, day = str(value).split("-")
        if (len(month), len(day)) != (2, 2):
            raise ValueError
        on_day(_LEAP_YEAR, f"{month}-{day}")
    except ValueError:
        raise ValidationError(f"{value!r} is no day of the year. {says}") from None
    return str(value)


def _words(value: Any, known: Collection[str]) -> list[str]:
    if not isinstance(value, list | tuple):
        raise ValidationError("Must be a list.")
    unknown = [str(one) for one in value if one not in known]
    if unknown:
        raise ValidationError(f"{', '.join(unknown)}: not known; use {', '.join(known)}.")
    return [one for one in known if one in value]  # each once, in the usual order


def _papers(value: Any) -> list[str]:
    if not isinstance(value, list | tuple) or not all(isinstance(one, str) for one in value):
        raise ValidationError("Must be a list of words.")
    papers = [" ".join(one.split()) for one in value if one.strip()]
    if len(papers) > MOST_PAPERS or any(len(one) > LONGEST_PAPER for one in papers):
        raise ValidationError(
            f"At most {MOST_PAPERS} papers, each of at most {LONGEST_PAPER} characters."
        )
    return papers


def _mapping(value: Any, known: Collection[str]) -> Mapping[str, Any]:
    if not isinstance(value, Mapping):
        raise ValidationError("Must be a mapping from names to values.")
    unknown = sorted(str(key) for key in value if key not in known)
    if unknown:
        raise ValidationError(f"{', '.join(unknown)}: not known; use {', '.join(known)}.")
    return value


def _retest(value: Any) -> dict[str, Any]:
    """Tolerances, in the order in which changes are told; what is false or empty asks nothing."""
    given = _mapping(value, RequirementVersion.RETEST_KEYS)
    clean: dict[str, Any] = {}
    problems = []
    for key in RequirementVersion.RETEST_KEYS:
        found = given.get(key)
        if found is None or found is False:
            continue
        if key in _YES:
            problem = "" if found is True else "must be true, or left out."
        else:
            most, unit = _TOLERANCES[key]
            ok = _is_number(found) and 0 <= found <= most
            problem = "" if ok else f"must be a number from 0 to {most:g} {unit}."
        if problem:
            problems.append(f"{key}: {problem}")
        clean[key] = found
    if problems:
        raise ValidationError(problems)
    return clean


def _limits(value: Any) -> dict[str, float]:
    given = _mapping(value, _LIMITS)
    clean: dict[str, float] = {}
    problems = []
    for key, (most, unit) in _LIMITS.items():
        found = given.get(key)
        if found is None:
            continue
        if not _is_number(found) or not 0 < found <= most:
            problems.append(f"{key}: must be a number above 0, at most {most:g} {unit}.")
        clean[key] = found
    if problems:
        raise ValidationError(problems)
    return clean


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
