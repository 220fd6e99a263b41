"""The overlapped field at one swath: neighbouring lines in turn, their sum, what is under and over.

A page may redraw this chart while a swath is being chosen. It finds, on the ``<svg>`` element,
``data-x0 data-x1 data-y0 data-y1`` [px] and ``data-xmin data-xmax`` [m] ``data-ymin data-ymax``
[% of the field's mean] to turn values into pixels, and ``data-swath`` [m], ``data-manner``,
``data-below``, ``data-above`` [%]. It redraws the ``d`` of

- ``.sw-total`` the sum of all lines;
- ``.sw-line`` and ``.sw-line-other``: one path each for every second line, beginning with the
  one at 0, and for those in between (which are flown the other way, and so turned over, when
  ``data-manner`` is ``back_and_forth``), a subpath for each line;
- ``.sw-under-tint`` and ``.sw-under-hatch``: one area, between the lower level and the sum where
  the sum lies under it; ``.sw-over-tint`` and ``.sw-over-hatch`` the same above the upper level;
- ``.sw-flight-lines``: the flight lines, a vertical subpath for each.

With `half_width_m` the axes stay as they are while the swath changes, and the title and the
summary, which would go stale, are left to the page. The brackets and letters of the findings lie in
``<g class="sw-flags">``, the arrows of the lines in ``<g class="sw-directions">``: the page redraws
or hides them.

`field_geometry` gives the same numbers to whoever draws elsewhere.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from patterns.analyse import Analysis
from patterns.average import MeanPattern
from patterns.draw.curve import MANNER_WORDS
from patterns.draw.frame import WIDE, Axis, Flag, Furniture, Key, Note, Sheet, Size
from patterns.draw.lettering import width_px
from patterns.draw.passes import finding_hatches, finding_mark, finding_words, letter
from patterns.draw.scales import Plot, System, length_ticks_m, length_words
from patterns.draw.signs import area_key, stroke_key, triangle
from patterns.draw.svg import area_d, curve_d, line, num, path, words
from patterns.errors import InputError
from patterns.overlap import Manner, cv_percent, one_period, overlapped

Floats = NDArray[np.float64]

_SHOWN_SWATHS: Final = 3.0
_SAME_STEP: Final = 1e-6
_LIVE_TITLE: Final = "Field at the chosen swath"
_MEAN: Final = 100.0
_LEVELS: Final = (0.0, 40.0, 80.0, _MEAN, 120.0, 160.0, 200.0)
_LEADING: Final = 1.3


@dataclass(frozen=True, slots=True, eq=False)
class FieldGeometry:
    """The overlapped field as it is drawn.

    Attributes
    ----------
    position_m : (X,) ndarray of float
        Place across the lines [m], 0 at a line flown as measured.
    total_percent : (X,) ndarray of float
        Sum of all lines in percent of the field's mean.
    line_m : (L,) ndarray of float
        Flight lines that are within view or reach into it [m].
    mirrored : (L,) ndarray of bool
        Whether the line was flown in the opposite direction.
    lines_percent : (L, X) ndarray of float
        Each line alone, in percent of the field's mean.
    cv_percent, below_percent, above_percent, lowest_percent, highest_percent : float
        Of one exact repeat: CV; share of the field under and over the band; lowest and highest
        in percent of the mean.
    """

    position_m: Floats
    total_percent: Floats
    line_m: Floats
    mirrored: NDArray[np.bool_]
    lines_percent: Floats
    cv_percent: float
    below_percent: float
    above_percent: float
    lowest_percent: float
    highest_percent: float


def field_geometry(
    pattern: MeanPattern,
    swath_m: float,
    manner: Manner,
    *,
    half_width_m: float | None = None,
    band_percent: tuple[float, float] = (80.0, 120.0),
) -> FieldGeometry:
    """Compute the field at one swath for drawing.

    Parameters
    ----------
    pattern : MeanPattern
        Mean pattern of the test.
    swath_m : float
        Spacing of the flight lines [m], above 0. Where it is no whole number of grid steps the
        pattern is laid on the nearest finer step that divides it.
    manner : {"one_way", "back_and_forth"}
        Way of flying.
    half_width_m : float, optional
        Reach of the picture to either side [m]; without it one swath and a half.
    band_percent : (float, float)
        Under the first and over the second a place counts as under- or over-dosed [%].

    Raises
    ------
    InputError
        For a swath that is not above 0, a pattern without deposit or an unknown manner.
    """
    deposit, step_m = _on_swath_steps(pattern, swath_m)
    centre = (deposit.size - 1) // 2
    half_m = half_width_m if half_width_m is not None else swath_m * _SHOWN_SWATHS / 2
    reach_m = _reach_m(deposit, step_m)
    sides = math.ceil((half_m + reach_m) / swath_m) + 1
    field = overlapped(deposit, step_m, swath_m, centre, manner, 2 * sides + 1)
    period = one_period(deposit, step_m, swath_m, centre, manner)
    mean = float(np.mean(period))
    shown = np.abs(field.position_m) <= half_m + step_m
    near = np.abs(field.line_m) <= half_m + reach_m
    share = period * (100.0 / mean)
    return FieldGeometry(
        position_m=field.position_m[shown],
        total_percent=field.total[shown] * (100.0 / mean),
        line_m=field.line_m[near],
        mirrored=field.mirrored[near],
        lines_percent=field.lines[np.ix_(near, shown)] * (100.0 / mean),
        cv_percent=cv_percent(deposit, step_m, swath_m, centre, manner),
        below_percent=100.0 * float(np.mean(share < band_percent[0])),
        above_percent=100.0 * float(np.mean(share > band_percent[1])),
        lowest_percent=float(np.min(share)),
        highest_percent=float(np.max(share)),
    )


def field_chart(
    analysis: Analysis,
    *,
    system: System,
    swath_m: float,
    manner: Manner,
    half_width_m: float | None = None,
    chart_id: str = "field",
    size: Size = WIDE,
    notes: bool = True,
) -> str:
    """Draw the overlapped field at one swath.

    Parameters
    ----------
    analysis : Analysis
        A finished analysis.
    system : {"us", "metric"}
        Feet or metres along the axis.
    swath_m : float
        Spacing of the flight lines [m], above 0.
    manner : {"one_way", "back_and_forth"}
        Way of flying.
    half_width_m : float, optional
        Reach of the picture to either side [m]; without it one swath and a half. A page with a
        swath slider gives one that holds for all swaths, so that only the curves move; title and
        summary are then left to the page.
    chart_id : str
        Id of the drawing.
    size : Size
        `WIDE`, `PAPER`, `COMPACT` or another.
    notes : bool
        Whether the findings stand in words below; False where they stand beside the chart.

    Returns
    -------
    str
        A complete ``<svg>``; see the module for what a page may redraw.

    Raises
    ------
    InputError
        As `field_geometry`.
    """
    band = analysis.uniformity.band_percent
    field = field_geometry(
        analysis.pattern, swath_m, manner, half_width_m=half_width_m, band_percent=band
    )
    half_m = half_width_m if half_width_m is not None else swath_m * _SHOWN_SWATHS / 2
    furniture = Furniture(
        kind="sw-field",
        title=_title(swath_m, manner, system) if half_width_m is None else _LIVE_TITLE,
        description=_description(analysis, field, swath_m, manner, system),
        summary=_summary(field, band) if half_width_m is None else "",
        x=_across(half_m, system, size),
        y=_upward(field, half_width_m is not None, size),
        keys=_keys(band, manner, chart_id),
        flags=_flags(analysis, field, half_m),
        notes=_notes(analysis, system) if notes else (),
        under_row=True,
        data={
            "swath": swath_m,
            "manner": manner,
            "below": band[0],
            "above": band[1],
        },
    )
    sheet = Sheet(chart_id, size, furniture)
    body = _body(field, sheet.plot, band, chart_id)
    return sheet.render(body, finding_hatches(chart_id), _directions(field, sheet, manner))


def _on_swath_steps(pattern: MeanPattern, swath_m: float) -> tuple[Floats, float]:
    """Lay the mean on a step that divides the swath, its middle at 0; exact where it does."""
    position, deposit = pattern.position_m, pattern.deposit
    step_m = float(position[1] - position[0])
    if not (math.isfinite(swath_m) and swath_m > 0.0):
        raise InputError("swath", f"{swath_m!r} m is no swath", "give one above 0")
    if abs(swath_m / step_m - round(swath_m / step_m)) < _SAME_STEP:
        return deposit, step_m
    finer_m = swath_m / math.ceil(swath_m / step_m)
    half = math.floor(float(position[-1]) / finer_m)
    at = finer_m * np.arange(-half, half + 1)
    return np.interp(at, position, deposit), finer_m


def _reach_m(deposit: Floats, step_m: float) -> float:
    """Farthest place from the line where there is any deposit at all."""
    there = np.flatnonzero(deposit)
    if there.size == 0:
        return step_m
    centre = (deposit.size - 1) // 2
    return step_m * float(np.max(np.abs(there - centre)) + 1)


def _title(swath_m: float, manner: Manner, system: System) -> str:
    return f"Field at a swath of {length_words(swath_m, system)}, {MANNER_WORDS[manner]}"


def _summary(field: FieldGeometry, band: tuple[float, float]) -> str:
    return (
        f"CV {field.cv_percent:.1f} %. {field.below_percent:.0f} % of the field lies under "
        f"{band[0]:g} % of the mean, {field.above_percent:.0f} % over {band[1]:g} %; lowest "
        f"{field.lowest_percent:.0f} %, highest {field.highest_percent:.0f} %."
    )


def _description(
    analysis: Analysis, field: FieldGeometry, swath_m: float, manner: Manner, system: System
) -> str:
    band = analysis.uniformity.band_percent
    parts = [
        f"Deposit of neighbouring lines {length_words(swath_m, system)} apart, flown "
        f"{MANNER_WORDS[manner]}, and their sum.",
        _summary(field, band),
    ]
    parts += [f"{note.letter}: {note.text}" for note in _notes(analysis, system)]
    return " ".join(parts)


def _across(half_m: float, system: System, size: Size) -> Axis:
    unit = "feet" if system == "us" else "metres"
    ticks = length_ticks_m(-half_m, half_m, 7 if size.compact else 13, system)
    return Axis(f"Across the field, {unit}", -half_m, half_m, ticks)


def _upward(field: FieldGeometry, fixed: bool, size: Size) -> Axis:
    """Show up to 200 % where the curves will be redrawn, else as far as they reach."""
    reached = max(float(np.max(field.total_percent)), float(np.max(field.lines_percent)))
    high = 200.0 if fixed else min(max(160.0, 40.0 * math.ceil(reached / 40.0)), 240.0)
    # Between the levels of the band there is room for the mean where its figure fits.
    tight = 20.0 / high * size.plot_height < _LEADING * size.font
    ticks = [(one, f"{one:g}") for one in _LEVELS if one <= high and not (tight and one == _MEAN)]
    return Axis("Deposit, % of the field's mean", 0.0, high, ticks)


def _keys(band: tuple[float, float], manner: Manner, chart_id: str) -> list[Key]:
    other = "line flown back" if manner == "back_and_forth" else "line beside it"
    return [
        Key(stroke_key("sw-total"), "sum"),
        Key(stroke_key("sw-line"), "one line"),
        Key(stroke_key("sw-line-other"), other),
        Key(area_key(f"url(#{chart_id}-low)", "sw-under-tint"), f"under {band[0]:g} %"),
        Key(area_key(f"url(#{chart_id}-high)", "sw-over-tint"), f"over {band[1]:g} %"),
    ]


def _flags(analysis: Analysis, field: FieldGeometry, half_m: float) -> list[Flag]:
    """Mark each finding beside each line in view, turned over where the line was."""
    flags = []
    for line_m, mirrored in zip(field.line_m.tolist(), field.mirrored.tolist(), strict=True):
        for index, zone in enumerate(analysis.findings):
            ends = [line_m - end if mirrored else line_m + end for end in (zone.from_m, zone.to_m)]
            at = line_m - zone.centre_m if mirrored else line_m + zone.centre_m
            if abs(at) > half_m:
                continue
            bracket = f"sw-{zone.kind}-bracket"
            mark = finding_mark(zone.kind)
            flags.append(Flag(at, letter(index), mark, min(ends), max(ends), bracket))
    return flags


def _notes(analysis: Analysis, system: System) -> list[Note]:
    count = analysis.pattern.passes.shape[0]
    return [
        Note(finding_words(zone, system, count), finding_mark(zone.kind), letter(index))
        for index, zone in enumerate(analysis.findings)
    ]


def _body(field: FieldGeometry, plot: Plot, band: tuple[float, float], chart_id: str) -> list[str]:
    x, total = plot.pxs(field.position_m), field.total_percent
    low, high = plot.py(band[0]), plot.py(band[1])
    short = np.where(_widened(total < band[0]), np.minimum(total, band[0]), np.nan)
    excess = np.where(_widened(total > band[1]), np.maximum(total, band[1]), np.nan)
    under = area_d(x, plot.pys(short), np.full_like(x, low))
    over = area_d(x, plot.pys(excess), np.full_like(x, high))
    parts = [path("sw-flight-lines", _flight_lines_d(field, plot))]
    for d, side, kind in ((under, "under", "low"), (over, "over", "high")):
        parts.append(path(f"sw-{side}-tint", d))
        parts.append(f'<path class="sw-{side}-hatch" d="{d}" fill="url(#{chart_id}-{kind})"/>')
    for class_name, odd in (("sw-line", 0), ("sw-line-other", 1)):
        parts.append(path(class_name, _lines_d(field, plot, x, odd)))
    for level in band:
        parts.append(line("sw-band-level", plot.left, plot.py(level), plot.right, plot.py(level)))
    parts.append(line("sw-mean-level", plot.left, plot.py(100.0), plot.right, plot.py(100.0)))
    parts.append(path("sw-total", curve_d(x, plot.pys(total))))
    return parts


def _widened(there: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Take the neighbours in, so that an area begins and ends on its level."""
    wider = there.copy()
    wider[1:] |= there[:-1]
    wider[:-1] |= there[1:]
    return wider


