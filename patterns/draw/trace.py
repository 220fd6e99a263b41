"""One pass: readings as they came, the background under them, and the deposit kept."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from patterns.draw.frame import WIDE, Axis, Flag, Furniture, Key, Mark, Note, Sheet, Size
from patterns.draw.passes import letter, zero_line
from patterns.draw.scales import Plot, System, length_ticks_m, nice_ticks, span_words, tick_text
from patterns.draw.signs import area_key, cross, stroke_key, triangle
from patterns.draw.svg import area_d, curve_d, line, path
from patterns.remarks import Remark
from patterns.trace import PreparedPass
from patterns.tracefile import Trace

Floats = NDArray[np.float64]
_MARK_GAP_PX: Final = 10.0


def trace_chart(
    trace: Trace,
    prepared: PreparedPass | None = None,
    *,
    step_m: float | None = None,
    system: System,
    chart_id: str = "trace",
    size: Size = WIDE,
    say: Callable[[str], str] = str,
) -> str:
    """Draw one pass.

    Parameters
    ----------
    trace : Trace
        The readings as the file held them.
    prepared : PreparedPass, optional
        What was made of it: its background, the deposit kept and its ends are drawn too.
    step_m : float, optional
        Step of the grid of `prepared`, whose middle lies on the flight line [m]; needed with it.
    system : {"us", "metric"}
        Feet or metres along the axis.
    chart_id : str
        Id of the drawing.
    size : Size
        `WIDE`, `PAPER`, `COMPACT` or another.
    say : callable, optional
        Puts a remark, whose numbers are metric, into the reader's units.

    Returns
    -------
    str
        A complete ``<svg>``. Saturated readings are crossed; remarks about a stretch are marked
        over it with a letter and told below.
    """
    found = prepared.remarks if prepared is not None else trace.remarks
    remarks = [replace(remark, text=say(remark.text)) for remark in found]
    placed = [remark for remark in remarks if remark.from_m is not None]
    half_m = float(np.max(np.abs(trace.position_m))) * 1.01
    furniture = Furniture(
        kind="sw-trace",
        title=f"Readings along the string: {trace.source}",
        description=_description(trace, prepared, remarks, system),
        x=_across(half_m, system, size),
        y=_upward(trace),
        keys=_keys(trace, prepared),
        flags=[_flag(remark, index) for index, remark in enumerate(placed)],
        notes=_notes(placed),
        wings=True,
    )
    sheet = Sheet(chart_id, size, furniture)
    plot = sheet.plot
    body = [zero_line(plot)]
    x = plot.pxs(trace.position_m)
    if prepared is not None and step_m is not None:
        body += _kept(prepared, step_m, plot)
        body += _made(prepared, step_m, plot)
    # The readings lie on top, so that what smoothing and filling did to them shows.
    body.append(path("sw-raw", curve_d(x, plot.pys(trace.reading), 900)))
    return sheet.render(body, (), _saturated(trace, plot))


def _across(half_m: float, system: System, size: Size) -> Axis:
    unit = "Feet" if system == "us" else "Metres"
    name = f"{unit} from flight line" if size.compact else f"{unit} from the flight line"
    ticks = length_ticks_m(-half_m, half_m, 7 if size.compact else 13, system)
    return Axis(name, -half_m, half_m, ticks)


def _upward(trace: Trace) -> Axis:
    good = trace.reading[np.isfinite(trace.reading)]
    low = min(0.0, float(np.min(good, initial=0.0)))
    high = float(np.max(good, initial=0.0)) * 1.06
    high = high if high > low else low + 1.0
    ticks = nice_ticks(low, high, 5)
    step = ticks[1] - ticks[0] if len(ticks) > 1 else 1.0
    unit = "counts" if trace.kind == "counts" else "counts · nm"
    texts = [(tick, tick_text(tick, step)) for tick in ticks]
    return Axis(f"Reading, {unit}", low, high, texts)


def _keys(trace: Trace, prepared: PreparedPass | None) -> list[Key]:
    keys = [Key(stroke_key("sw-raw"), "reading")]
    if prepared is not None:
        keys.append(Key(stroke_key("sw-background"), "background"))
        keys.append(Key(area_key("", "sw-kept", "sw-deposit"), "deposit kept"))
    if np.any(trace.saturated):
        keys.append(Key(_small(cross("sw-saturated")), "saturated"))
    return keys


def _small(mark: Mark) -> Mark:
    return lambda x, y, wide: mark(x, y, min(wide, 10.0))


def _flag(remark: Remark, index: int) -> Flag:
    start = remark.from_m if remark.from_m is not None else 0.0
    end = remark.to_m if remark.to_m is not None else start
    mark = triangle("sw-low-mark", up=False)
    return Flag((start + end) / 2, letter(index), mark, start, end, "sw-remark-bracket")


def _notes(placed: list[Remark]) -> list[Note]:
    mark = triangle("sw-low-mark", up=False)
    return [Note(remark.text, mark, letter(index)) for index, remark in enumerate(placed)]


def _grid_positions_m(prepared: PreparedPass, step_m: float) -> Floats:
    half = (prepared.deposit.size - 1) // 2
    return step_m * np.arange(-half, half + 1, dtype=np.float64)


def _kept(prepared: PreparedPass, step_m: float, plot: Plot) -> list[str]:
    from_m, to_m = prepared.extent_m
    at = _grid_positions_m(prepared, step_m)
    inside = np.flatnonzero((at >= from_m) & (at <= to_m))
    if inside.size < 2:
        return []
    floor = prepared.background[inside]
    upper = plot.pys(floor + np.maximum(prepared.deposit[inside], 0.0))
    return [path("sw-kept", area_d(plot.pxs(at[inside]), upper, plot.pys(floor)))]


def _made(prepared: PreparedPass, step_m: float, plot: Plot) -> list[str]:
    at = _grid_positions_m(prepared, step_m)
    floor = np.where(prepared.covered, prepared.background, np.nan)
    parts = [path("sw-background", curve_d(plot.pxs(at), plot.pys(floor)))]
    from_m, to_m = prepared.extent_m
    inside = np.flatnonzero((at >= from_m) & (at <= to_m))
    if inside.size < 2:
        return parts
    upper = plot.pys((prepared.background + prepared.deposit)[inside])
    parts.append(path("sw-deposit", curve_d(plot.pxs(at[inside]), upper)))
    for end in (from_m, to_m):
        x = plot.px(end)
        parts.append(line("sw-extent", x, plot.bottom - 14, x, plot.bottom))
    return parts


def _saturated(trace: Trace, plot: Plot) -> list[str]:
    """Cross saturated readings, or of those side by side as many as can be told apart."""
    at = np.flatnonzero(trace.saturated)
    mark = cross("sw-saturated")
    x, y = plot.pxs(trace.position_m[at]), plot.pys(trace.reading[at])
    parts, last = [], -math.inf
    for px, py in zip(x.tolist(), y.tolist(), strict=True):
        if px - last >= _MARK_GAP_PX:
            parts.append(mark(px, py, 9.0))
            last = px
    return parts


def _description(
    trace: Trace, prepared: PreparedPass | None, remarks: Sequence[Remark], system: System
) -> str:
    ends = span_words(float(trace.position_m[0]), float(trace.position_m[-1]), system)
    parts = [f"{trace.position_m.size} readings from {ends}, seen from behind the aircraft."]
    if np.any(trace.saturated):
        parts.append(f"{int(np.count_nonzero(trace.saturated))} readings are saturated.")
    if prepared is not None and np.isfinite(prepared.extent_m[0]):
        parts.append(f"Deposit kept from {span_words(*prepared.extent_m, system)}.")
    parts += [remark.text for remark in remarks]
    return " ".join(parts)
