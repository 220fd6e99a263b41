"""Splitting of regions in which stains touch.

Where stains touch, the region has a neck. Each pixel's distance to the paper peaks at the middle of
each stain; two peaks belong to two stains where the distance sinks between them. The cut runs along
the line through the points at which the circles around the peaks cross (the power diagram of the
circles; F. Aurenhammer, SIAM Journal on Computing 16, 1987, 78-96; from memory), which along a row
is a point, so that parts are cut with ends between pixels, too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, maximum_filter
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from patterns.cards._rim import Boxes
from patterns.cards._runs import Floats, Moments, Places, Runs, moments, pairs_between

# Own definitions, set on drawn cards.
_NECK: Final = 0.88
_LEAST_RADIUS_PX: Final = 1.9
_MOST_PEAKS: Final = 48
_SAMPLES: Final = 9
_SHELF_PX: Final = 2048
# From the middle of the peak's pixel to the rim, beyond the distance to the nearest paper pixel.
_PEAK_TO_RIM_PX: Final = 0.15
_MOST_HIDDEN: Final = 0.6


@dataclass(frozen=True, slots=True, eq=False)
class Parts:
    """What regions were split into; all (P,), two parts or more a region.

    Attributes
    ----------
    region : the region that was split.
    moments : of each part.
    hidden : area of the part's circle that lies under its neighbours' parts. [px²]
    """

    region: Places
    moments: Moments
    hidden: Floats


@dataclass(frozen=True, slots=True, eq=False)
class _Circles:
    """Circles of the stains that are split, in order of their region."""

    region: Places
    x: Floats
    y: Floats
    radius: Floats


def split(
    runs: Runs, start: Floats, end: Floats, boxes: Boxes, candidate: NDArray[np.bool_]
) -> Parts:
    """Split those candidates that have a neck.

    Parameters
    ----------
    runs : of the mask.
    start, end : (R,) sub-pixel ends of the runs. [px]
    boxes : around the K regions.
    candidate : (K,) regions to look at.

    Returns
    -------
    Parts
    """
    circles = _circles(runs, boxes, candidate)
    many = np.bincount(circles.region, minlength=runs.regions)
    keep = many[circles.region] > 1
    circles = _Circles(circles.region[keep], circles.x[keep], circles.y[keep], circles.radius[keep])
    many = np.where(many > 1, many, 0)
    offset = np.cumsum(many) - many
    touched = np.flatnonzero(many[runs.region] > 0)
    piece_run, piece_circle, low, high = _cut(runs, start, end, touched, circles, offset, many)
    parts = moments(runs.row[piece_run], low, high, piece_circle, circles.region.size)
    return Parts(circles.region, parts, _hidden(circles, offset, many, parts.area))


def _circles(runs: Runs, boxes: Boxes, candidate: NDArray[np.bool_]) -> _Circles:
    """One circle for every stain seen in the candidates."""
    chosen = np.flatnonzero(candidate)
    if chosen.size == 0:
        none = np.empty(0)
        return _Circles(np.empty(0, dtype=np.intp), none, none, none)
    down, along, shape = _shelve(boxes.height[chosen] + 2, boxes.width[chosen] + 2)
    shift_y = np.zeros(runs.regions, dtype=np.intp)
    shift_x = np.zeros(runs.regions, dtype=np.intp)
    shift_y[chosen] = down + 1 - boxes.top[chosen]
    shift_x[chosen] = along + 1 - boxes.left[chosen]
    picture = np.zeros(shape, dtype=np.bool_)
    # Whose pixel it is, to keep peaks of neighbours on the shelf apart.
    owner = np.zeros(shape, dtype=np.int32)
    of_run = np.flatnonzero(candidate[runs.region])
    region = runs.region[of_run]
    begin = (runs.row[of_run] + shift_y[region]) * shape[1] + runs.first[of_run] + shift_x[region]
    which, pixel = pairs_between(begin, begin + runs.after[of_run] - runs.first[of_run])
    picture.ravel()[pixel] = True
    owner.ravel()[pixel] = region[which]
    depth = distance_transform_edt(picture).astype(np.float32)
    y, x, peak_region = _peaks(depth, owner)
    stain = _same_stain(depth, y, x, peak_region)
    reach = depth[y, x]
    # The deepest peak stands for its stain.
    order = np.lexsort((-reach, stain, peak_region))
    first = np.ones(order.size, dtype=np.bool_)
    first[1:] = stain[order][1:] != stain[order][:-1]
    best = order[first]
    region = peak_region[best]
    return _Circles(
        region,
        (x[best] - shift_x[region]).astype(np.float64),
        (y[best] - shift_y[region]).astype(np.float64),
        reach[best].astype(np.float64) + _PEAK_TO_RIM_PX,
    )


def _shelve(heights: Places, widths: Places) -> tuple[Places, Places, tuple[int, int]]:
    """Lay boxes side by side on shelves, the highest first: top and left of each, and the shape."""
    order = np.argsort(-heights, kind="stable")
    edge = max(_SHELF_PX, int(widths.max()))
    down, along = np.empty_like(heights), np.empty_like(widths)
    top = left = shelf = 0
    for box, height, width in zip(
        order.tolist(), heights[order].tolist(), widths[order].tolist(), strict=True
    ):
        if left + width > edge:
            top, left, shelf = top + shelf, 0, 0
        down[box], along[box] = top, left
        left, shelf = left + width, max(shelf, height)
    return down, along, (top + shelf, edge)


def _peaks(depth: NDArray[np.float32], owner: NDArray[np.int32]) -> tuple[Places, Places, Places]:
    """Places where the distance to the paper peaks, the deepest of each region; by region."""
    top = (depth >= _LEAST_RADIUS_PX) & (depth == maximum_filter(depth, 3))
    y, x = np.nonzero(top)
    region = owner[y, x].astype(np.intp)
    order = np.lexsort((-depth[y, x], region))
    y, x, region = y[order], x[order], region[order]
    first = np.searchsorted(region, region, side="left")
    kept = np.arange(region.size) - first < _MOST_PEAKS
    return y[kept], x[kept], region[kept]


def _same_stain(depth: NDArray[np.float32], y: Places, x: Places, region: Places) -> Places:
    """Number the peaks by stain: peaks without a neck between them are one stain."""
    behind = np.arange(region.size) + 1
    one, other = pairs_between(behind, np.searchsorted(region, region, side="right"))
    share = np.arange(1, _SAMPLES + 1) / (_SAMPLES + 1.0)
    between_y = np.rint(y[one, None] + (y[other] - y[one])[:, None] * share).astype(np.intp)
    between_x = np.rint(x[one, None] + (x[other] - x[one])[:, None] * share).astype(np.intp)
    neck = depth[between_y, between_x].min(axis=1)
    lesser = np.minimum(depth[y[one], x[one]], depth[y[other], x[other]])
    joined = neck >= _NECK * lesser
    graph = coo_array(
        (np.ones(int(joined.sum()), dtype=np.int8), (one[joined], other[joined])),
        shape=(region.size, region.size),
    )
    _, stain = connected_components(graph, directed=False)
    return stain.astype(np.intp)


def _cut(
    runs: Runs,
    start: Floats,
    end: Floats,
    touched: Places,
    circles: _Circles,
    offset: Places,
    many: Places,
) -> tuple[Places, Places, Floats, Floats]:
    """Cut runs into pieces: run, circle, begin and end of each."""
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


def _hidden(circles: _Circles, offset: Places, many: Places, area: Floats) -> Floats:
    """Area of each circle beyond its cuts: the segments under its neighbours."""
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
    return np.minimum(hidden, _MOST_HIDDEN * area)
