"""What surrounds a plot: heading, keys, axes, lanes of labels above it, notes below it.

The plot keeps its height; what stands around it makes the chart taller, so that nothing is
squeezed or cut off on a phone.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final
from xml.sax.saxutils import quoteattr

from patterns.draw.lettering import in_lanes, width_px, wrapped
from patterns.draw.palette import FONT
from patterns.draw.scales import Plot
from patterns.draw.svg import checked_id, element, escape, line, num, words

Mark = Callable[[float, float, float], str]
"""Draws a small sign with its middle at x, y, in a box as wide as the third number."""


@dataclass(frozen=True, slots=True)
class Size:
    """How big a chart is drawn.

    Attributes
    ----------
    width : float
        Width of the drawing [px]; the height follows from what the chart has to say.
    plot_height : float
        Height of the plot itself [px].
    font : float
        Size of the text [px]. Shown narrower than `width`, the text shrinks with it.
    """

    width: float
    plot_height: float
    font: float

    @property
    def compact(self) -> bool:
        """Whether this is the phone's form, with fewer ticks and shorter words."""
        return self.width < 560.0


WIDE: Final = Size(900.0, 290.0, 14.0)
"""For a page on a desk: text stays at 11 px down to 710 px of width."""
PAPER: Final = Size(680.0, 220.0, 12.0)
"""For a column of 180 mm: text of 9 pt."""
COMPACT: Final = Size(360.0, 220.0, 12.5)
"""For a phone: text stays at 11 px down to 320 px of width."""


@dataclass(frozen=True, slots=True)
class Key:
    """One entry of the row that explains the lines and areas: sign and words."""

    mark: Mark
    text: str


@dataclass(frozen=True, slots=True)
class Note:
    """One sentence below the plot, with the sign it speaks of."""

    text: str
    mark: Mark | None = None
    letter: str = ""


@dataclass(frozen=True, slots=True)
class Flag:
    """A label in the lanes above the plot: sign and text over a place on the x axis."""

    at: float
    text: str
    mark: Mark
    from_x: float | None = None
    to_x: float | None = None
    bracket: str = ""


@dataclass(frozen=True, slots=True)
class Axis:
    """One axis: what it shows, its range and its ticks as (value, text)."""

    name: str
    low: float
    high: float
    ticks: Sequence[tuple[float, str]]


@dataclass(frozen=True, slots=True)
class Furniture:
    """Everything around the plot."""

    kind: str
    title: str
    description: str
    x: Axis
    y: Axis
    summary: str = ""
    keys: Sequence[Key] = ()
    flags: Sequence[Flag] = ()
    notes: Sequence[Note] = ()
    wings: bool = False
    under_row: bool = False
    data: Mapping[str, str | float] = field(default_factory=dict)