def _line_numbers(field: FieldGeometry) -> NDArray[np.intp]:
    """Number the lines from the middle one, which lies at 0."""
    middle = int(np.argmin(np.abs(field.line_m)))
    return np.arange(field.line_m.size) - middle


def _lines_d(field: FieldGeometry, plot: Plot, x: Floats, odd: int) -> str:
    pieces = []
    for number, row in zip(_line_numbers(field).tolist(), field.lines_percent, strict=True):
        there = np.flatnonzero(row)
        if number % 2 == odd and there.size > 1:
            part = slice(int(there[0]), int(there[-1]) + 1)
            pieces.append(curve_d(x[part], plot.pys(row[part])))
    return "".join(pieces)


def _flight_lines_d(field: FieldGeometry, plot: Plot) -> str:
    inside = [at for at in field.line_m.tolist() if plot.x_min <= at <= plot.x_max]
    top, bottom = num(plot.top), num(plot.bottom)
    return "".join(f"M{num(plot.px(at))},{top}V{bottom}" for at in inside)


def _direction_word(manner: Manner, mirrored: bool) -> str:
    if manner == "one_way":
        return ""
    return "back" if mirrored else "out"


def _directions(field: FieldGeometry, sheet: Sheet, manner: Manner) -> list[str]:
    """Under each flight line, an arrow and a word for the way it is flown."""
    plot, font = sheet.plot, sheet.size.font
    lines = field.line_m
    crowded = lines.size > 1 and plot.px(float(lines[1])) - plot.px(float(lines[0])) < 4 * font
    parts = []
    for at, mirrored in zip(lines.tolist(), field.mirrored.tolist(), strict=True):
        if not plot.x_min <= at <= plot.x_max:
            continue
        x, y = plot.px(at), sheet.under_y
        word = "" if crowded else _direction_word(manner, mirrored)
        room = (10.0 + width_px(word, font)) / 2
        x = min(x, plot.right - room)
        parts.append(triangle("sw-direction", up=not mirrored)(x - room + 4, y - font * 0.34, 8))
        if word:
            parts.append(words("sw-tick", x - room + 11, y, word))
    return ['<g class="sw-directions">', *parts, "</g>"]
