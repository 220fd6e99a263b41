"""What a test report rests on: passes, conditions, set-up, method and digests, as rows of words.

Everything is as it stood when the analysis was made; nothing is worked out anew.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from fleet.measures import NOTHING, number, said, show
from fleet.models import AnalysisRun, FlightPass, SetUp, Test
from patterns.analyse import Analysis, PassOutcome
from patterns.draw import System
from patterns.draw.passes import finding_words, letter
from reports.answer import day


@dataclass(frozen=True, slots=True)
class Fact:
    """A name and what it is, in the reader's units."""

    name: str
    value: str


@dataclass(frozen=True, slots=True)
class PassRow:
    """One pass: what became of it, where its deposit lay, the wind on it, and why."""

    number: int
    file: str
    verdict: str
    centre: str
    left_share: str
    heading: str
    crosswind: str
    headwind: str
    why: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Digest:
    """A file and its SHA-256."""

    name: str
    sha256: str


# --- Findings -------------------------------------------------------------------------------------


def findings(result: Analysis, system: System) -> tuple[Fact, ...]:
    """Say the zones of the pattern under their letters on the chart, and how it lies."""
    pattern, count = result.pattern, result.pattern.passes.shape[0]
    lines = [
        Fact(letter(index), finding_words(zone, system, count))
        for index, zone in enumerate(result.findings)
    ]
    if not lines:
        lines.append(Fact("", "No low or high zone stands in every pass."))
    side = "left" if pattern.centre_m < 0 else "right"
    balance = (
        f"The deposit is centred {show(abs(pattern.centre_m), 'length', system)} {side} of the "
        f"flight line; {100 * pattern.left_share:.0f} % of it lies left of the line."
    )
    return (*lines, Fact("", balance))


# --- Passes ---------------------------------------------------------------------------------------


def pass_rows(analysis: AnalysisRun, passes: Iterable[FlightPass], system: str) -> list[PassRow]:
    """Return all passes of the test by number, those broken off or added later included."""
    winds = {wind["number"]: wind for wind in analysis.weather["passes"]}
    rows = [
        _analysed(entry, outcome, winds.get(entry["number"], {}), system)
        for entry, outcome in zip(analysis.inputs["passes"], analysis.result.passes, strict=True)
    ]
    there = {row.number for row in rows}
    rows += [_not_analysed(one) for one in passes if one.number not in there]
    return sorted(rows, key=lambda row: row.number)


def _analysed(
    entry: Mapping[str, Any], outcome: PassOutcome, wind: Mapping[str, Any], system: str
) -> PassRow:
    why = [said(r.text, system) for r in outcome.remarks if _stands_by_the_pass(r.code, r.weight)]
    return PassRow(
        number=entry["number"],
        file=outcome.source,
        verdict="Used" if outcome.accepted else "Left out",
        centre=_sided(outcome.centre_m, "length", system, "left", "right"),
        left_share=f"{100 * outcome.left_share:.0f} %",
        heading=_degrees(wind.get("heading_deg")),
        # Crosswind from the right and headwind count as positive.
        crosswind=_sided(wind.get("crosswind_m_s"), "wind", system, "from left", "from right"),
        headwind=_sided(wind.get("headwind_m_s"), "wind", system, "tail", "head"),
        why=tuple(why),
    )


def _not_analysed(flown: FlightPass) -> PassRow:
    if flown.raw_file is None:
        file, verdict, why = "", "Broken off", flown.aborted_reason
    else:
        file, verdict, why = flown.raw_file.name, "Not in it", "Added after this analysis was made."
    nothing = (NOTHING,) * 5
    return PassRow(flown.number, file or NOTHING, verdict, *nothing, why=(why,))


def _stands_by_the_pass(code: str, weight: str) -> bool:
    return weight != "note" or code == "overruled"


def pass_notes(analysis: AnalysisRun, system: str) -> tuple[str, ...]:
    """Return the notes on the passes, each once with the passes it is about."""
    about: dict[str, list[int]] = {}
    for entry, outcome in zip(analysis.inputs["passes"], analysis.result.passes, strict=True):
        for remark in outcome.remarks:
            if not _stands_by_the_pass(remark.code, remark.weight):
                about.setdefault(said(remark.text, system), []).append(entry["number"])
    everyone = len(analysis.inputs["passes"])
    return tuple(f"{_which(numbers, everyone)}: {text}" for text, numbers in about.items())


def _which(numbers: list[int], everyone: int) -> str:
    if len(numbers) == 1:
        return f"Pass {numbers[0]}"
    if len(numbers) == everyone:
        return "All passes"
    return f"Passes {', '.join(str(one) for one in numbers[:-1])} and {numbers[-1]}"


def _sided(value: float | None, quantity: str, system: str, negative: str, positive: str) -> str:
    if value is None:
        return NOTHING
    figure = number(abs(value), quantity, system)
    if float(figure) == 0:
        return figure
    return f"{figure} {negative if value < 0 else positive}"


def _degrees(value: float | None) -> str:
    return NOTHING if value is None else f"{value:.0f}°"


# --- Conditions -----------------------------------------------------------------------------------


