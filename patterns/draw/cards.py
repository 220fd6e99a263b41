"""Droplet cards: the spectrum of the drops, and the cards against position across the swath."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from patterns.cards.across import AcrossSwath
from patterns.cards.classes import SizeClass
from patterns.cards.spectrum import Figure, Spectrum
from patterns.draw.frame import WIDE, Axis, Flag, Furniture, Key, Mark, Note, Sheet, Size
from patterns.draw.passes import zero_line
from patterns.draw.scales import (
    Plot,
    System,
    length_ticks_m,
    length_unit,
    length_words,
    nice_step,
    nice_ticks,
    tick_text,
)
from patterns.draw.signs import area_key, disc, stroke_key
from patterns.draw.svg import area_d, curve_d, element, line, path
from patterns.errors import InputError
from patterns.units import from_si

__all__ = ["Across", "across_chart", "spectrum_chart"]

Floats = NDArray[np.float64]
Across = Literal["deposit", "coverage", "dv50"]

_LEVELS: Final = (
    ("Dv0.1", "dv10_um", 10.0),
    ("Dv0.5", "dv50_um", 50.0),
    ("Dv0.9", "dv90_um", 90.0),
)
_ROUND_UM: Final = tuple(float(step * 10**power) for power in range(5) for step in (1, 2, 5))
# The tallest bar reaches this far up the plot.
_BAR_SHARE: Final = 0.55
_NOTHING_PERCENT: Final = 0.1


def spectrum_chart(
    spectrum: Spectrum,
    size_class: SizeClass | None = None,
    *,
    chart_id: str = "spectrum",
    size: Size = WIDE,
    notes: bool = True,
) -> str:
    """Draw the volume distribution of the drops and its cumulative curve.

    Parameters
    ----------
    spectrum : Spectrum
        Of one card or one test.
    size_class : SizeClass, optional
        Told below the chart with the table it comes from.
    chart_id : str
        Id of the drawing.
    size : Size
        `WIDE`, `PAPER`, `COMPACT` or another.
    notes : bool
        Whether the figures are told in sentences below the chart.

    Returns
    -------
    str
        A complete ``<svg>``. Dv0.1, Dv0.5 and Dv0.9 are marked on the curve with their bounds, the
        cut-offs of the fines over its whole height. Bars stand in the proportion of their shares;
        the key tells the tallest.
    """
    shares = spectrum.distribution
    tallest = float(shares.volume_percent.max())
    furniture = Furniture(
        kind="sw-spectrum",
        title="Volume of the spray by size of drop",
        description=_spectrum_words(spectrum, size_class),
        x=_diameter_axis(spectrum, size),
        y=Axis(
            "Volume in smaller drops, %", 0.0, 100.0, [(v, f"{v:g}") for v in range(0, 101, 20)]
        ),
        keys=_spectrum_keys(spectrum, tallest),
        flags=_spectrum_flags(spectrum),
        notes=_spectrum_notes(spectrum, size_class) if notes else [],
    )
    sheet = Sheet(chart_id, size, furniture)
    plot = sheet.plot
    edge_x = plot.pxs(np.log10(np.maximum(shares.edge_um, 1.0)))
    body = _bars(edge_x, shares.volume_percent / tallest, plot)
    body += [_upright("sw-cut-off", one.cut_off_um, plot) for one in spectrum.volume_below]
    reached = np.concatenate(([0.0], np.cumsum(shares.volume_percent)))
    body.append(path("sw-cumulative", curve_d(edge_x, plot.pys(reached))))
    for _, name, level in _LEVELS:
        body += _level(getattr(spectrum, name), level, plot)
    return sheet.render(body)


def _spectrum_keys(spectrum: Spectrum, tallest_percent: float) -> list[Key]:
    keys = [
        Key(stroke_key("sw-cumulative"), "volume in smaller drops"),
        Key(area_key("", "sw-volume-bar"), f"share by class, the tallest {tallest_percent:.1f} %"),
    ]
    if spectrum.volume_below:
        cuts = ", ".join(f"{one.cut_off_um:g}" for one in spectrum.volume_below)
        keys.append(Key(stroke_key("sw-cut-off"), f"{cuts} µm"))
    return keys


def _diameter_axis(spectrum: Spectrum, size: Size) -> Axis:
    shares = spectrum.distribution
    # Where next to nothing of the volume lies the axis does not begin yet.
    begins = np.cumsum(shares.volume_percent) > _NOTHING_PERCENT
    edges = np.maximum(np.append(shares.edge_um[:-1][begins], shares.edge_um[-1]), 1.0)
    marked = [one.cut_off_um for one in spectrum.volume_below]
    low = math.log10(min(float(edges[0]), *marked, float(edges[-1]) / 1.2))
    high = math.log10(max(float(edges[-1]), *marked, float(edges[0]) * 1.2))
    low, high = low - 0.03 * (high - low), high + 0.03 * (high - low)
    inside = [um for um in _ROUND_UM if low <= math.log10(um) <= high]
    if size.compact and len(inside) > 7:
        inside = [um for um in inside if f"{um:g}"[0] != "2"]
    return Axis(
        "Diameter of the drop, µm", low, high, [(math.log10(um), f"{um:g}") for um in inside]
    )


def _spectrum_flags(spectrum: Spectrum) -> list[Flag]:
    return [
        Flag(
            math.log10(getattr(spectrum, name).value),
            f"{word} {getattr(spectrum, name).value:.0f} µm",
            disc("sw-dv-mark"),
        )
        for word, name, _ in _LEVELS
    ]


def _bars(edge_x: Floats, share: Floats, plot: Plot) -> list[str]:
    room = _BAR_SHARE * (plot.bottom - plot.top)
    return [
        element(
            "rect",
            "sw-volume-bar",
            x=float(left),
            y=plot.bottom - float(part) * room,
            width=float(right - left),
            height=float(part) * room,
        )
        for left, right, part in zip(edge_x[:-1], edge_x[1:], share, strict=True)
        if part > 0.0
    ]


def _upright(class_name: str, diameter_um: float, plot: Plot) -> str:
    x = plot.px(math.log10(diameter_um))
    return line(class_name, x, plot.top, x, plot.bottom)


def _level(figure: Figure, level: float, plot: Plot) -> list[str]:
    """A diameter on the curve, between its bounds."""
    y = plot.py(level)
    parts = []
    if not math.isnan(figure.low):
        left, right = (plot.px(math.log10(end)) for end in (figure.low, figure.high))
        parts.append(line("sw-dv-bounds", left, y, right, y))
    parts.append(disc("sw-dv-mark")(plot.px(math.log10(figure.value)), y, 10.0))
    return parts


def _spectrum_notes(spectrum: Spectrum, size_class: SizeClass | None) -> list[Note]:
    fines = ", ".join(
        f"under {one.cut_off_um:g} µm {_with_bounds(one.percent, 1)} %"
        for one in spectrum.volume_below
    )
    notes = [Note(f"Of the volume, {fines}.")] if fines else []
    notes.append(
        Note(
            f"Relative span {_with_bounds(spectrum.relative_span, 2)}, Sauter mean "
            f"{_with_bounds(spectrum.sauter_um, 0)} µm, number median "
            f"{_with_bounds(spectrum.number_median_um, 0)} µm, from {spectrum.stains} stains."
        )
    )
    if size_class is not None:
        notes.append(
            Note(
                f"Size class {size_class.letters} ({size_class.name}) by the table: "
                f"{size_class.table_name}."
            )
        )
    return notes


def _with_bounds(figure: Figure, decimals: int) -> str:
    text = f"{figure.value:.{decimals}f}"
    if math.isnan(figure.low):
        return text
    return f"{text} ({figure.low:.{decimals}f} to {figure.high:.{decimals}f})"


def _spectrum_words(spectrum: Spectrum, size_class: SizeClass | None) -> str:
    sizes = ", ".join(
        f"{word} {_with_bounds(getattr(spectrum, name), 0)} µm" for word, name, _ in _LEVELS
    )
    return " ".join([f"{sizes}.", *(note.text for note in _spectrum_notes(spectrum, size_class))])


@dataclass(frozen=True, slots=True)
class _Shown:
    """What one chart across the swath shows, in the reader's unit."""

    title: str
    axis: str
    unit: str
    decimals: int
    value: Floats
    low: Floats
    high: Floats


