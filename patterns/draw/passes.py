"""The passes, their mean and the spread between them, and a tiny form of it for lists."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from patterns.analyse import Analysis
from patterns.draw.frame import WIDE, Axis, Flag, Furniture, Key, Mark, Note, Sheet, Size
from patterns.draw.palette import FONT
from patterns.draw.scales import (
    Plot,
    System,
    length_ticks_m,
    length_unit,
    nice_ticks,
    span_words,
    tick_text,
)
from patterns.draw.signs import area_key, hatch, stroke_key, triangle
from patterns.draw.svg import area_d, checked_id, curve_d, element, escape, line, num, path
from patterns.units import from_si
from patterns.zones import Zone

Floats = NDArray[np.float64]
LETTERS: Final = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


def letter(index: int) -> str:
    """Name a finding by its number, left to right: A … Z, then A2 … ."""
    again = index // len(LETTERS)
    return LETTERS[index % len(LETTERS)] + (str(again + 1) if again else "")


def finding_words(zone: Zone, system: System, pass_count: int) -> str:
    """Say a finding in one sentence without its letter."""
    over = "under" if zone.kind == "low" else "over"
    name = "Low" if zone.kind == "low" else "High"
    place = span_words(zone.from_m, zone.to_m, system)
    text = f"{name}, {place}: {abs(zone.depth_percent):.0f} % {over} the smooth shape"
    if pass_count < 2:
        return f"{text}; one pass only, so it may be chance."
    if zone.in_every_pass:
        return f"{text}, in every pass."
    return f"{text}, not in every pass."


def passes_chart(
    analysis: Analysis,
    *,
    system: System,
    chart_id: str = "passes",
    size: Size = WIDE,
    notes: bool = True,
) -> str:
    """Draw every pass thin, their mean strong, the spread as a band, the findings marked.

    Parameters
    ----------
    analysis : Analysis
        A finished analysis. Passes that were left out are drawn dotted.
    system : {"us", "metric"}
        Feet or metres along the axis.
    chart_id : str
        Id of the drawing; the ids inside begin with it, so charts can share a page.
    size : Size
        `WIDE`, `PAPER`, `COMPACT` or another.
    notes : bool
        Whether the findings stand in words below; False where they stand beside the chart.

    Returns
    -------
    str
        A complete ``<svg>``. Deposit is shown in percent of the highest mean.
    """
    pattern = analysis.pattern
    peak = float(np.max(pattern.deposit))
    share = 100.0 / peak if peak > 0.0 else 0.0
    left_out = [outcome for outcome in analysis.passes if not outcome.accepted]
    half_m = _half_width_m(analysis)
    top = float(np.max(pattern.passes)) * share
    high = float(min(max(110.0, top * 1.04), 220.0))
    furniture = Furniture(
        kind="sw-passes",
        title=_title(analysis),
        description=_description(analysis, system),
        summary="" if size.compact else _summary(analysis),
        x=_across(half_m, system, size),
        y=_upward("Deposit, % of the highest mean", high),
        keys=_keys(analysis, bool(left_out)),
        flags=[_flag(zone, index, size) for index, zone in enumerate(analysis.findings)],
        notes=_notes(analysis, system) if notes else (),
        wings=True,
    )
    sheet = Sheet(chart_id, size, furniture)
    plot = sheet.plot
    x = plot.pxs(pattern.position_m)
    shown = np.flatnonzero(np.abs(pattern.position_m) <= half_m * 1.02)
    body = [_findings(analysis, plot, x, share, chart_id)]
    body += _spread(analysis, plot, x, share, shown)
    for outcome in left_out:
        shift = outcome.centre_m if pattern.centring == "deposition" else 0.0
        at = plot.pxs(pattern.position_m - (shift if np.isfinite(shift) else 0.0))
        body.append(
            path("sw-pass-out", curve_d(at[shown], plot.pys(outcome.deposit[shown] * share)))
        )
    for row in pattern.passes:
        body.append(path("sw-pass", curve_d(x[shown], plot.pys(row[shown] * share))))
    body.append(zero_line(plot))
    body.append(path("sw-mean", curve_d(x[shown], plot.pys(pattern.deposit[shown] * share))))
    return sheet.render(body, finding_hatches(chart_id))


def finding_hatches(chart_id: str) -> list[str]:
    """Define the two hatches of low and high."""
    return [
        hatch(f"{chart_id}-low", "sw-low-hatch", "falling"),
        hatch(f"{chart_id}-high", "sw-high-hatch", "rising"),
    ]


def zero_line(plot: Plot) -> str:
    """Draw the flight line, from the ground up."""
    return line("sw-flight-line", plot.px(0.0), plot.top, plot.px(0.0), plot.bottom)


def finding_mark(kind: str) -> Mark:
    """Sign of a finding: a triangle down for low, up for high."""
    return triangle(f"sw-{kind}-mark", up=kind == "high")


def spark_chart(
    analysis: Analysis, *, chart_id: str = "spark", width: float = 120.0, height: float = 32.0
) -> str:
    """Draw the mean pattern alone, without words, for a row of a list.

    Parameters
    ----------
    analysis : Analysis
        A finished analysis.
    chart_id : str
        Id of the drawing.
    width, height : float
        Size of the drawing [px].

    Returns
    -------
    str
        A complete ``<svg>`` with title and description.
    """
    ident, pattern = checked_id(chart_id), analysis.pattern
    half_m = _half_width_m(analysis)
    plot = Plot(1.0, 2.0, width - 1.0, height - 4.0, -half_m, half_m, 0.0, 1.0)
    shown = np.flatnonzero(np.abs(pattern.position_m) <= half_m)
    x = plot.pxs(pattern.position_m[shown])
    peak = float(np.max(pattern.deposit))
    y = plot.pys(np.maximum(pattern.deposit[shown], 0.0) / (peak if peak > 0.0 else 1.0))
    ground = np.full_like(y, plot.bottom)
    parts = [
        path("sw-spread", area_d(x, y, ground, 160)),
        line("sw-flight-line", plot.px(0.0), plot.bottom + 3, plot.px(0.0), plot.top),
        line("sw-tick-mark", plot.left, plot.bottom, plot.right, plot.bottom),
        path("sw-mean", curve_d(x, y, 160), stroke_width="1.8"),
    ]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" id="{ident}" class="sw-chart sw-spark" '
        f'viewBox="0 0 {num(width)} {num(height)}" width="{num(width)}" height="{num(height)}" '
        f'role="img" aria-labelledby="{ident}-title {ident}-desc" font-family="{FONT}">'
        f'<title id="{ident}-title">Mean pattern</title>'
        f'<desc id="{ident}-desc">{escape(_passes_words(analysis))}, seen from behind, left wing '
        f"left.</desc>{''.join(parts)}</svg>"
    )


def _half_width_m(analysis: Analysis) -> float:
    """Reach of the axis to either side, so that the deposit of every accepted pass fits."""
    pattern = analysis.pattern
    shift = pattern.centring == "deposition"
    ends = [
        abs(end - (outcome.centre_m if shift else 0.0))
        for outcome in analysis.passes
        if outcome.accepted
        for end in outcome.extent_m
        if np.isfinite(end)
    ]
    widest = float(np.max(np.abs(pattern.position_m)))
    return min(max([2.0, *ends]) * 1.06, widest) if ends else widest


def _passes_words(analysis: Analysis) -> str:
    count = analysis.pattern.passes.shape[0]
    return "One pass" if count == 1 else f"Mean of {count} passes"


def _title(analysis: Analysis) -> str:
    count = analysis.pattern.passes.shape[0]
    what = "one pass" if count == 1 else f"{count} passes and their mean"
    return f"Deposit across the flight line: {what}"


def _summary(analysis: Analysis) -> str:
    repeat = analysis.pattern.repeatability_percent
    text = "Seen from behind the aircraft."
    if np.isfinite(repeat):
        text += f" The passes differ from their mean by {repeat:.0f} % of the deposit."
    return text


def _description(analysis: Analysis, system: System) -> str:
    pattern, unit = analysis.pattern, length_unit(system)
    centre = from_si(pattern.centre_m, unit)
    side = "left" if centre < 0 else "right"
    parts = [
        f"{_passes_words(analysis)}, seen from behind the aircraft, left wing left.",
        f"The centre of deposition lies {abs(centre):.1f} {unit} {side} of the flight line, with "
        f"{100 * pattern.left_share:.0f} % of the deposit left of it.",
    ]
    if pattern.passes.shape[0] > 1:
        parts.append("A band shows one standard deviation between the passes.")
    out = sum(not outcome.accepted for outcome in analysis.passes)
    if out:
        parts.append(f"{out} pass{'es' if out > 1 else ''} left out.")
    count = pattern.passes.shape[0]
    for index, zone in enumerate(analysis.findings):
        parts.append(f"{letter(index)}: {finding_words(zone, system, count)}")
    if not analysis.findings:
        parts.append("No low or high zone stands in every pass.")
    return " ".join(parts)


def _across(half_m: float, system: System, size: Size) -> Axis:
    unit = "Feet" if system == "us" else "Metres"
    name = f"{unit} from flight line" if size.compact else f"{unit} from the flight line"
    ticks = length_ticks_m(-half_m, half_m, 7 if size.compact else 13, system)
    return Axis(name, -half_m, half_m, ticks)


def _upward(name: str, high: float) -> Axis:
    ticks = nice_ticks(0.0, high, 8)
    step = ticks[1] - ticks[0]
    return Axis(name, 0.0, high, [(tick, tick_text(tick, step)) for tick in ticks])


def _keys(analysis: Analysis, left_out: bool) -> list[Key]:
    count = analysis.pattern.passes.shape[0]
    if count == 1:
        keys = [Key(stroke_key("sw-mean"), "the pass")]
    else:
        keys = [
            Key(stroke_key("sw-mean"), "mean"),
            Key(stroke_key("sw-pass"), "each pass"),
            Key(area_key("", "sw-spread"), "± s.d. between passes"),
        ]
    if left_out:
        keys.append(Key(stroke_key("sw-pass-out"), "left out"))
    return keys


def _flag(zone: Zone, index: int, size: Size) -> Flag:
    sign = "−" if zone.depth_percent < 0 else "+"
    depth = "" if size.compact else f" {sign}{abs(zone.depth_percent):.0f} %"
    return Flag(
        at=zone.centre_m,
        text=letter(index) + depth,
        mark=finding_mark(zone.kind),
        from_x=zone.from_m,
        to_x=zone.to_m,
        bracket=f"sw-{zone.kind}-bracket",
    )


def _notes(analysis: Analysis, system: System) -> list[Note]:
    count = analysis.pattern.passes.shape[0]
    return [
        Note(finding_words(zone, system, count), finding_mark(zone.kind), letter(index))
        for index, zone in enumerate(analysis.findings)
    ]


def _spread(
    analysis: Analysis, plot: Plot, x: Floats, share: float, shown: NDArray[np.intp]
) -> list[str]:
    pattern = analysis.pattern
    if pattern.passes.shape[0] < 2:
        return []
    upper = plot.pys((pattern.deposit + pattern.spread)[shown] * share)
    lower = plot.pys(np.maximum(pattern.deposit - pattern.spread, 0.0)[shown] * share)
    return [path("sw-spread", area_d(x[shown], upper, lower))]


def _findings(analysis: Analysis, plot: Plot, x: Floats, share: float, chart_id: str) -> str:
    parts = []
    position, deposit = analysis.pattern.position_m, analysis.pattern.deposit
    for zone in analysis.findings:
        inside = np.flatnonzero((position >= zone.from_m) & (position <= zone.to_m))
        if inside.size < 2:
            continue
        mean = plot.pys(np.maximum(deposit[inside], 0.0) * share)
        d = area_d(x[inside], mean, np.full_like(mean, plot.bottom))
        parts.append(element("path", f"sw-{zone.kind}-tint", d=d))
        parts.append(f'<path d="{d}" fill="url(#{chart_id}-{zone.kind})"/>')
    return "".join(parts)