def condition_facts(analysis: AnalysisRun, test: Test, system: str) -> list[Fact]:
    """Return the conditions as they stood when the analysis was made."""
    now, air = analysis.inputs["conditions"], analysis.weather
    humidity = now["humidity_percent"]
    facts = [
        Fact("Flight line heading", _degrees(now["line_heading_deg"])),
        Fact("Wind", _wind(now, system)),
        Fact("Air temperature", show(now["temperature_c"], "temperature", system)),
        Fact("Relative humidity", NOTHING if humidity is None else f"{humidity:.0f} %"),
        Fact("Delta T", show(air["delta_t_c"], "temperature_step", system)),
        Fact("Liquid and dye", test.liquid or NOTHING),
        Fact("String reader", test.reader or NOTHING),
    ]
    return facts + ([Fact("Note", test.note)] if test.note else [])


def _wind(now: Mapping[str, Any], system: str) -> str:
    if now["wind_speed_m_s"] is None:
        return NOTHING
    words = show(now["wind_speed_m_s"], "wind", system)
    if now["wind_from_deg"] is not None:
        words += f" from {_degrees(now['wind_from_deg'])}"
    if now["wind_height_m"] is not None:
        words += f", read at {show(now['wind_height_m'], 'length', system)}"
    return words


def weather_remarks(analysis: AnalysisRun, system: str) -> tuple[str, ...]:
    """Say what follows from the conditions."""
    return tuple(said(remark["text"], system) for remark in analysis.weather["remarks"])


# --- Set-up ---------------------------------------------------------------------------------------


def setup_facts(setup: SetUp, system: str) -> list[Fact]:
    """Return how the aircraft was equipped and flown."""
    aircraft = setup.aircraft
    facts = [
        Fact("Aircraft", f"{aircraft.get_kind_display()}, {_make(setup)}"),
        Fact("Nozzles", nozzle_words(setup.nozzles)),
        Fact("Pressure", show(setup.pressure_kpa, "pressure", system)),
        Fact("Airspeed", show(setup.airspeed_m_s, "airspeed", system)),
        Fact("Release height", show(setup.release_height_m, "height", system)),
        Fact("Intended rate", show(setup.rate_l_per_ha, "rate", system)),
        Fact("Intended swath", show(setup.intended_swath_m, "swath", system)),
        Fact("Way of flying", setup.get_manner_display()),
    ]
    return facts + ([Fact("Note", setup.note)] if setup.note else [])


def _make(setup: SetUp) -> str:
    return f"{setup.aircraft.make} {setup.aircraft.model}".strip()


def nozzle_words(nozzles: Iterable[Mapping[str, Any]]) -> str:
    """Count the nozzles by kind: "40: 32 flat fan 4010 at 10°, 8 flat fan 4008 at 10°"."""
    kinds: dict[str, Counter[str]] = {}
    for nozzle in nozzles:
        kind = " ".join(part for part in (nozzle["type"], nozzle["size"]) if part)
        kinds.setdefault(kind, Counter())[f"at {nozzle['deflection_deg']:g}°"] += 1
    words = [_kind_words(kind, angles) for kind, angles in _most_first(kinds)]
    total = sum(angles.total() for angles in kinds.values())
    return f"{total}: {', '.join(words)}" if len(words) > 1 else "".join(words) or NOTHING


def _most_first(kinds: Mapping[str, Counter[str]]) -> list[tuple[str, Counter[str]]]:
    return sorted(kinds.items(), key=lambda kind: -kind[1].total())


def _kind_words(kind: str, angles: Counter[str]) -> str:
    if len(angles) == 1:
        return f"{angles.total()} {kind} {next(iter(angles))}"
    each = ", ".join(f"{count} {angle}" for angle, count in angles.most_common())
    return f"{angles.total()} {kind} ({each})"


# --- Method and digests ---------------------------------------------------------------------------


def method_facts(analysis: AnalysisRun, system: str) -> list[Fact]:
    """Return method version and parameters."""
    result = analysis.result
    chosen, sweep = result.parameters, result.uniformity.swath_m
    centring = "the flight line" if chosen.centring == "flight_line" else "each pass's own centre"
    low, high = result.uniformity.band_percent
    span = (
        f"{show(float(sweep[0]), 'swath', system)} to {show(float(sweep[-1]), 'swath', system)}, "
        f"{sweep.size} swaths"
    )
    return [
        Fact("Analysis", f"{analysis.number}, made {day(analysis.created_at)}"),
        Fact("Method version", analysis.method_version),
        Fact("CV limit", f"{chosen.cv_limit_percent:g} %"),
        Fact("Line error", show(chosen.line_error_m, "length", system)),
        Fact("Passes laid on", centring),
        Fact("Sweep", span),
        Fact("Bounds", f"{100 * result.uniformity.confidence:.0f} % over the resampled passes"),
        Fact("Under and over", f"below {low:.0f} and above {high:.0f} % of the mean"),
    ]


def digests(analysis: AnalysisRun) -> list[Digest]:
    """Return the SHA-256 of each raw file, of the inputs together and of the result."""
    files = [
        Digest(f"Pass {entry['number']}, {entry['file']}", entry["digest"])
        for entry in analysis.inputs["passes"]
    ]
    return [
        *files,
        Digest("Inputs, attached as inputs.json", analysis.inputs_digest),
        Digest("Result, attached as result.json", analysis.document_digest),
    ]