class Sheet:
    """Lays out a chart: places the plot first, then writes the whole drawing round its body."""

    def __init__(self, ident: str, size: Size, furniture: Furniture) -> None:
        self.ident = checked_id(ident)
        self.size = size
        self.furniture = furniture
        self._parts: list[str] = []
        self._edge = 10.0 if size.compact else 14.0
        self._leading = round(size.font * 1.4, 1)
        top = self._write_head()
        left = self._edge + self._y_tick_room()
        right = size.width - self._edge - (2.0 if size.compact else 8.0)
        self._flags = self._placed_flags(left, right)
        top += self._leading * self._lane_count() + (6.0 if self._flags else size.font * 0.8)
        y, x = furniture.y, furniture.x
        self.plot = Plot(left, top, right, top + size.plot_height, x.low, x.high, y.low, y.high)
        self.height = 0.0

    @property
    def under_y(self) -> float:
        """Return the baseline of the row under the plot."""
        return self.plot.bottom + 3 + self._leading

    # Public: the finished drawing ---------------------------------------------------------

    def resize(self, plot_height: float) -> None:
        """Give the plot another height, once it is known how much there is to show."""
        self.plot = replace(self.plot, bottom=self.plot.top + plot_height)

    def render(
        self, body: Sequence[str], defs: Sequence[str] = (), outside: Sequence[str] = ()
    ) -> str:
        """Write the drawing: grid, body (cut off at the plot), what lies outside, the rest."""
        parts = [*self._grid(), self._clipped(body), *outside, *self._axes()]
        parts += ['<g class="sw-flags">', *self._written_flags(), "</g>", *self._parts]
        parts += self._written_notes()
        f = self.furniture
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" id="{self.ident}" class="sw-chart {f.kind}" '
            f'viewBox="0 0 {num(self.size.width)} {num(self.height)}" role="img" '
            f'aria-labelledby="{self.ident}-title {self.ident}-desc" '
            f'font-family="{FONT}" font-size="{num(self.size.font)}"{self._data()}>'
        )
        clip = (
            f'<clipPath id="{self.ident}-clip"><rect x="{num(self.plot.left)}" '
            f'y="{num(self.plot.top)}" width="{num(self.plot.right - self.plot.left)}" '
            f'height="{num(self.plot.bottom - self.plot.top)}"/></clipPath>'
        )
        title = f'<title id="{self.ident}-title">{escape(f.title)}</title>'
        desc = f'<desc id="{self.ident}-desc">{escape(f.description)}</desc>'
        return "".join(
            [head, title, desc, "<defs>", clip, *defs, "</defs>", "".join(parts), "</svg>"]
        )

    # Head ------------------------------------------------------------------------------------

    def _write_head(self) -> float:
        size, f = self.size, self.furniture
        room = size.width - 2 * self._edge
        y = self._edge / 2
        for row in wrapped(f.title, size.font + 1, room, bold=True):
            y += self._leading
            self._parts.append(
                words("sw-heading", self._edge, y, row, font_size=num(size.font + 1))
            )
        for row in wrapped(f.summary, size.font, room):
            y += self._leading
            self._parts.append(words("sw-summary", self._edge, y, row))
        y = self._write_keys(y, room)
        if f.y.name:
            y += self._leading + 3
            self._parts.append(words("sw-axis-name", self._edge, y, f.y.name))
        return y

    def _write_keys(self, y: float, room: float) -> float:
        size, swatch = self.size, 26.0
        x = self._edge
        for index, key in enumerate(self.furniture.keys):
            wide = swatch + 6 + width_px(key.text, size.font) + 14
            if index == 0 or x + wide - 14 > self._edge + room:
                x, y = self._edge, y + self._leading + (3 if index == 0 else 0)
            self._parts.append(key.mark(x + swatch / 2, y - size.font * 0.34, swatch))
            self._parts.append(words("sw-label", x + swatch + 6, y, key.text))
            x += wide
        return y

    # Axes ------------------------------------------------------------------------------------

    def _y_tick_room(self) -> float:
        widest = max((width_px(text, self.size.font) for _, text in self.furniture.y.ticks))
        return widest + 8

    def _grid(self) -> list[str]:
        plot = self.plot
        return [
            line("sw-grid", plot.left, plot.py(value), plot.right, plot.py(value))
            for value, _ in self.furniture.y.ticks
            if value > plot.y_min
        ]

    def _clipped(self, body: Sequence[str]) -> str:
        return f'<g clip-path="url(#{self.ident}-clip)">{"".join(body)}</g>'

    def _axes(self) -> list[str]:
        plot, size, f = self.plot, self.size, self.furniture
        parts = [line("sw-ground", plot.left, plot.bottom, plot.right, plot.bottom)]
        for value, text in f.y.ticks:
            y = plot.py(value) + size.font * 0.35
            parts.append(words("sw-tick", plot.left - 6, y, text, anchor="end"))
        row = plot.bottom + (self._leading if f.under_row else 0)
        for value, text in f.x.ticks:
            x = plot.px(value)
            parts.append(line("sw-tick-mark", x, plot.bottom, x, plot.bottom + 5))
            half = width_px(text, size.font) / 2
            x = min(max(x, half + 1), size.width - half - 1)
            parts.append(words("sw-tick", x, row + 4 + self._leading, text, anchor="middle"))
        y = row + 6 + 2 * self._leading
        parts += self._axis_name_row(y)
        self.height = y + self._edge
        return parts

    def _axis_name_row(self, y: float) -> list[str]:
        f, plot, edge = self.furniture, self.plot, self._edge
        if not f.wings:
            middle = (plot.left + plot.right) / 2
            return [words("sw-axis-name", middle, y, f.x.name, anchor="middle")]
        # Midway between the two words, which differ in width.
        middle = (edge + width_px("Left wing", self.size.font)) / 2
        middle += (plot.right - width_px("Right wing", self.size.font)) / 2
        return [
            words("sw-axis-name", edge, y, "Left wing"),
            words("sw-axis-name", middle, y, f.x.name, anchor="middle"),
            words("sw-axis-name", plot.right, y, "Right wing", anchor="end"),
        ]

    # Flags -----------------------------------------------------------------------------------

    def _flag_width(self, flag: Flag) -> float:
        return 14.0 + width_px(flag.text, self.size.font, bold=True)

    def _placed_flags(self, left: float, right: float) -> list[tuple[float, int]]:
        x = self.furniture.x
        scale = (right - left) / (x.high - x.low)
        middles = [left + (flag.at - x.low) * scale for flag in self.furniture.flags]
        wide = [self._flag_width(flag) for flag in self.furniture.flags]
        return in_lanes(middles, wide, self._edge, self.size.width - self._edge)

    def _lane_count(self) -> int:
        return max((row + 1 for _, row in self._flags), default=0)

    def _written_flags(self) -> list[str]:
        parts: list[str] = []
        for flag, (middle, row) in zip(self.furniture.flags, self._flags, strict=True):
            y = self.plot.top - 8 - row * self._leading
            start = middle - self._flag_width(flag) / 2
            parts.append(flag.mark(start + 5, y - self.size.font * 0.34, 10.0))
            parts.append(words("sw-label", start + 14, y, flag.text, font_weight="bold"))
            parts += self._bracket(flag)
        return parts

    def _bracket(self, flag: Flag) -> list[str]:
        if flag.from_x is None or flag.to_x is None:
            return []
        plot = self.plot
        left = max(plot.px(flag.from_x), plot.left)
        right = min(plot.px(flag.to_x), plot.right)
        top = plot.top
        d = f"M{num(left)},{num(top + 4)}V{num(top - 2)}H{num(right)}V{num(top + 4)}"
        return [element("path", flag.bracket, d=d)]

    # Notes -----------------------------------------------------------------------------------

    def _written_notes(self) -> list[str]:
        parts: list[str] = []
        size, y = self.size, self.height - self._edge + 4
        for note in self.furniture.notes:
            indent = (16.0 if note.mark else 0.0) + (14.0 if note.letter else 0.0)
            x = self._edge + indent
            rows = wrapped(note.text, size.font, size.width - self._edge - x)
            first = y + self._leading
            if note.mark:
                parts.append(note.mark(self._edge + 5, first - size.font * 0.34, 10.0))
            if note.letter:
                at = self._edge + 14.0
                parts.append(words("sw-label", at, first, note.letter, font_weight="bold"))
            for row in rows:
                y += self._leading
                parts.append(words("sw-note", x, y, row))
            y += 3
        if self.furniture.notes:
            self.height = y + self._edge
        return parts

    def _data(self) -> str:
        plot = self.plot
        given: dict[str, str | float] = {
            "x0": num(plot.left),
            "x1": num(plot.right),
            "y0": num(plot.bottom),
            "y1": num(plot.top),
            "xmin": f"{plot.x_min:.6g}",
            "xmax": f"{plot.x_max:.6g}",
            "ymin": f"{plot.y_min:.6g}",
            "ymax": f"{plot.y_max:.6g}",
            **self.furniture.data,
        }
        return "".join(
            f" data-{key}={quoteattr(value if isinstance(value, str) else f'{value:.6g}')}"
            for key, value in given.items()
        )