def across_chart(
    across: AcrossSwath,
    figure: Across = "deposit",
    *,
    system: System,
    string: tuple[Floats, Floats] | None = None,
    chart_id: str = "across",
    size: Size = WIDE,
) -> str:
    """Draw deposit, cover or median size of the cards against position.

    Parameters
    ----------
    across : AcrossSwath
        The cards of a test.
    figure : {"deposit", "coverage", "dv50"}
        What to draw.
    system : {"us", "metric"}
        Feet and gal/acre, or metres and L/ha; diameters are in µm.
    string : ((N,) ndarray, (N,) ndarray), optional
        Positions [m] and deposit [any] of the string pattern, drawn behind deposit or cover; it is
        relative, so it is brought to the same area as the cards.
    chart_id : str
        Id of the drawing.
    size : Size
        `WIDE`, `PAPER`, `COMPACT` or another.

    Returns
    -------
    str
        A complete ``<svg>``.

    Raises
    ------
    InputError
        For another figure or system.
    """
    shown = _shown(across, figure, system)
    behind = None if string is None or figure == "dv50" else _scaled(string, across, shown.value)
    half_m = _half_width_m(across, behind)
    furniture = Furniture(
        kind="sw-across",
        title=shown.title,
        description=_across_words(across, shown, system),
        x=_position_axis(half_m, system, size),
        y=_value_axis(shown, behind),
        keys=_across_keys(shown, behind is not None),
        notes=[Note(remark.text) for remark in across.remarks],
        wings=True,
    )
    sheet = Sheet(chart_id, size, furniture)
    plot = sheet.plot
    body = [zero_line(plot)]
    if behind is not None:
        x, y = plot.pxs(behind[0]), plot.pys(behind[1])
        body.append(path("sw-string-behind", area_d(x, y, np.full(y.size, plot.bottom))))
    x = plot.pxs(across.position_m)
    body.append(path("sw-card-line", curve_d(x, plot.pys(shown.value))))
    for at, value, low, high in zip(x, shown.value, shown.low, shown.high, strict=True):
        if math.isfinite(low) and high > low:
            body.append(line("sw-card-bounds", at, plot.py(low), at, plot.py(high)))
        if math.isfinite(value):
            body.append(_CARD(float(at), plot.py(float(value)), 10.0))
    return sheet.render(body)


