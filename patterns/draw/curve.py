"""CV against swath, both ways of flying, with the limit, the bounds and the recommended swaths."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from patterns.analyse import Analysis
from patterns.draw.frame import WIDE, Axis, Flag, Furniture, Key, Mark, Note, Sheet, Size
from patterns.draw.lettering import Crowd, width_px
from patterns.draw.scales import (
    Plot,
    System,
    length_ticks_m,
    length_words,
    nice_step,
    nice_ticks,
    tick_text,
)
from patterns.draw.signs import area_key, disc, hatch, square, triangle
from patterns.draw.svg import area_d, curve_d, line, path, words
from patterns.overlap import MANNERS, Manner
from patterns.swath import SwathChoice
from patterns.uniformity import ManneredCurve

Floats = NDArray[np.float64]

MANNER_WORDS: Final[dict[Manner, str]] = {
    "one_way": "one way",
    "back_and_forth": "back and forth",
}
_CLASS: Final[dict[Manner, str]] = {"one_way": "one-way", "back_and_forth": "back-and-forth"}
# The rule that decided, short enough to stand on a chart; the full reason is in the choice itself.
_SHORT_REASONS: Final = {
    "line_error": "wider swaths pass, but not with the lines flown {error} off",
    "upper_bound": "wider swaths pass on the mean, but the passes differ too much to be sure",
    "mean_curve": "wider swaths are over the limit",
    "sweep_end": "wider ones lie too near the end of the sweep to judge",
    "one_pass": "one pass only, so how sure it is cannot be said",
    "none_passes": "every swath is over the limit",
    "none_sure": "some pass on the mean, none surely",
    "none_steady": "none holds with the lines flown {error} off",
}


def cv_chart(
    analysis: Analysis,
    *,
    system: System,
    chosen_swath_m: float | None = None,
    chosen_word: str = "chosen",
    chart_id: str = "cv",
    size: Size = WIDE,
) -> str:
    """Draw the CV of the overlapped deposit against swath for both ways of flying.

    Parameters
    ----------
    analysis : Analysis
        A finished analysis. Bounds that are not a number (one pass) are not drawn.
    system : {"us", "metric"}
        Feet or metres along the axis.
    chosen_swath_m : float, optional
        A swath to mark besides the recommended ones [m].
    chosen_word : str
        What that swath is called: chosen, approved.
    chart_id : str
        Id of the drawing.
    size : Size
        `WIDE`, `PAPER`, `COMPACT` or another.

    Returns
    -------
    str
        A complete ``<svg>``.
    """
    sweep = analysis.uniformity
    limit = analysis.parameters.cv_limit_percent
    upward = _cv_axis(analysis)
    furniture = Furniture(
        kind="sw-cv",
        title="Evenness of the overlapped deposit against swath",
        description=_description(analysis, system, chosen_swath_m, chosen_word),
        x=_swath_axis(analysis, upward.high, chosen_swath_m, system, size),
        y=upward,
        keys=_keys(analysis, chart_id),
        flags=_flags(analysis, system, chosen_swath_m, chosen_word),
        notes=[_note(analysis, manner, system) for manner in MANNERS],
    )
    sheet = Sheet(chart_id, size, furniture)
    plot, crowd = sheet.plot, _crowd(sheet.plot)
    x = plot.pxs(sweep.swath_m)
    body: list[str] = []
    for manner in MANNERS:
        body += _band(analysis, manner, plot, x, chart_id)
    body.append(line("sw-limit", plot.left, plot.py(limit), plot.right, plot.py(limit)))
    # The dashed curve comes second: where both run together it still shows on the whole one.
    for manner in MANNERS:
        curve = _curve(analysis, manner)
        d = curve_d(x, plot.pys(curve.cv_percent))
        body.append(path(f"sw-{_CLASS[manner]}", d, data_manner=manner))
        for side in (curve.cv_percent, curve.low_percent, curve.high_percent):
            crowd.add_curve(*_denser(x, plot.pys(side)))
    limit_y = np.full(200, plot.py(limit))
    crowd.add_curve(np.linspace(plot.left, plot.right, 200), limit_y)
    # Where both stand at one place the square still looks out from under the disc.
    for manner in reversed(MANNERS):
        body += _recommended(analysis, manner, plot, crowd)
    if chosen_swath_m is not None:
        body.append(_upright("sw-chosen", chosen_swath_m, plot, crowd))
    body += _labels(analysis, plot, x, crowd, size)
    return sheet.render(body, [_band_hatch(chart_id)])


def manner_mark(manner: Manner) -> Mark:
    """Sign of a way of flying: a disc for one way, a square for back and forth."""
    sign = disc if manner == "one_way" else square
    return sign(f"sw-{_CLASS[manner]}-mark")


def _curve(analysis: Analysis, manner: Manner) -> ManneredCurve:
    sweep = analysis.uniformity
    return sweep.one_way if manner == "one_way" else sweep.back_and_forth


def _choice(analysis: Analysis, manner: Manner) -> SwathChoice:
    both = analysis.recommended
    return both.one_way if manner == "one_way" else both.back_and_forth


def _swath_axis(
    analysis: Analysis, highest_cv: float, chosen_m: float | None, system: System, size: Size
) -> Axis:
    """Show the sweep as far out as a curve or a marked swath can still be seen."""
    sweep = analysis.uniformity
    low, high = float(sweep.swath_m[0]), float(sweep.swath_m[-1])
    lower = np.fmin(sweep.one_way.cv_percent, sweep.back_and_forth.cv_percent)
    seen = sweep.swath_m[np.flatnonzero(lower <= highest_cv)]
    marks = [_choice(analysis, manner).swath_m for manner in MANNERS] + [chosen_m]
    last = max([low, *seen.tolist(), *(mark for mark in marks if mark is not None)])
    high = min(high, last + 0.12 * (last - low)) if last <= high else last
    if not high > low:
        low, high = low - 0.5, high + 0.5
    ticks = length_ticks_m(low, high, 7 if size.compact else 12, system)
    unit = "feet" if system == "us" else "metres"
    return Axis(f"Swath, {unit}", low, high, ticks)


def _cv_axis(analysis: Analysis) -> Axis:
    """Show all that matters beside the limit; what is far above it runs off the top."""
    limit = analysis.parameters.cv_limit_percent
    sweep = analysis.uniformity
    reached = np.concatenate([sweep.one_way.cv_percent, sweep.back_and_forth.cv_percent])
    high = min(float(np.nanmax(reached)) * 1.05, 2.4 * limit)
    high = max(high, 1.5 * limit)
    step = nice_step(high, 6)
    high = step * math.ceil(high / step - 1e-9)
    ticks = [(tick, tick_text(tick, step)) for tick in nice_ticks(0.0, high, 6)]
    return Axis("CV of the deposit, %", 0.0, high, ticks)


def _has_bounds(curve: ManneredCurve) -> bool:
    return bool(np.any(np.isfinite(curve.low_percent) & np.isfinite(curve.high_percent)))


def _keys(analysis: Analysis, chart_id: str) -> list[Key]:
    sure = f"{100 * analysis.uniformity.confidence:.0f} % bounds"
    keys = []
    for manner in MANNERS:
        name, text = _CLASS[manner], MANNER_WORDS[manner]
        if not _has_bounds(_curve(analysis, manner)):
            keys.append(Key(area_key("", stroke=f"sw-{name}"), text))
        elif manner == "one_way":
            keys.append(Key(area_key("", "sw-one-way-band", "sw-one-way"), f"{text}, {sure}"))
        else:
            fill = f"url(#{chart_id}-band)"
            keys.append(Key(area_key(fill, stroke=f"sw-{name}"), f"{text}, {sure}"))
    return keys


def _band_hatch(chart_id: str) -> str:
    return hatch(f"{chart_id}-band", "sw-back-and-forth-hatch", "rising", 5.0)


def _band(analysis: Analysis, manner: Manner, plot: Plot, x: Floats, chart_id: str) -> list[str]:
    curve = _curve(analysis, manner)
    d = area_d(x, plot.pys(curve.high_percent), plot.pys(curve.low_percent))
    if not d:
        return []
    if manner == "one_way":
        return [path("sw-one-way-band", d)]
    return [f'<path class="sw-back-and-forth-band" d="{d}" fill="url(#{chart_id}-band)"/>']


def _denser(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    at = np.linspace(float(x[0]), float(x[-1]), 240)
    return at, np.interp(at, x, y)


def _crowd(plot: Plot) -> Crowd:
    return Crowd(plot.left + 3, plot.top + 2, plot.right - 3, plot.bottom - 3)


def _flags(
    analysis: Analysis, system: System, chosen_m: float | None, chosen_word: str
) -> list[Flag]:
    flags = []
    one, other = (_choice(analysis, manner).swath_m for manner in MANNERS)
    if one is not None and one == other:
        flags.append(Flag(one, f"{length_words(one, system)} both ways", manner_mark("one_way")))
    else:
        flags = [
            Flag(swath_m, length_words(swath_m, system), manner_mark(manner))
            for manner, swath_m in zip(MANNERS, (one, other), strict=True)
            if swath_m is not None
        ]
    if chosen_m is not None:
        mark = triangle("sw-chosen-mark", up=False)
        flags.append(Flag(chosen_m, f"{length_words(chosen_m, system)} {chosen_word}", mark))
    return flags


def _recommended(analysis: Analysis, manner: Manner, plot: Plot, crowd: Crowd) -> list[str]:
    choice = _choice(analysis, manner)
    if choice.swath_m is None or choice.cv_percent is None:
        return []
    x, y = plot.px(choice.swath_m), plot.py(choice.cv_percent)
    return [
        _upright(f"sw-{_CLASS[manner]}-drop", choice.swath_m, plot, crowd),
        manner_mark(manner)(x, y, 11.0),
    ]


def _upright(class_name: str, swath_m: float, plot: Plot, crowd: Crowd) -> str:
    """Draw a line over the whole height at one swath, and keep labels off it."""
    x = plot.px(swath_m)
    crowd.add_curve(np.full(60, x), np.linspace(plot.top, plot.bottom, 60))
    return line(class_name, x, plot.top, x, plot.bottom)


def _labels(analysis: Analysis, plot: Plot, x: Floats, crowd: Crowd, size: Size) -> list[str]:
    parts = []
    limit = analysis.parameters.cv_limit_percent
    text = f"limit {limit:g} %"
    wide, tall = width_px(text, size.font), size.font * 1.1
    level = plot.py(limit)
    spots = np.linspace(plot.left + wide / 2 + 6, plot.right - wide / 2 - 6, 15)
    candidates = [(float(s), level + d) for d in (-tall * 0.75, tall * 0.75) for s in spots]
    at = crowd.place(wide, tall, candidates)
    parts.append(words("sw-label", at[0], at[1] + size.font * 0.35, text, anchor="middle"))
    for manner in MANNERS:
        text = MANNER_WORDS[manner]
        wide = width_px(text, size.font, bold=True)
        curve_x, curve_y = _denser(x, plot.pys(_curve(analysis, manner).cv_percent))
        at = crowd.place(wide, tall, _beside(curve_x, curve_y, wide, tall))
        name = f"sw-{_CLASS[manner]}-text"
        parts.append(words(name, at[0], at[1] + size.font * 0.35, text, anchor="middle"))
    return parts


def _beside(x: Floats, y: Floats, wide: float, tall: float) -> list[tuple[float, float]]:
    """Stand label middles to either side of a curve, from its outer end inwards, then farther."""
    spots = []
    for reach in (0.75, 1.2, 1.9, 2.8):
        for share in np.linspace(0.97, 0.1, 24):
            index = int(share * (x.size - 1))
            here_x, here_y = float(x[index]), float(y[index])
            side = wide / 2 + 7 * reach
            spots += [
                (here_x - side, here_y - tall * reach),
                (here_x + side, here_y + tall * reach),
                (here_x, here_y - tall * reach),
                (here_x, here_y + tall * reach),
            ]
    return spots


def _note(analysis: Analysis, manner: Manner, system: System) -> Note:
    choice = _choice(analysis, manner)
    name = MANNER_WORDS[manner].capitalize()
    error = length_words(choice.line_error_m, system)
    short = _SHORT_REASONS.get(choice.rule, "").format(error=error)
    if choice.swath_m is None or choice.cv_percent is None:
        return Note(f"{name}: no swath recommended; {short}.", manner_mark(manner))
    text = f"{name} {length_words(choice.swath_m, system)}, CV {choice.cv_percent:.0f} %"
    low, high = choice.cv_low_percent, choice.cv_high_percent
    if low is not None and high is not None and math.isfinite(low) and math.isfinite(high):
        text += f" ({low:.0f} to {high:.0f})"
    return Note(f"{text}: {short}." if short else f"{text}.", manner_mark(manner))


def _description(
    analysis: Analysis, system: System, chosen_m: float | None, chosen_word: str
) -> str:
    sweep, limit = analysis.uniformity, analysis.parameters.cv_limit_percent
    low = length_words(float(sweep.swath_m[0]), system)
    high = length_words(float(sweep.swath_m[-1]), system)
    parts = [
        f"Coefficient of variation of the overlapped deposit for swaths from {low} to {high}, "
        f"flown one way and back and forth, with the limit of {limit:g} %."
    ]
    parts += [_note(analysis, manner, system).text for manner in MANNERS]
    if not _has_bounds(sweep.one_way):
        parts.append("No bounds are drawn: they need two passes or more.")
    if chosen_m is not None:
        parts.append(f"{chosen_word.capitalize()} swath {length_words(chosen_m, system)}.")
    return " ".join(parts)
