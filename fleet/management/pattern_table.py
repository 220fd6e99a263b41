"""The document of an analysis as a table that a person can read in a terminal."""

from collections.abc import Mapping
from typing import Any

from patterns.units import from_si

CAUTION = (
    "A swath found here is a finding of this test, for this set-up as flown. It is no permission "
    "to spray: label, law, weather and the ground below come first."
)
_MANNERS = {"one_way": "one way", "back_and_forth": "back and forth"}
_ROWS = 24


def table(document: Mapping[str, Any]) -> str:
    """Lay out the document of `patterns.document.to_document`, plain ASCII but for file names."""
    parts = [
        _passes(document["passes"]),
        _pattern(document["pattern"]),
        _recommended(document["recommended"], document["parameters"]),
        _curves(document["uniformity"], document["parameters"]["cv_limit_percent"]),
        _findings(document["findings"]),
        CAUTION,
    ]
    return "\n\n".join(parts)


def _passes(passes: list[Mapping[str, Any]]) -> str:
    used = sum(one["accepted"] for one in passes)
    lines = [f"PASSES: {used} of {len(passes)} used"]
    for one in passes:
        word = "used" if one["accepted"] else "LEFT OUT"
        centre = "-" if one["centre_m"] is None else f"{one['centre_m']:+.2f} m"
        left = "-" if one["left_share"] is None else f"{100 * one['left_share']:.0f} %"
        lines.append(
            f"  {word:<8}  {one['file']}  centre {centre}, left of line {left}, "
            f"total {one['total']:.6g}"
        )
        lines += [f"            {mark['weight']}: {mark['text']}" for mark in one["remarks"]]
    return "\n".join(lines)


def _pattern(pattern: Mapping[str, Any]) -> str:
    about = {"flight_line": "the flight line as flown", "deposition": "the centre of deposition"}
    repeat = pattern["repeatability_percent"]
    spread = "one pass only" if repeat is None else f"{repeat:.1f} % of the mean"
    return (
        f"PATTERN about {about[pattern['centring']]}\n"
        f"  centre of deposition {pattern['centre_m']:+.2f} m, "
        f"left of 0 {100 * pattern['left_share']:.0f} %, spread between passes {spread}"
    )


def _recommended(recommended: Mapping[str, Any], parameters: Mapping[str, Any]) -> str:
    lines = [
        f"RECOMMENDED SWATH: CV within {parameters['cv_limit_percent']:g} %, "
        f"lines flown up to {parameters['line_error_m']:g} m off"
    ]
    for manner, title in _MANNERS.items():
        choice = recommended[manner]
        lines.append(
            f"  {title:<15} {_length(choice['swath_m'])}, CV {_percent(choice['cv_percent'])} "
            f"({_percent(choice['cv_low_percent'])} to {_percent(choice['cv_high_percent'])}); "
            f"widest passing {_length(choice['widest_passing_m'])}, "
            f"first failing {_length(choice['first_failure_m'])}"
        )
        lines.append(f"                  {choice['reason']}")
    return "\n".join(lines)


def _curves(uniformity: Mapping[str, Any], limit_percent: float) -> str:
    """CVs by swath, as far out as either way of flying stays within twice the limit."""
    swaths = uniformity["swath_m"]
    either = zip(*(uniformity[f"{manner}_cv_percent"] for manner in _MANNERS), strict=True)
    worth = [at for at, cvs in enumerate(either) if min(cvs) <= 2 * limit_percent]
    shown = worth[-1] + 1 if worth else len(swaths)
    every = -(-shown // _ROWS)
    lines = [
        "CV BY SWATH, with bounds over the passes",
        f"  {'swath':>18}  {'one way':>26}  {'back and forth':>26}",
    ]
    for at in range(0, shown, every):
        cells = [
            f"{_percent(uniformity[f'{manner}_cv_percent'][at])} "
            f"({_percent(uniformity[f'{manner}_cv_low_percent'][at])} to "
            f"{_percent(uniformity[f'{manner}_cv_high_percent'][at])})"
            for manner in _MANNERS
        ]
        lines.append(f"  {_length(swaths[at]):>18}  {cells[0]:>26}  {cells[1]:>26}")
    if shown < len(swaths):
        lines.append(f"  wider, up to {swaths[-1]:.2f} m: above {2 * limit_percent:g} % both ways")
    return "\n".join(lines)


def _findings(findings: list[Mapping[str, Any]]) -> str:
    if not findings:
        return "FINDINGS: no low or high zone stands in every pass"
    lines = ["FINDINGS"]
    for one in findings:
        standing = "in every pass" if one["in_every_pass"] else "not in every pass"
        lines.append(
            f"  {one['kind']:<4}  {one['from_m']:+.2f} to {one['to_m']:+.2f} m, "
            f"{one['depth_percent']:+.0f} % of the smooth shape, {standing}"
        )
    return "\n".join(lines)


def _length(value_m: float | None) -> str:
    return "none" if value_m is None else f"{value_m:.2f} m ({from_si(value_m, 'ft'):.1f} ft)"


def _percent(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f} %"
