"""The sentences behind a verdict, in the reader's units. Worked out only when somebody asks."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterator, Sequence
from typing import Any

from fleet import measures
from fleet.judging.changes import Change
from fleet.judging.days import on_day
from fleet.judging.decide import ENDLESS, Part, Verdict
from fleet.judging.facts import TestFacts
from fleet.judging.proof import Finding, findings
from fleet.models import AircraftKind, RequirementVersion, Rhythm, Role

_LEAP_YEAR = 2024


def sentences(verdict: Verdict, system: str) -> tuple[str, ...]:
    """Return why a verdict is what it is, sentence by sentence."""
    said = [_outside(verdict)] if verdict.outside else []
    for part in verdict.parts:
        said += _of_part(verdict, part, system)
    waiver = verdict.case.waiver
    if verdict.state == "waived" and waiver is not None:
        until = _day(verdict, waiver.until_on)
        said.insert(0, f"Waived until {until} by {waiver.granted_by}: {_stop(waiver.reason)}")
    coming = [v for v in verdict.case.rule.versions if v.effective_from > verdict.case.today]
    if coming and verdict.version is not None:
        said.append(f"From {_day(verdict, coming[0].effective_from)} the rule says something else.")
    return tuple(said)


def _outside(verdict: Verdict) -> str:
    case = verdict.case
    if verdict.outside == "not_yet":
        first = case.rule.versions[0].effective_from if case.rule.versions else None
        return f"The rule begins {_day(verdict, first)}." if first else "The rule says nothing yet."
    if verdict.outside == "ended":
        return f"The rule ended {_day(verdict, case.rule.ended_on)}."
    if verdict.outside == "kind":
        assert verdict.version is not None
        kinds = " and ".join(AircraftKind(k).label.lower() for k in verdict.version.kinds)
        label = AircraftKind(case.kind).label.lower()
        return f"The rule is for {kinds} aircraft; this one is {label}."
    if verdict.outside == "retired":
        return f"Out of service since {_day(verdict, case.out_of_service_on)}."
    if verdict.outside == "left":
        return f"The operator left on {_day(verdict, case.operator_left_on)}."
    return "No set-up has been recorded, so there is nothing to test yet."


def _of_part(verdict: Verdict, part: Part, system: str) -> Iterator[str]:
    prefix = f"{part.line.purpose}: " if part.line is not None else ""
    for sentence in _plain_of_part(verdict, part, system):
        yield prefix + sentence
        prefix = ""


def _plain_of_part(verdict: Verdict, part: Part, system: str) -> Iterator[str]:
    if part.test is not None:
        yield from _of_test(verdict, part.test, system)
        yield from _of_changes(verdict, part, system)
    yield from _of_later_failure(verdict, part, system)
    yield _ending(verdict, part)


def _of_test(verdict: Verdict, test: TestFacts, system: str) -> Iterator[str]:
    rule = verdict.case.rule
    judged_under = rule.judging(test.flown_on)
    for finding in findings(test, judged_under):
        yield _finding(verdict, finding, system)
    if rule.on(test.flown_on) is None:
        yield "Flown before the rule began; judged by what it said first."
    elif judged_under is not verdict.version:
        since = _day(verdict, judged_under.effective_from)
        yield f"Judged by the rule as it was when the test was flown (in force from {since})."


def _of_later_failure(verdict: Verdict, part: Part, system: str) -> Iterator[str]:
    """Say of the newest test that came after the best one why it does not count."""
    keys = {part.line.purpose_key} if part.line else {one.purpose_key for one in verdict.case.lines}
    for test in verdict.case.tests:
        if test.purpose_key not in keys or test.flown_on > verdict.case.today:
            continue
        if part.test is test:
            return
        failed = [
            one for one in findings(test, verdict.case.rule.judging(test.flown_on)) if not one.kept
        ]
        if failed:
            yield f"The test of {_day(verdict, test.flown_on)} does not count."
            for finding in failed:
                yield _finding(verdict, finding, system)
            return


def _finding(verdict: Verdict, finding: Finding, system: str) -> str:
    sentence = _FINDINGS[finding.code](verdict, finding.values, system)
    return f"{sentence}: {'yes' if finding.kept else 'no'}."


def _passes(verdict: Verdict, values: dict[str, Any], system: str) -> str:
    count = values["count"]
    passes = f"{count} accepted pass{'' if count == 1 else 'es'}"
    return f"{passes} on {_day(verdict, values['flown_on'])}, {values['needed']} needed"


def _window_said(verdict: Verdict, values: dict[str, Any], system: str) -> str:
    first, last = _month_day(values["first"]), _month_day(values["last"])
    return f"Flown {_day(verdict, values['flown_on'])}, window {first} to {last}"


def _limit(quantity: str, what: str) -> Callable[[Verdict, dict[str, Any], str], str]:
    def say(verdict: Verdict, values: dict[str, Any], system: str) -> str:
        limit = _quantity(values["limit"], quantity, system)
        if values["value"] is None:
            return f"{what} not recorded, at most {limit} allowed"
        return f"{what} {_quantity(values['value'], quantity, system)}, at most {limit} allowed"

    return say


_FINDINGS: dict[str, Callable[[Verdict, dict[str, Any], str], str]] = {
    "flown": lambda v, x, s: f"Tested on {_day(v, x['flown_on'])}, proof of a test needed",
    "passes": _passes,
    "not_analysed": lambda v, x, s: (
        f"No analysis of the test on {_day(v, x['flown_on'])}, {x['needed']} accepted passes needed"
    ),
    "window": _window_said,
    "approval": lambda v, x, s: (
        f"Swath approved by {x['signer']} until {_day(v, x['valid_until'])}, approval needed"
    ),
    "no_approval": lambda v, x, s: "No swath approved on it, approval needed",
    "superseded": lambda v, x, s: "A newer approval stands in its place, approval needed",
    "withdrawn": lambda v, x, s: (
        f"Approval withdrawn {_local_day(v, x['withdrawn_at'])} ({x['reason'].rstrip('.')}), "
        "approval needed"
    ),
    "signer": lambda v, x, s: (
        f"Signed by {_role(x['role'])}, {' or '.join(_role(one) for one in x['wanted'])} may sign"
    ),
    "cv_percent": _limit("percent", "CV"),
    "wind_speed_m_s": _limit("wind", "Wind"),
    "wind_angle_deg": _limit("angle", "Wind angle to the line"),
    "calm": lambda v, x, s: (
        f"Air calm ({measures.show(x['value'], 'wind', s)}), the wind angle was free"
    ),
}


def _of_changes(verdict: Verdict, part: Part, system: str) -> Iterator[str]:
    if part.changed_on is None:
        return
    changed = f"Set-up changed {_day(verdict, part.changed_on)}"
    asking = [one for one in part.changes if one.asks]
    within = [one for one in part.changes if not one.asks]
    if asking:
        yield f"{changed}, {_listed(asking, system)}: retest due."
    elif within:
        yield f"{changed}, {_listed(within, system)}, within tolerance: no retest."
    else:
        yield f"{changed}, in nothing for which the rule asks a retest."


def _listed(changes: Sequence[Change], system: str) -> str:
    return ", ".join(_change(one, system) for one in changes)


# key: what it is called, the quantity of its values, the quantity of its tolerance
_CHANGES: dict[str, tuple[str, str, str]] = {
    "nozzle_type": ("nozzle", "words", "words"),
    "nozzle_count": ("nozzle count", "words", "words"),
    "nozzle_place_m": ("a nozzle moved from", "place", "place"),
    "deflection_deg": ("deflection", "angle", "angle"),
    "boom_width_m": ("boom width", "length", "length"),
    "pressure_percent": ("pressure", "pressure", "percent"),
    "airspeed_percent": ("airspeed", "airspeed", "percent"),
    "release_height_m": ("release height", "fine_height", "fine_height"),
}


def difference_words(change: Change, system: str) -> str:
    """Say one change without asking a rule: "nozzle count 40 to 38"."""
    name, of_values, _ = _CHANGES[change.key]
    before = _quantity(change.before, of_values, system)
    return f"{name} {before} to {_quantity(change.after, of_values, system)}"


def _change(change: Change, system: str) -> str:
    said = difference_words(change, system)
    if change.by is None:
        return said
    of_tolerance = _CHANGES[change.key][2]
    by = _quantity(change.by, of_tolerance, system)
    return f"{said} ({by}, {_quantity(change.tolerance, of_tolerance, system)} allowed)"


def _quantity(value: Any, quantity: str, system: str) -> str:
    if quantity == "words":
        return str(value)
    if value is None:
        return measures.NOTHING
    if quantity == "percent":
        return f"{value:.1f}".removesuffix(".0") + " %"
    if quantity == "angle":
        return f"{value:.1f}".removesuffix(".0") + "°"
    # Whole feet hide a change of half a foot, which can be more than a rule allows.
    return measures.show(value, "length" if quantity == "fine_height" else quantity, system)


def _ending(verdict: Verdict, part: Part) -> str:
    """Say until when, or since when: the last sentence."""
    version, due_on = verdict.version, part.due_on
    assert version is not None
    if part.ending == "endless":
        return "The rule asks for no further test while the set-up stays as it is."
    if part.ending == "changed":
        return f"The test stopped counting {_day(verdict, due_on)}: test again."
    if part.ending == "unproved":
        return _unproved(verdict, part, version)
    day = _day(verdict, due_on)
    over = part.until is not None and part.until < verdict.case.today
    if part.ending == "approval":
        if over:
            return f"The approval ended {day}: test again."
        return f"The approval ends {day}: test again by then."
    asked = _rhythm(version)
    return f"{asked}: was due by {day}." if over else f"{asked}: due by {day}."


def _unproved(verdict: Verdict, part: Part, version: RequirementVersion) -> str:
    day = _day(verdict, part.due_on)
    tested = any(
        part.line is None or test.purpose_key == part.line.purpose_key
        for test in verdict.case.tests
    )
    start = "No test on record counts" if tested else "No test is on record"
    if part.state == "not_covered":
        return f"{start}; the first window opens {_day(verdict, part.opens_on)}, due by {day}."
    if version.rhythm == Rhythm.SEASON and part.state == "due_soon":
        return f"{start}. {_rhythm(version)}: due by {day}."
    if version.rhythm == Rhythm.SEASON:
        return f"{start}. {_rhythm(version)}: was due by {day}."
    return f"{start}. {_rhythm(version)}: due since {day}."


def _rhythm(version: RequirementVersion) -> str:
    if version.rhythm == Rhythm.INTERVAL:
        months = version.interval_months or 0
        if months % 12 == 0:
            years = months // 12
            return "A test every year" if years == 1 else f"A test every {years} years"
        return "A test every month" if months == 1 else f"A test every {months} months"
    if version.rhythm == Rhythm.SEASON:
        first, last = _month_day(version.season_first), _month_day(version.season_last)
        return f"A test each season from {first} to {last}"
    return "A test before first use"


def rhythm_words(version: RequirementVersion) -> str:
    """Return when a version asks for a test, in words: "A test every 2 years"."""
    return _rhythm(version)


def change_words(key: str, value: Any, system: str) -> str:
    """Return one key of `retest` with its tolerance, in words: "pressure (more than 10 %)"."""
    name, _, of_tolerance = _CHANGES[key]
    plain = {"nozzle_type": "nozzle type or size", "nozzle_place_m": "place of a nozzle"}
    name = plain.get(key, name)
    if of_tolerance == "words":
        return f"any other {name}"
    return f"{name} by more than {_quantity(value, of_tolerance, system)}"


def _role(role: str) -> str:
    return str(Role(role).label).lower() if role in Role.values else "nobody"


def _month_day(month_day: str) -> str:
    if month_day == "02-29":
        return "the last of February"
    return f"{on_day(_LEAP_YEAR, month_day):%-d %B}"


def _local_day(verdict: Verdict, moment: datetime.datetime) -> str:
    return _day(verdict, moment.astimezone(verdict.case.zone).date())


def _day(verdict: Verdict, day: datetime.date | None) -> str:
    """Return a day as people say it: the year only where it is another than this one."""
    if day is None or day == ENDLESS:
        return measures.NOTHING
    return f"{day:%-d %B}" if day.year == verdict.case.today.year else f"{day:%-d %B %Y}"


def _stop(text: str) -> str:
    text = text.strip()
    return text if text.endswith((".", "!", "?")) else f"{text}."
