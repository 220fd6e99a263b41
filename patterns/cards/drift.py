"""Drift potential in words that follow from numbers, each with its limit and source.

There is no score and no colour. A figure within a limit is told as that and no more, what is not
known is told as not known, and the last sentence is always that some potential remains. The limits
are examples from labels and rules; the label of the product in the tank decides.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final, Literal

from patterns.cards.spectrum import Spectrum
from patterns.data import load
from patterns.errors import InputError
from patterns.units import from_si
from patterns.weather import judge_delta_t

__all__ = ["Craft", "DriftConditions", "DriftPotential", "DriftStatement", "drift_potential"]

Craft = Literal["wing", "rotor"]
Weight = Literal["raises", "states", "unknown"]

_WORDS: Final = {
    "at_most": ("does not exceed", "exceeds"),
    "under": ("is under", "is not under"),
    "at_least": ("is not under", "is under"),
}
_SPANS: Final[dict[Craft, str]] = {"wing": "wingspan", "rotor": "rotor diameter"}


@dataclass(frozen=True, slots=True)
class DriftConditions:
    """How and in what air the spray was released; None for what is not known.

    Attributes
    ----------
    wind_m_s : mean wind [m/s], 0 to 60.
    delta_t_c : Delta T of the air [°C], 0 to 60.
    release_height_m : of the nozzles above the canopy [m], above 0 up to 200.
    boom_m, span_m : outermost nozzle to outermost nozzle, and wingspan or rotor diameter [m].
    craft : "wing" or "rotor".
    """

    wind_m_s: float | None = None
    delta_t_c: float | None = None
    release_height_m: float | None = None
    boom_m: float | None = None
    span_m: float | None = None
    craft: Craft = "wing"


@dataclass(frozen=True, slots=True)
class DriftStatement:
    """One sentence and the numbers behind it.

    Attributes
    ----------
    code : stable word for programs, such as ``wind_insecticide``.
    text : full sentence, with the source in brackets.
    weight : "raises" where the figure is beyond the limit, "states" otherwise, "unknown" where the
        figure is not known.
    value, limit, unit : the figure and the limit; None where there is none.
    source : of the limit.
    """

    code: str
    text: str
    weight: Weight
    value: float | None
    limit: float | None
    unit: str
    source: str


@dataclass(frozen=True, slots=True)
class DriftPotential:
    """All that can be said; the last statement is always that some potential remains."""

    statements: tuple[DriftStatement, ...]

    @property
    def raising(self) -> tuple[DriftStatement, ...]:
        """Statements on figures that are beyond a limit."""
        return tuple(one for one in self.statements if one.weight == "raises")

    @property
    def text(self) -> str:
        """All sentences."""
        return " ".join(one.text for one in self.statements)


def drift_potential(
    spectrum: Spectrum | None, conditions: DriftConditions | None = None
) -> DriftPotential:
    """Say what fines, wind, air, height and boom mean for drift.

    Parameters
    ----------
    spectrum : of the drops; None where no cards were laid.
    conditions : of the release; nothing known when left out.

    Returns
    -------
    DriftPotential
        Statements on fines, wind, Delta T, release height and boom in this order, then that there
        is always some potential.

    Raises
    ------
    InputError
        For numbers that cannot be.
    """
    known = conditions or DriftConditions()
    _check(known)
    limits: dict[str, Any] = load("drift_limits")
    return DriftPotential(
        (
            *_fines(spectrum, limits),
            *_wind(known.wind_m_s, limits["wind"]),
            _air(known.delta_t_c),
            *_height(known.release_height_m, limits["release_height"]),
            *_boom(known, limits),
            _stated("always", limits["always"]),
        )
    )


def _stated(code: str, row: dict[str, Any]) -> DriftStatement:
    text = f"{row['text'].rstrip('.')} ({row['source']})."
    return DriftStatement(code, text, "states", None, None, "", row["source"])


def _unknown(code: str, text: str) -> DriftStatement:
    return DriftStatement(code, text, "unknown", None, None, "", "")


def _fines(spectrum: Spectrum | None, limits: dict[str, Any]) -> Iterable[DriftStatement]:
    if spectrum is None:
        text = "The share of fine drops is not known: no droplet spectrum was measured."
        yield _unknown("fines_unknown", text)
        return
    shares = ", ".join(
        f"{one.percent.value:.1f} % below {one.cut_off_um:g} µm" for one in spectrum.volume_below
    )
    if shares:
        text = f"Of the volume, {shares}; no cut-off is absolute, and a larger share drifts more."
        yield DriftStatement("fines", text, "states", None, None, "%", "common practice, no source")
    rule = limits["fines"]
    share = next(
        (one.percent for one in spectrum.volume_below if one.cut_off_um == rule["below_um"]), None
    )
    if share is None:
        yield _unknown(
            "fines_by_class",
            f"The share below {rule['below_um']:g} µm, which guidance goes by, was not worked out.",
        )
        return
    classes = rule["by_class"]
    fits = next((one for one in classes if _within(one["kind"], share.value, one["percent"])), None)
    nearest = fits or classes[-1]
    span = f"{share.value:.1f} % below {rule['below_um']:g} µm"
    if not math.isnan(share.low):
        span += f" (bounds {share.low:.1f} to {share.high:.1f} %)"
    words = "is what guidance gives" if fits else "is more than guidance gives"
    text = f"{span} {words} for a {nearest['name']} spray, {nearest['as_printed']}"
    yield DriftStatement(
        "fines_by_class",
        f"{text} ({rule['source']}).",
        "raises" if fits is None else "states",
        share.value,
        float(nearest["percent"]),
        "%",
        rule["source"],
    )
    yield _stated("distance", limits["distance"])


def _wind(wind_m_s: float | None, rows: list[dict[str, Any]]) -> Iterable[DriftStatement]:
    if wind_m_s is None:
        yield _unknown("wind_unknown", "The wind is not known, and with it how far drops travel.")
        return
    shown = f"Wind of {wind_m_s:.1f} m/s ({from_si(wind_m_s, 'mph'):.0f} mph)"
    for row in rows:
        yield _against(row, shown, wind_m_s, row["value_m_s"], "m/s")


def _air(delta_t_c: float | None) -> DriftStatement:
    if delta_t_c is None:
        text = "Delta T is not known, and with it how fast drops shrink in the air."
        return _unknown("delta_t_unknown", text)
    remark = judge_delta_t(delta_t_c)
    weight: Weight = "states" if remark.code == "delta_t_inside" else "raises"
    return DriftStatement(remark.code, remark.text, weight, delta_t_c, None, "°C", "")


def _height(height_m: float | None, rows: list[dict[str, Any]]) -> Iterable[DriftStatement]:
    if height_m is None:
        text = "The release height is not known; the higher, the longer drops are in the wind."
        yield _unknown("height_unknown", text)
        return
    shown = f"A release height of {height_m:.1f} m ({from_si(height_m, 'ft'):.0f} ft)"
    for row in rows:
        yield _against(row, shown, height_m, row["value_m"], "m")


def _boom(known: DriftConditions, limits: dict[str, Any]) -> Iterable[DriftStatement]:
    span = _SPANS[known.craft]
    if known.boom_m is None or known.span_m is None:
        text = f"The share of the {span} that the boom takes is not known."
        yield _unknown("boom_unknown", text)
        return
    share = 100.0 * known.boom_m / known.span_m
    shown = f"A boom of {share:.0f} % of the {span}"
    for row in limits["boom_share"]:
        if row["craft"] == known.craft:
            yield _against(row, shown, share, row["value_percent"], "%")
    yield _stated("boom_note", limits["boom_note"])


def _against(
    row: dict[str, Any], shown: str, value: float, limit: float, unit: str
) -> DriftStatement:
    """Put a figure beside a limit."""
    within = _within(row["kind"], value, limit)
    words = _WORDS[row["kind"]][0 if within else 1]
    text = f"{shown} {words} the {row['as_printed']} {row['about']} ({row['source']})."
    weight: Weight = "states" if within else "raises"
    return DriftStatement(row["key"], text, weight, value, limit, unit, row["source"])


def _within(kind: str, value: float, limit: float) -> bool:
    # A limit printed in mph or feet is no round number in metres.
    slack = 1e-6 * limit
    if kind == "at_least":
        return value >= limit - slack
    return value < limit - slack if kind == "under" else value <= limit + slack


def _check(known: DriftConditions) -> None:
    ranges = (
        ("wind", known.wind_m_s, -1e-12, 60.0, "m/s"),
        ("Delta T", known.delta_t_c, -1e-12, 60.0, "°C"),
        ("release height", known.release_height_m, 0.0, 200.0, "m"),
        ("boom", known.boom_m, 0.0, 200.0, "m"),
        ("wingspan or rotor diameter", known.span_m, 0.0, 200.0, "m"),
    )
    for what, value, low, high, unit in ranges:
        if value is not None and not low < value <= high:
            raise InputError(what, f"{value:g} {unit} cannot be", f"give up to {high:g} {unit}")
    if known.craft not in _SPANS:
        raise InputError("craft", f"{known.craft!r} is not known", "give wing or rotor")
    if known.boom_m is not None and known.span_m is not None and known.boom_m > 2.0 * known.span_m:
        raise InputError("boom", "it is over twice the span", "give both in metres")
