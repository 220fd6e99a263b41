"""Splitting of regions in which stains touch.

The cut between two stains runs along the line through the points at which their circles cross (the
power diagram of the circles; F. Aurenhammer, SIAM Journal on Computing 16, 1987, 78-96; from
memory). Along a row that line is a point, so that parts have their ends between pixels, too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from patterns.cards._circles import Circles, find_circles
from patterns.cards._rim import Boxes
from patterns.cards._runs import Floats, Moments, Places, Runs, moments, pairs_between


@dataclass(frozen=True, slots=True, eq=False)
class Parts:
    """What regions were split into; all (P,), two parts or more a region.

    Attributes
    ----------
    region : the region that was split.
    moments : of each part.
    hidden : area of the part's circle that lies under its neighbours' parts. [px²]
    touching : pairs of parts whose circles meet.
    """

    region: Places
    moments: Moments
    hidden: Floats
    touching: int


def split(
    runs: Runs,
    start: Floats,
    end: Floats,
    boxes: Boxes,
    whole: Moments,
    candidate: NDArray[np.bool_],
) -> Parts:
    """Split those candidates in which more than one stain is seen.

    Parameters
    ----------
    runs : of the mask.
    start, end : (R,) sub-pixel ends of the runs. [px]
    boxes, whole : boxes and moments of the K regions.
    candidate : (K,) regions to look at.

    Returns
    -------
    Parts
    """
    circles = find_circles(runs, start, end, boxes, whole, candidate)
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
    touched = np.flatnonzero(many[runs.region] > 0)
    region = runs.region[touched]
    which, circle = pairs_between(offset[region], offset[region] + many[region])
    run = touched[which]
    low, high = start[run].copy(), end[run].copy()
    home = circles.region[circle]
    piece, other = pairs_between(offset[home], offset[home] + many[home])
    different = circle[piece] != other
    piece, other = piece[different], other[different]
    own = circle[piece]
    # Nearer to its own circle than to the other: a line in x and y, at this row a point.
    slope = 2.0 * (circles.x[other] - circles.x[own])
    row = runs.row[run[piece]]
    power = circles.x**2 + circles.y**2 - circles.radius**2
    room = power[other] - power[own] - 2.0 * row * (circles.y[other] - circles.y[own])
    flat = slope == 0.0
    point = room / np.where(flat, 1.0, slope)
    np.minimum.at(high, piece[slope > 0.0], point[slope > 0.0])
    np.maximum.at(low, piece[slope < 0.0], point[slope < 0.0])
    nothing = piece[flat & (room < 0.0)]
    high[nothing] = low[nothing]
    whole = high > low
    return run[whole], circle[whole], low[whole], high[whole]


def _hidden(circles: Circles, area: Floats, regions: int) -> tuple[Floats, int]:
    """Area of each circle beyond its cuts, under its neighbours; and how many pairs meet."""
    many, offset = circles.many(regions)
    home = circles.region
    one, other = pairs_between(offset[home], offset[home] + many[home])
    different = one != other
    one, other = one[different], other[different]
    apart = np.hypot(circles.x[one] - circles.x[other], circles.y[one] - circles.y[other])
    radius = circles.radius[one]
    to_cut = (apart**2 + radius**2 - circles.radius[other] ** 2) / (2.0 * np.maximum(apart, 1e-6))
    cosine = np.clip(to_cut / radius, -1.0, 1.0)
    segment = radius**2 * (np.arccos(cosine) - cosine * np.sqrt(1.0 - cosine**2))
    hidden = np.bincount(one, weights=segment, minlength=home.size)
    # Segments under two neighbours overlap: no more than makes the circle whole.
    meet = int(np.count_nonzero(apart < radius + circles.radius[other])) // 2
    return np.clip(np.pi * circles.radius**2 - area, 0.0, hidden), meet
