"""Tours over a plain ground: dots for places, lines for the ways, names where there is room."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from patterns.draw.frame import WIDE, Size
from patterns.draw.lettering import width_px
from patterns.draw.palette import FONT
from patterns.draw.scales import System
from patterns.draw.svg import checked_id, element, escape, line, num, words
from patterns.units import to_si

_EDGE: Final = 26.0
_M_PER_DEG: Final = 111_195.0  # of a great circle on the mean sphere: 6371.0088 km · π / 180
_LEAST_SPAN_M: Final = 5_000.0


@dataclass(frozen=True, slots=True)
class MapPlace:
    """A named point: latitude and longitude in degrees, north and east positive."""

    name: str
    latitude_deg: float
    longitude_deg: float


@dataclass(frozen=True, slots=True)
class MapTour:
    """A tour: what it is called, and the numbers of its places in order, home first and last."""

    name: str
    places: tuple[int, ...]


Point = tuple[float, float]
_Box = tuple[float, float, float, float]


def tour_map(
    places: Sequence[MapPlace],
    tours: Sequence[MapTour],
    *,
    system: System,
    chart_id: str = "tours",
    size: Size = WIDE,
) -> str:
    """Draw tours as straight lines between places, north up; no roads, no ground.

    Parameters
    ----------
    places : sequence of MapPlace
        Home first. Places that no tour comes to are hollow dots.
    tours : sequence of MapTour
        Each with its name written at its farthest place.
    system : {"us", "metric"}
        Miles or kilometres on the scale bar.

    Returns
    -------
    str
        A complete ``<svg>``. Degrees of longitude are shortened by the cosine of the middle
        latitude (equirectangular), which is true enough for a few hundred kilometres.
    """
    ident = checked_id(chart_id)
    points, height, px_per_m = _placed(places, size)
    visited = {number for tour in tours for number in tour.places}
    parts = [
        line("sw-card-line", *points[a], *points[b])
        for tour in tours
        for a, b in pairwise(tour.places)
    ]
    for number, (x, y) in enumerate(points):
        kind = "sw-card-mark" if number in visited else "sw-nozzle-off"
        if number:
            parts.append(element("circle", kind, cx=x, cy=y, r=4.0))
    x, y = points[0]
    d = f"M{num(x - 8)},{num(y + 7)}H{num(x + 8)}V{num(y - 2)}L{num(x)},{num(y - 10)}"
    parts.append(element("path", "sw-chosen-mark", d=f"{d}L{num(x - 8)},{num(y - 2)}Z"))
    parts += _names(places, tours, points, visited, size)
    parts += _scale_bar(height, px_per_m, system, size)
    title, text = "Tours, as the crow flies", _described(places, tours)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" id="{ident}" class="sw-chart sw-tours" '
        f'viewBox="0 0 {num(size.width)} {num(height)}" role="img" '
        f'aria-labelledby="{ident}-title {ident}-desc" font-family="{FONT}" '
        f'font-size="{num(size.font)}"><title id="{ident}-title">{title}</title>'
        f'<desc id="{ident}-desc">{escape(text)}</desc>{"".join(parts)}</svg>'
    )


def _placed(places: Sequence[MapPlace], size: Size) -> tuple[list[Point], float, float]:
    """Points in pixels, the height of the drawing, pixels for a metre."""
    middle = sum(place.latitude_deg for place in places) / len(places)
    east = [p.longitude_deg * math.cos(math.radians(middle)) * _M_PER_DEG for p in places]
    north = [p.latitude_deg * _M_PER_DEG for p in places]
    across = max(max(east) - min(east), _LEAST_SPAN_M)
    along = max(max(north) - min(north), _LEAST_SPAN_M)
    scale = min((size.width - 4 * _EDGE) / across, 2 * size.plot_height / along)
    left = (size.width - scale * (max(east) - min(east))) / 2
    points = [
        (left + (e - min(east)) * scale, _EDGE + (max(north) - n) * scale)
        for e, n in zip(east, north, strict=True)
    ]
    height = 2 * _EDGE + scale * (max(north) - min(north)) + 3 * size.font
    return points, height, scale


def _names(
    places: Sequence[MapPlace],
    tours: Sequence[MapTour],
    points: Sequence[Point],
    visited: set[int],
    size: Size,
) -> list[str]:
    """Names of tours, then of home and of places, each where it covers no other name or dot."""
    taken: list[_Box] = [(x - 6, y - 6, x + 6, y + 6) for x, y in points]
    parts = []
    wanted = [(_farthest(tour, points), tour.name, True) for tour in tours if len(tour.places) > 2]
    wanted += [(0, places[0].name, True)]
    wanted += [(n, place.name, False) for n, place in enumerate(places) if n and n in visited]
    for number, name, bold in wanted:
        wide, tall = width_px(name, size.font, bold=bold), size.font
        x, y = points[number]
        for left, base in (
            (x + 9, y - 4),
            (x - 9 - wide, y - 4),
            (x + 9, y + tall + 3),
            (x - 9 - wide, y + tall + 3),
            (x - wide / 2, y - 11),
        ):
            box = (left, base - tall, left + wide, base + 2)
            if box[0] < 2 or box[2] > size.width - 2 or any(_touch(box, one) for one in taken):
                continue
            taken.append(box)
            weight = {"font_weight": "bold"} if bold else {}
            parts.append(words("sw-label", left, base, name, **weight))
            break
    return parts


def _farthest(tour: MapTour, points: Sequence[Point]) -> int:
    home = points[tour.places[0]]
    return max(tour.places, key=lambda number: (math.dist(home, points[number]), number))


def _touch(one: _Box, other: _Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def _scale_bar(height: float, px_per_m: float, system: System, size: Size) -> list[str]:
    unit = "mi" if system == "us" else "km"
    longest = size.width / 3 / px_per_m / float(to_si(1.0, unit))
    step = 10.0 ** math.floor(math.log10(longest))
    length = next(step * k for k in (5, 2, 1) if step * k <= longest)
    wide = length * float(to_si(1.0, unit)) * px_per_m
    y = height - size.font
    return [
        line("sw-measure", _EDGE, y, _EDGE + wide, y),
        *(line("sw-measure", x, y - 5, x, y + 5) for x in (_EDGE, _EDGE + wide)),
        words("sw-label", _EDGE + wide + 8, y + 4, f"{length:g} {unit}"),
        words("sw-label", size.width - _EDGE, y + 4, "North is up", anchor="end"),
    ]


def _described(places: Sequence[MapPlace], tours: Sequence[MapTour]) -> str:
    if not tours:
        return "No tours."
    said = [
        f"{tour.name}: {', '.join(places[number].name for number in tour.places)}."
        for tour in tours
    ]
    return " ".join(said)
