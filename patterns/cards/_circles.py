"""Circles of the stains in a region where several touch.

First each pixel's distance to the paper: it peaks at the middle of each stain, and two peaks belong
to two stains where the distance sinks between them, at a neck. Then what stands out beyond these
circles: the rim of a stain that lies partly under another is an arc, and a circle through it (least
squares of I. Kåsa, IEEE Trans. Instrumentation and Measurement 25, 1976, 8-14; from memory) is
taken where it lies close to the arc and within the region. At last each circle is fitted to the
part of the rim that is its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from patterns.cards._bits import Places
from patterns.cards._rim import Boxes
from patterns.cards._runs import Floats, Moments, Runs, least_of, pairs_between
from patterns.cards._shelf import Bools, Rim, Shelf, Squares, rim_places, shelve

# Own definitions, set on drawn cards.
_NECK: Final = 0.97
_LEAST_RADIUS_PX: Final = 1.4
_LEAST_DEPTH2: Final = 2
_MOST_PEAKS: Final = 48
_MOST_CIRCLES: Final = 20
_SAMPLES: Final = 9
# From the middle of the peak's pixel to the rim, beyond the distance to the nearest paper pixel.
_PEAK_TO_RIM_PX: Final = 0.15
# What stands out by less than this is the roughness of a rim.
_SLACK_PX: Final = 0.6
_LEAST_OUT_PX: Final = 1.1
_LEAST_OUT: Final = 0.06
_FEWEST_POINTS: Final = 3
_WORST_FIT_PX: Final = 0.45
_ON_RIM_PX: Final = 1.0
_FEWEST_TO_FIT: Final = 8
_LEAST_RIM: Final = 0.08
# RMS distance of the rim from the circles against that from one ellipse.
_CLOSER: Final = 0.65
# As far off as a place of the rim with no circle counts.
_FAR_PX: Final = 1e3
# More than what is lost in sums and products of places.
_HAIR_PX: Final = 0.01


Pairs = tuple[Places, Places]
"""Runs and circles that belong together, (P,) and (P,)."""


@dataclass(frozen=True, slots=True, eq=False)
class Circles:
    """Circles in order of their region; all (C,).

    Attributes
    ----------
    region : the region it lies in.
    x, y, radius : in the image of the card. [px]
    """

    region: Places
    x: Floats
    y: Floats
    radius: Floats

    def kept(self, keep: Bools) -> Circles:
        """Return those chosen."""
        return Circles(self.region[keep], self.x[keep], self.y[keep], self.radius[keep])

    def many(self, regions: int) -> tuple[Places, Places]:
        """How many lie in each region, and where the first of each stands."""
        many = np.bincount(self.region, minlength=regions)
        return many, np.cumsum(many) - many

    def joined(self, other: Circles) -> Circles:
        """Both, in order of their region."""
        region = np.concatenate([self.region, other.region])
        order = np.argsort(region, kind="stable")
        return Circles(
            region[order],
            np.concatenate([self.x, other.x])[order],
            np.concatenate([self.y, other.y])[order],
            np.concatenate([self.radius, other.radius])[order],
        )


def find_circles(runs: Runs, start: Floats, end: Floats, boxes: Boxes, whole: Moments) -> Circles:
    """Find the circles of the stains in some regions.

    Parameters
    ----------
    runs : of the regions.
    start, end : (R,) sub-pixel ends of the runs. [px]
    boxes, whole : boxes and moments of the K regions.

    Returns
    -------
    Circles
    """
    if runs.regions == 0:
        none = np.empty(0)
        return Circles(np.empty(0, dtype=np.intp), none, none, none)
    shelf = shelve(runs, boxes)
    rim = rim_places(runs, start, end, shelf)
    circles = _inscribed(shelf)
    circles, _ = _fitted(circles, rim)
    circles = circles.joined(_standing_out(circles, rim, runs, shelf))
    several = circles.many(runs.regions)[0] > 1
    circles, rim = circles.kept(several[circles.region]), rim.kept(several[rim.region])
    fitted, own = _fitted(circles, rim)
    # A circle between others, which only touches the corners where they meet, has no rim; a whole
    # one has two places a row.
    circles = fitted.kept(own >= _LEAST_RIM * 4.0 * circles.radius)
    # More than that in one heap cannot be told apart, and would take ever longer.
    circles = circles.kept(circles.many(runs.regions)[0][circles.region] <= _MOST_CIRCLES)
    return circles.kept(_explained(circles, rim, whole)[circles.region])


def _inscribed(shelf: Shelf) -> Circles:
    """One circle for every stain with a peak of its own."""
    y, x, peak_region = _peaks(shelf.depth2, shelf.owner)
    stain = _same_stain(shelf.depth2, y, x, peak_region)
    reach = np.sqrt(shelf.depth2[y, x].astype(np.float64))
    # The deepest peak stands for its stain.
    order = np.lexsort((-reach, stain, peak_region))
    first = np.ones(order.size, dtype=np.bool_)
    first[1:] = stain[order][1:] != stain[order][:-1]
    best = order[first]
    region = peak_region[best]
    return Circles(
        region,
        (x[best] - shelf.shift_x[region]).astype(np.float64),
        (y[best] - shelf.shift_y[region]).astype(np.float64),
        reach[best] + _PEAK_TO_RIM_PX,
    )


def _peaks(depth2: Squares, owner: NDArray[np.int32]) -> tuple[Places, Places, Places]:
    """Places where the distance to the paper peaks, the deepest of each region; by region."""
    flat, width = depth2.ravel(), depth2.shape[1]
    # The picture is framed with paper: neighbours may be counted on around the ends of lines.
    inner = flat[width + 1 : -width - 1]
    top = inner >= _LEAST_DEPTH2
    # Of places of one depth side by side the first stands for all.
    for off in (1, width - 1, width, width + 1):
        top &= inner > flat[width + 1 - off : -width - 1 - off]
        top &= inner >= flat[width + 1 + off : flat.size - width - 1 + off]
    y, x = np.divmod(np.flatnonzero(top) + width + 1, width)
    region = owner[y, x].astype(np.intp)
    order = np.lexsort((-depth2[y, x].astype(np.int32), region))
    y, x, region = y[order], x[order], region[order]
    first = np.searchsorted(region, region, side="left")
    kept = np.arange(region.size) - first < _MOST_PEAKS
    return y[kept], x[kept], region[kept]


def _same_stain(depth2: Squares, y: Places, x: Places, region: Places) -> Places:
    """Number the peaks by stain: peaks without a neck between them are one stain."""
    behind = np.arange(region.size) + 1
    one, other = pairs_between(behind, np.searchsorted(region, region, side="right"))
    share = np.arange(1, _SAMPLES + 1) / (_SAMPLES + 1.0)
    # Where the line passes just between two pixels it looks at both: neither where a region lies on
    # the shelf, nor at which end the line begins may decide between them.
    off_y = (y[other] - y[one])[:, None] * share
    off_x = (x[other] - x[one])[:, None] * share
    flat, width = depth2.ravel(), depth2.shape[1]
    begin = (y[one] * width + x[one])[:, None]
    neck2 = np.full(one.size, np.iinfo(depth2.dtype).max, dtype=depth2.dtype)
    for aside in (-_HAIR_PX, _HAIR_PX):
        down, along = np.rint(off_y + aside), np.rint(off_x + aside)
        between = begin + (down * width + along).astype(np.intp)
        np.minimum(neck2, flat.take(between).min(axis=1), out=neck2)
    lesser2 = np.minimum(depth2[y[one], x[one]], depth2[y[other], x[other]])
    joined = neck2 >= _NECK**2 * lesser2
    graph = coo_array(
        (np.ones(int(joined.sum()), dtype=np.int8), (one[joined], other[joined])),
        shape=(region.size, region.size),
    )
    _, stain = connected_components(graph, directed=False)
    return stain.astype(np.intp)


def _reached(circles: Circles, rim: Rim, beyond_px: float) -> Pairs:
    """Runs that each circle of their region, made larger by so much, reaches; by the circle."""
    # One number for region and row, in order as the runs are.
    step = float(rim.y.max()) + 1.0 if rim.y.size else 1.0
    key = rim.region * step + rim.y
    reach = circles.radius + beyond_px + _HAIR_PX
    home = circles.region * step
    low = np.searchsorted(key, home + np.maximum(circles.y - reach, 0.0), side="left")
    high = np.searchsorted(key, home + np.minimum(circles.y + reach, step - 1.0), side="right")
    circle, run = pairs_between(low, high)
    return run, circle


def _off_circles(circles: Circles, rim: Rim, pairs: Pairs) -> Floats:
    """How far beyond the circle of its pair both ends of each run lie, (2, P). [px]"""
    run, circle = pairs
    v = rim.y[run] - circles.y[circle]
    off = rim.x[:, run]
    off -= circles.x[circle]
    off *= off
    off += v * v
    np.sqrt(off, out=off)
    off -= circles.radius[circle]
    return off


def _fitted(circles: Circles, rim: Rim) -> tuple[Circles, Places]:
    """Fit each circle to the rim that is its own; and how many places that are."""
    run, circle = _reached(circles, rim, _ON_RIM_PX)
    off = np.abs(_off_circles(circles, rim, (run, circle)))
    near = [np.flatnonzero(end < _ON_RIM_PX) for end in off]
    # A place is the own of the circle that it lies on most closely.
    for end, close in enumerate(near):
        least = np.full(rim.y.size, _ON_RIM_PX)
        np.minimum.at(least, run[close], off[end][close])
        near[end] = close[off[end][close] <= least[run[close]]]
    place = np.concatenate([run[close] for close in near])
    x = np.concatenate([rim.x[end][run[close]] for end, close in enumerate(near)])
    group = np.concatenate([circle[close] for close in near])
    x, y, radius, _, count = _fit(x, rim.y[place], group, circles.region.size)
    room = 0.2 * circles.radius + 0.5
    good = (count >= _FEWEST_TO_FIT) & (np.abs(radius - circles.radius) < room)
    good &= np.hypot(x - circles.x, y - circles.y) < room
    fitted = Circles(
        circles.region,
        np.where(good, x, circles.x),
        np.where(good, y, circles.y),
        np.where(good, radius, circles.radius),
    )
    return fitted, count


def _fit(
    x: Floats, y: Floats, group: Places, groups: int
) -> tuple[Floats, Floats, Floats, Floats, Places]:
    """Circles through groups of places: x, y, radius, RMS distance, number of places."""

    def total(values: Floats) -> Floats:
        sums = np.bincount(group, weights=values, minlength=groups)
        return sums.astype(np.float64, copy=False)

    count = np.bincount(group, minlength=groups)
    safe = np.maximum(count, 1)
    mean_x, mean_y = total(x) / safe, total(y) / safe
    u, v = x - mean_x[group], y - mean_y[group]
    square = u * u + v * v
    uu, vv, uv = total(u * u), total(v * v), total(u * v)
    right_u, right_v = total(u * square) / 2.0, total(v * square) / 2.0
    determinant = uu * vv - uv * uv
    usable = determinant > 1e-3
    determinant = np.where(usable, determinant, 1.0)
    centre_u = np.where(usable, (right_u * vv - right_v * uv) / determinant, 0.0)
    centre_v = np.where(usable, (right_v * uu - right_u * uv) / determinant, 0.0)
    radius = np.sqrt(centre_u**2 + centre_v**2 + (uu + vv) / safe)
    u, v = u - centre_u[group], v - centre_v[group]
    off = np.sqrt(u * u + v * v) - radius[group]
    rms = np.where(usable, np.sqrt(total(off * off) / safe), np.inf)
    return mean_x + centre_u, mean_y + centre_v, radius, rms, count


def _explained(circles: Circles, rim: Rim, whole: Moments) -> Bools:
    """Regions whose rim lies much closer to the circles than to one ellipse: (K,).

    Drops that come in at a slant leave ellipses, and no number of circles makes those stains two.
    """
    regions = whole.area.size
    low = np.searchsorted(rim.region, circles.region, side="left")
    circle, run = pairs_between(low, np.searchsorted(rim.region, circles.region, side="right"))
    off = _off_circles(circles, rim, (run, circle))
    to_circle2 = np.full(rim.x.shape, _FAR_PX**2)
    for end in (0, 1):
        np.minimum.at(to_circle2[end], run, off[end] * off[end])
    u, v = rim.x - whole.centre[rim.region, 0], rim.y - whole.centre[rim.region, 1]
    xx, yy, xy = (one[rim.region] for one in (whole.xx, whole.yy, whole.xy))
    square = (yy * u * u - 2.0 * xy * u * v + xx * v * v) / np.maximum(xx * yy - xy * xy, 1e-9)
    # The rim of a filled ellipse lies two standard deviations off its middle.
    to_ellipse2 = (u * u + v * v) * (1.0 - 2.0 / np.sqrt(np.maximum(square, 1e-9))) ** 2
    region = np.concatenate([rim.region, rim.region])
    of_circles = np.bincount(region, weights=to_circle2.ravel(), minlength=regions)
    of_ellipse = np.bincount(region, weights=to_ellipse2.ravel(), minlength=regions)
    return np.asarray(of_circles < _CLOSER**2 * of_ellipse, dtype=np.bool_)


def _standing_out(circles: Circles, rim: Rim, runs: Runs, shelf: Shelf) -> Circles:
    """Circles through the arcs that stand out beyond the circles known so far."""
    out, found = label(_beyond(circles, rim, runs, shelf), structure=np.ones((3, 3)))
    piece = out.ravel()[rim.pixel].ravel()
    end, run = np.divmod(np.flatnonzero(piece), rim.y.size)
    group = piece[piece > 0].astype(np.intp)
    some = Rim(rim.x[end, run][None], rim.y[run], rim.region[run], rim.pixel[end, run][None])
    x, y, radius, rms, count = _fit(some.x[0], some.y, group, int(found) + 1)
    region = np.zeros(int(found) + 1, dtype=np.intp)
    region[group] = some.region
    farthest, host = _farthest(circles, some, group, int(found) + 1, runs.regions)
    good = (count >= _FEWEST_POINTS) & (rms < _WORST_FIT_PX) & (radius >= _LEAST_RADIUS_PX)
    good &= farthest >= np.maximum(_LEAST_OUT_PX, _LEAST_OUT * host)
    good &= radius < 1.5 * host
    good[0] = False
    chosen = np.flatnonzero(good)
    more = Circles(region[chosen], x[chosen], y[chosen], radius[chosen])
    more = more.kept(_within(more, shelf))
    order = np.argsort(more.region, kind="stable")
    return Circles(more.region[order], more.x[order], more.y[order], more.radius[order])


def _beyond(circles: Circles, rim: Rim, runs: Runs, shelf: Shelf) -> Bools:
    """Pixels of the shelf that lie in no circle, not even one a little larger."""
    run, circle = _reached(circles, rim, _SLACK_PX)
    square = (circles.radius[circle] + _SLACK_PX) ** 2 - (runs.row[run] - circles.y[circle]) ** 2
    meets = square > 0.0
    run, circle, half = run[meets], circle[meets], np.sqrt(square[meets])
    low = np.maximum(np.ceil(circles.x[circle] - half).astype(np.intp), runs.first[run])
    high = np.minimum(np.floor(circles.x[circle] + half).astype(np.intp) + 1, runs.after[run])
    home = runs.region[run]
    begin = (runs.row[run] + shelf.shift_y[home]) * shelf.mask.shape[1] + shelf.shift_x[home]
    length = np.maximum(high - low, 0)
    ends = np.cumsum(length)
    pixel = np.repeat(begin + low - ends + length, length)
    pixel += np.arange(pixel.size)
    left = shelf.mask.copy()
    left.ravel()[pixel] = False
    return left


def _farthest(
    circles: Circles, some: Rim, group: Places, groups: int, regions: int
) -> tuple[Floats, Floats]:
    """How far each group reaches beyond the circles [px]; radius of the largest in its region."""
    many, offset = circles.many(regions)
    place, circle = pairs_between(offset[some.region], (offset + many)[some.region])
    beyond = _off_circles(circles, some, (place, circle))[0]
    least = least_of(beyond, place, group.size, 0.0)
    farthest, host = np.zeros(groups), np.zeros(groups)
    np.maximum.at(farthest, group, least)
    np.maximum.at(host, group[place], circles.radius[circle])
    return farthest, host


def _within(circles: Circles, shelf: Shelf) -> Bools:
    """Which circles lie within their region but for a pixel at the rim."""
    turn = np.arange(16) * (np.pi / 8.0)
    reach = np.maximum(circles.radius - 1.3, 0.0)[:, None]
    x = np.rint(circles.x[:, None] + reach * np.cos(turn)).astype(np.intp)
    y = np.rint(circles.y[:, None] + reach * np.sin(turn)).astype(np.intp)
    column = x + shelf.shift_x[circles.region][:, None]
    row = y + shelf.shift_y[circles.region][:, None]
    rows, columns = shelf.mask.shape
    inside = (column >= 0) & (row >= 0) & (column < columns) & (row < rows)
    column, row = np.clip(column, 0, columns - 1), np.clip(row, 0, rows - 1)
    inside &= shelf.mask[row, column] & (shelf.owner[row, column] == circles.region[:, None])
    result: Bools = inside.all(axis=1)
    return result
