"""Seasons side by side: who took part, a share over the years, what changed from first to last."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from patterns.draw.frame import WIDE, Axis, Furniture, Key, Mark, Note, Sheet, Size
from patterns.draw.lettering import width_px
from patterns.draw.scales import Plot, System, length_unit, nice_step, nice_ticks, tick_text
from patterns.draw.signs import area_key, disc, hatch, square
from patterns.draw.svg import curve_d, element, line, path, words
from patterns.errors import InputError
from patterns.units import from_si

_BAR_SHARE: Final = 0.62  # of the room that a season has


@dataclass(frozen=True, slots=True)
class PartBar:
    """The members of one season: those that came for the first time, again, and not at all."""

    season: str
    first_timers: int
    returners: int
    no_part: int

    @property
    def part(self) -> int:
        """Return how many took part."""
        return self.first_timers + self.returners

    @property
    def whole(self) -> int:
        """Return how many there were."""
        return self.part + self.no_part


@dataclass(frozen=True, slots=True)
class SharePoint:
    """A share of one season: so many of so many. No share where there was nothing."""

    season: str
    part: int
    whole: int

    @property
    def percent(self) -> float | None:
        """Return the share in per cent; None of nothing."""
        return 100.0 * self.part / self.whole if self.whole else None


@dataclass(frozen=True, slots=True)
class ChangeBar:
    """Medians of one season, first and last; None where `count` aircraft are none."""

    season: str
    first: float | None
    last: float | None
    count: int


def part_chart(
    bars: Sequence[PartBar], *, what: str, chart_id: str = "part", size: Size = WIDE
) -> str:
    """Draw who took part, season by season, as bars in three pieces.

    Parameters
    ----------
    bars : sequence of PartBar
        The seasons, the earliest first; at least one.
    what : str
        Who is counted, in the plural: "operators".
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
        Without a season.
    """
    names = _names(bars)
    upward = _count_axis(max(bar.whole for bar in bars), what.capitalize())
    furniture = Furniture(
        kind="sw-tally",
        title=f"{what.capitalize()} that took part, by season",
        description=" ".join(
            f"{bar.season}: {bar.part} took part ({bar.first_timers} for the first time, "
            f"{bar.returners} again), {bar.no_part} took no part."
            for bar in bars
        ),
        x=_season_axis(names, size),
        y=upward,
        keys=[
            Key(area_key("", "sw-bar"), "for the first time"),
            Key(area_key(f"url(#{chart_id}-again)", "sw-bar-hatched"), "came again"),
            Key(area_key("", "sw-bar-open"), "no part"),
        ],
    )
    sheet = Sheet(chart_id, size, furniture)
    body: list[str] = []
    for index, bar in enumerate(bars):
        body += _bar(sheet.plot, index, bar, chart_id, size)
    return sheet.render(body, [hatch(f"{chart_id}-again", "sw-bar-hatch", "rising", 5.0)])


def share_chart(
    points: Sequence[SharePoint],
    *,
    title: str,
    name: str,
    of_what: str,
    chart_id: str = "share",
    size: Size = WIDE,
) -> str:
    """Draw a share over the seasons as a line of points, each with its figure.

    Parameters
    ----------
    points : sequence of SharePoint
        The seasons, the earliest first; at least one. Where there was nothing there is a gap.
    title, name : str
        What the chart shows; what its upward axis is called, without the unit.
    of_what : str
        What the share is of: "aircraft in service".
    chart_id, size
        As in `part_chart`.

    Returns
    -------
    str
        A complete ``<svg>``.

    Raises
    ------
    InputError
        Without a season.
    """
    names = _names(points)
    ticks = [(float(tick), f"{tick}") for tick in range(0, 101, 20)]
    told = [
        f"{one.season}: {one.part} of {one.whole} {of_what}, {one.percent:.0f} %."
        if one.percent is not None
        else f"{one.season}: no {of_what}, so no share."
        for one in points
    ]
    furniture = Furniture(
        kind="sw-tally",
        title=title,
        description=" ".join(told),
        x=_season_axis(names, size),
        y=Axis(f"{name}, %", 0.0, 108.0, ticks),
    )
    sheet = Sheet(chart_id, size, furniture)
    plot = sheet.plot
    shares = np.array([math.nan if one.percent is None else one.percent for one in points])
    x = plot.pxs(np.arange(float(len(points))))
    body = [path("sw-share", curve_d(x, plot.pys(shares)))]
    for at, one in zip(x.tolist(), points, strict=True):
        if one.percent is None:
            continue
        y = plot.py(one.percent)
        body.append(disc("sw-share-mark")(at, y, 10.0))
        above = y - 10 if one.percent < 90 else y + 8 + size.font
        body.append(words("sw-label", at, above, f"{one.percent:.0f}", anchor="middle"))
    return sheet.render(body)


def change_chart(
    bars: Sequence[ChangeBar],
    *,
    quantity: Literal["cv", "swath"],
    system: System,
    chart_id: str = "change",
    size: Size = WIDE,
) -> str:
    """Draw the median of the first test and of the last, season by season.

    Parameters
    ----------
    bars : sequence of ChangeBar
        The seasons, the earliest first; at least one. CV in per cent, swath in metres.
    quantity : {"cv", "swath"}
        What changed.
    system : {"us", "metric"}
        Feet or metres, for the swath.
    chart_id, size
        As in `part_chart`.

    Returns
    -------
    str
        A complete ``<svg>``.

    Raises
    ------
    InputError
        Without a season.
    """
    names = _names(bars)
    unit = "%" if quantity == "cv" else length_unit(system)
    shown = [_in_unit(bar, quantity, system) for bar in bars]
    name = "CV" if quantity == "cv" else "swath"
    reached = [value for pair in shown if pair is not None for value in pair]
    axis_unit = "%" if quantity == "cv" else ("feet" if system == "us" else "metres")
    told = [
        f"{bar.season}: from {pair[0]:.1f} to {pair[1]:.1f} {unit}, {_of(bar.count)}."
        if pair is not None
        else f"{bar.season}: nothing to compare."
        for bar, pair in zip(bars, shown, strict=True)
    ]
    furniture = Furniture(
        kind="sw-tally",
        title=f"Median {name}, first test and last, by season",
        description=" ".join(told),
        x=_season_axis(names, size),
        y=_count_axis(max(reached, default=1.0), f"Median {name}, {axis_unit}"),
        keys=[
            Key(_disc_key("sw-from-mark"), "first test, recommended"),
            Key(_square_key("sw-share-mark"), "last test, approved"),
        ],
        notes=[Note("The number at the foot is of the aircraft compared.")],
    )
    sheet = Sheet(chart_id, size, furniture)
    body: list[str] = []
    for index, (bar, pair) in enumerate(zip(bars, shown, strict=True)):
        if pair is not None:
            body += _dumbbell(sheet.plot, index, pair, bar.count, size)
    return sheet.render(body)


def _disc_key(class_name: str) -> Mark:
    """Sign of the first test, of its own width in the row of keys."""
    sign = disc(class_name)
    return lambda x, y, _wide: sign(x, y, 11.0)


def _square_key(class_name: str) -> Mark:
    """Sign of the last test, of its own width in the row of keys."""
    sign = square(class_name)
    return lambda x, y, _wide: sign(x, y, 11.0)


def _names(bars: Sequence[PartBar | SharePoint | ChangeBar]) -> list[str]:
    if not bars:
        raise InputError("seasons", "there is none", "give at least one season")
    return [bar.season for bar in bars]


def _season_axis(names: Sequence[str], size: Size) -> Axis:
    """Name every season, or every second, third… where they would touch."""
    room = (size.width - 70.0) / len(names)
    widest = max(width_px(name, size.font) for name in names) + 8
    every = max(1, math.ceil(widest / room))
    last = len(names) - 1
    ticks = [(float(at), name) for at, name in enumerate(names) if (last - at) % every == 0]
    return Axis("Season", -0.6, last + 0.6, ticks)


def _count_axis(highest: float, name: str) -> Axis:
    """Return an axis from 0 to a round number with room for a figure above."""
    high = max(highest, 1.0) * 1.12
    step = max(nice_step(high, 5), 1.0)
    high = step * math.ceil(high / step - 1e-9)
    ticks = [(tick, tick_text(tick, step)) for tick in nice_ticks(0.0, high, 5)]
    return Axis(name, 0.0, high, [(v, t) for v, t in ticks if float(v).is_integer()])


def _bar(plot: Plot, index: int, bar: PartBar, chart_id: str, size: Size) -> list[str]:
    wide = (plot.px(1.0) - plot.px(0.0)) * _BAR_SHARE
    wide = min(wide, 90.0)
    left = plot.px(float(index)) - wide / 2
    pieces = (
        (bar.first_timers, "sw-bar", ""),
        (bar.returners, "sw-bar-hatched", f"url(#{chart_id}-again)"),
        (bar.no_part, "sw-bar-open", ""),
    )
    parts: list[str] = []
    floor = 0
    for count, class_name, fill in pieces:
        if not count:
            continue
        top, bottom = plot.py(float(floor + count)), plot.py(float(floor))
        box = {"x": left, "y": top, "width": wide, "height": bottom - top}
        if fill:
            parts.append(element("rect", class_name, **box, fill=fill))
        else:
            parts.append(element("rect", class_name, **box))
        floor += count
    text = f"{bar.part} of {bar.whole}"
    if width_px(text, size.font) > plot.px(1.0) - plot.px(0.0):
        text = f"{bar.part}"
    y = plot.py(float(bar.whole)) - 5
    parts.append(words("sw-label", left + wide / 2, y, text, anchor="middle"))
    return parts


def _in_unit(bar: ChangeBar, quantity: str, system: System) -> tuple[float, float] | None:
    if bar.first is None or bar.last is None:
        return None
    if quantity == "cv":
        return bar.first, bar.last
    unit = length_unit(system)
    return float(from_si(bar.first, unit)), float(from_si(bar.last, unit))


def _dumbbell(
    plot: Plot, index: int, pair: tuple[float, float], count: int, size: Size
) -> list[str]:
    x = plot.px(float(index))
    first, last = (plot.py(value) for value in pair)
    rising = last < first
    upper, lower = (last, first) if rising else (first, last)
    high, low = max(pair), min(pair)
    return [
        line("sw-change", x, first, x, last),
        disc("sw-from-mark")(x, first, 11.0),
        square("sw-share-mark")(x, last, 11.0),
        words("sw-label", x, upper - 9, f"{high:.0f}", anchor="middle"),
        words("sw-label", x, lower + 8 + size.font, f"{low:.0f}", anchor="middle"),
        words("sw-tick", x, plot.bottom - 5, f"{count}", anchor="middle"),
    ]


def _of(count: int) -> str:
    return f"{count} aircraft"
