"""Splitting of regions in which stains touch.

The cut between two stains runs along the line through the points at which their circles cross (the
power diagram of the circles; F. Aurenhammer, SIAM Journal on Computing 16, 1987, 78-96; from
memory). Along a row that line is a point, so that parts have their ends between pixels, too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from patterns.cards._bits import Places
from patterns.cards._circles import Circles, find_circles
from patterns.cards._rim import Boxes
from patterns.cards._runs import Floats, Moments, Runs, moments, pairs_between


@dataclass(frozen=True, slots=True, eq=False)
class Parts:
    """What regions were split into; all (P,), two parts or more a region.

    Attributes
    ----------
    region : the region that was split.
    moments : of each part.
    hidden : area of the part's circle that lies under its neighbours' parts. [px²]
    touching : how many other circles each one meets.
    """

    region: Places
    moments: Moments
    hidden: Floats
    touching: Places


@dataclass(frozen=True, slots=True, eq=False)
class Suspects:
    """Regions that may be several stains: their runs, by region, with sub-pixel ends. [px]"""

    runs: Runs
    start: Floats
    end: Floats
    boxes: Boxes
    whole: Moments


def split(suspects: Suspects) -> Parts:
    """Split those regions in which more than one stain is seen.

    Parameters
    ----------
    suspects : what is to be looked at, of all cards in one go, as the steps are many and short;
        cards may lie over one another, regions never meet.

    Returns
    -------
    Parts
    """
    runs, start, end = suspects.runs, suspects.start, suspects.end
    circles = find_circles(runs, start, end, suspects.boxes, suspects.whole)
    many, _ = circles.many(runs.regions)
    circles = circles.kept(many[circles.region] > 1)
    piece_run, piece_circle, low, high = _cut(runs, start, end, circles)
    parts = moments(runs.row[piece_run], low, high, piece_circle, circles.region.size)
    hidden, touching = _hidden(circles, parts.area, runs.regions)
    return Parts(circles.region, parts, hidden, touching)


def _cut(
    runs: Runs, start: Floats, end: Floats, circles: Circles
) -> tuple[Places, Places, Floats, Floats]:
    """Cut runs into pieces: run, circle, begin and end of each."""
    many, offset = circles.many(runs.regions)
    home = circles.region
    # Every circle has a piece of every run of its region, the pieces of a circle in one stretch.
    first = np.searchsorted(runs.region, home, side="left")
    after = np.searchsorted(runs.region, home, side="right")
    circle, run = pairs_between(first, after)
    to_piece = np.cumsum(after - first) - after
    low, high = start[run], end[run]
    one, other = pairs_between(offset[home], offset[home] + many[home])
    different = one != other
    one, other = one[different], other[different]
    # Nearer to its own circle than to the other: a line in x and y, at each row a point.
    slope = 2.0 * (circles.x[other] - circles.x[one])
    power = circles.x**2 + circles.y**2 - circles.radius**2

    def room_at(chosen: NDArray[np.bool_]) -> tuple[Places, Floats, Places]:
        """Of chosen pairs of circles at each of their rows: the piece, the room, the pair."""
        own, its = one[chosen], other[chosen]
        pair, at = pairs_between(first[own], after[own])
        rise = (circles.y[its] - circles.y[own])[pair]
        room = (power[its] - power[own])[pair] - 2.0 * runs.row[at] * rise
        return at + to_piece[own][pair], room, pair

    right, left = slope > 0.0, slope < 0.0
    piece, room, pair = room_at(right)
    np.minimum.at(high, piece, room / slope[right][pair])
    piece, room, pair = room_at(left)
    np.maximum.at(low, piece, room / slope[left][pair])
    piece, room, _ = room_at(slope == 0.0)
    nothing = piece[room < 0.0]
    high[nothing] = low[nothing]
    whole = high > low
    return run[whole], circle[whole], low[whole], high[whole]


def _hidden(circles: Circles, area: Floats, regions: int) -> tuple[Floats, Places]:
    """Area of each circle beyond its cuts, under its neighbours; and how many it meets."""
    many, offset = circles.many(regions)
    home = circles.region
    one, other = pairs_between(offset[home], offset[home] + many[home])
    different = one != other
    one, other = one[different], other[different]
    u, v = circles.x[one] - circles.x[other], circles.y[one] - circles.y[other]
    apart = np.sqrt(u * u + v * v)
    radius = circles.radius[one]
    to_cut = (apart**2 + radius**2 - circles.radius[other] ** 2) / (2.0 * np.maximum(apart, 1e-6))
    cosine = np.clip(to_cut / radius, -1.0, 1.0)
    segment = radius**2 * (np.arccos(cosine) - cosine * np.sqrt(1.0 - cosine**2))
    hidden = np.bincount(one, weights=segment, minlength=home.size)
    # Segments under two neighbours overlap: no more than makes the circle whole.
    meet = np.bincount(one[apart < radius + circles.radius[other]], minlength=home.size)
    return np.clip(np.pi * circles.radius**2 - area, 0.0, hidden), meet