_CARD: Final[Mark] = disc("sw-card-mark")


def _shown(across: AcrossSwath, figure: Across, system: System) -> _Shown:
    length_unit(system)  # for its complaint
    if figure == "deposit":
        unit = "gal/acre" if system == "us" else "L/ha"
        ends = (
            from_si(values, unit)
            for values in (
                across.deposit_l_per_ha,
                across.deposit_low_l_per_ha,
                across.deposit_high_l_per_ha,
            )
        )
        return _Shown("Deposit on the cards", "Deposit", unit, 2 if system == "us" else 1, *ends)
    if figure == "coverage":
        nothing = np.full(across.coverage_percent.size, np.nan)
        return _Shown(
            "Cover of the cards", "Cover", "%", 1, across.coverage_percent, nothing, nothing
        )
    if figure == "dv50":
        return _Shown(
            "Median size of the drops on the cards",
            "Dv0.5",
            "µm",
            0,
            across.dv50_um,
            across.dv50_low_um,
            across.dv50_high_um,
        )
    raise InputError("figure", f"{figure!r} is not known", "use deposit, coverage or dv50")


def _scaled(
    string: tuple[Floats, Floats], across: AcrossSwath, value: Floats
) -> tuple[Floats, Floats] | None:
    """The string pattern brought to the area that the cards have."""
    position_m, deposit = string
    area = float(np.trapezoid(deposit, position_m))
    cards = float(np.sum(value * across.width_m))
    return (position_m, deposit * (cards / area)) if area > 0.0 and cards > 0.0 else None


def _half_width_m(across: AcrossSwath, behind: tuple[Floats, Floats] | None) -> float:
    reach = float(np.max(np.abs(across.position_m) + across.width_m / 2.0))
    if behind is not None:
        seen = behind[0][behind[1] > 0.01 * float(np.max(behind[1]))]
        reach = max(reach, float(np.max(np.abs(seen), initial=0.0)))
    return max(reach, 1.0) * 1.02


def _position_axis(half_m: float, system: System, size: Size) -> Axis:
    unit = "Feet" if system == "us" else "Metres"
    name = f"{unit} from flight line" if size.compact else f"{unit} from the flight line"
    ticks = length_ticks_m(-half_m, half_m, 7 if size.compact else 13, system)
    return Axis(name, -half_m, half_m, ticks)


def _value_axis(shown: _Shown, behind: tuple[Floats, Floats] | None) -> Axis:
    reached = np.concatenate([shown.value, shown.high, [] if behind is None else behind[1]])
    highest = float(np.max(reached[np.isfinite(reached)], initial=0.0)) * 1.05
    highest = highest if highest > 0.0 else 1.0
    step = nice_step(highest, 5)
    high = step * math.ceil(highest / step - 1e-9)
    ticks = [(tick, tick_text(tick, step)) for tick in nice_ticks(0.0, high, 5)]
    return Axis(f"{shown.axis}, {shown.unit}", 0.0, high, ticks)


def _across_keys(shown: _Shown, behind: bool) -> list[Key]:
    bounds = ", with bounds" if np.isfinite(shown.low).any() else ""
    keys = [Key(lambda x, y, wide: _CARD(x, y, min(wide, 10.0)), f"card{bounds}")]
    if behind:
        keys.append(Key(area_key("", "sw-string-behind"), "string pattern, to the same area"))
    return keys


def _across_words(across: AcrossSwath, shown: _Shown, system: System) -> str:
    places = "; ".join(
        f"{length_words(float(at), system)}: "
        + (f"{value:.{shown.decimals}f} {shown.unit}" if math.isfinite(value) else "no drop")
        for at, value in zip(across.position_m, shown.value, strict=True)
    )
    return f"{shown.axis} by position from the flight line, left wing negative. {places}."
