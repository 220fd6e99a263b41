"""Connected regions from runs: each row's stretches of stain, joined where rows overlap.

A card of some million pixels has some ten thousand runs, so that everything after the first pass
over the pixels is work on short arrays. Regions touch through edges and corners (8 neighbours).
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from patterns.cards._bits import Bits, Places

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Runs:
    """Stretches of stain, row by row, and the region each belongs to; all (R,).

    Attributes
    ----------
    row : row of the picture. [px]
    first, after : first column of the run and the one after its last. [px]
    region : 0 … `regions` − 1.
    regions : how many there are.
    """

    row: Places
    first: Places
    after: Places
    region: Places
    regions: int

    def of(self, chosen: NDArray[np.bool_]) -> tuple[Runs, Places]:
        """Those of chosen regions (K,), region by region, and where they stood.

        The regions are numbered anew in the same order.
        """
        regions = int(np.count_nonzero(chosen))
        # In two bytes, where they are enough: these are sorted fastest.
        number = (np.cumsum(chosen) - 1).astype(np.uint16 if regions < 2**16 else np.intp)
        kept = np.flatnonzero(chosen[self.region])
        kept = kept[np.argsort(number[self.region[kept]], kind="stable")]
        own = number[self.region[kept]].astype(np.intp)
        return Runs(self.row[kept], self.first[kept], self.after[kept], own, regions), kept


@dataclass(frozen=True, slots=True, eq=False)
class Moments:
    """Area, centre and spread of regions; all (K,) unless said.

    Attributes
    ----------
    area : [px²]
    centre : (K, 2) x and y. [px]
    xx, yy, xy : variance of x, of y and their covariance over the region. [px²]
    """

    area: Floats
    centre: Floats
    xx: Floats
    yy: Floats
    xy: Floats

    def of(self, chosen: NDArray[np.bool_] | Places) -> Moments:
        """Those of chosen regions."""
        return Moments(*(getattr(self, one.name)[chosen] for one in fields(self)))

    def axes(self) -> Floats:
        """Length and breadth of the ellipse of the same moments, (K, 2). [px]

        A filled ellipse has a variance of a quarter of its half axis squared.
        """
        middle, half = (self.xx + self.yy) / 2.0, (self.xx - self.yy) / 2.0
        apart = np.sqrt(half * half + self.xy * self.xy)
        squares = np.stack([middle + apart, np.maximum(middle - apart, 0.0)], axis=1)
        return np.asarray(4.0 * np.sqrt(squares), dtype=np.float64)

    def angle(self) -> Floats:
        """Angle of its long axis, (K,). [°]"""
        angle: Floats = np.rad2deg(0.5 * np.arctan2(self.xy, (self.xx - self.yy) / 2.0))
        return angle

    def fill(self) -> Floats:
        """Area as a share of the ellipse of the same moments: 1 for a filled ellipse."""
        spread = np.sqrt(np.maximum(self.xx * self.yy - self.xy**2, 1e-12))
        return self.area / (4.0 * np.pi * spread)


def find_runs(bits: Bits) -> Runs:
    """Find the runs of a mask and join them to regions."""
    changes = _changes(bits.flat)
    # Copied: what follows reads them over and over.
    first, after = changes.reshape(-1, 2).T.copy()
    pitch = 8 * bits.width
    region, regions = _join(first, after, pitch)
    row = first // pitch
    return Runs(row, first - row * pitch, after - row * pitch, region, regions)


def _changes(bits: NDArray[np.uint8]) -> Places:
    """Places at which a row of bits, the lowest of each byte first, differs from the one before."""
    changed = np.left_shift(bits, np.uint8(1))
    changed[1:] |= bits[:-1] >> 7
    changed ^= bits
    # Few bytes hold a change: only these are looked into.
    byte = np.flatnonzero(changed != 0)
    bit = np.flatnonzero(np.unpackbits(changed[byte], bitorder="little").view(np.bool_))
    places: Places = 8 * byte[bit >> 3] + (bit & 7)
    return places


def _join(first: Places, after: Places, pitch: int) -> tuple[Places, int]:
    """Number the regions: runs of neighbouring rows that overlap or touch corners are one."""
    upper, lower = _meeting(first, after, pitch)
    # Each run points to one that it meets in the row above, and so on up to a top.
    top = np.arange(first.size)
    top[lower] = upper
    joint = np.flatnonzero(top[lower] != upper)
    top = _followed(top)
    # Where a run meets several above, their tops are one region's.
    top = _linked(top[upper[joint]], top[lower[joint]], top.size)[top]
    is_top = top == np.arange(top.size)
    return (np.cumsum(is_top) - 1)[top], int(np.count_nonzero(is_top))


def _meeting(first: Places, after: Places, pitch: int) -> tuple[Places, Places]:
    """Pairs of runs that overlap or touch corners: the upper one and the lower."""
    end = after + pitch
    begin = np.append(first, np.iinfo(np.intp).max)
    upper = np.arange(first.size)
    lower = np.searchsorted(after, first + pitch, side="left")
    pairs = [(upper[:0], lower[:0])]
    while upper.size:
        # Most runs meet one below, few a second one.
        meets = np.flatnonzero(begin[lower] <= end[upper])
        upper, lower = upper[meets], lower[meets]
        pairs.append((upper, lower))
        lower = lower + 1
    return np.concatenate([one for one, _ in pairs]), np.concatenate([one for _, one in pairs])


def _followed(pointer: Places) -> Places:
    """Where each place leads to in the end; pointers go back or to themselves."""
    while True:
        farther = pointer[pointer]
        if np.array_equal(farther, pointer):
            return farther
        pointer = farther


def _linked(one: Places, other: Places, places: int) -> Places:
    """First of all places that each place is linked to, over others, too: (places,)."""
    leads = np.arange(places)
    while one.size:
        one, other = leads[one], leads[other]
        apart = one != other
        one, other = one[apart], other[apart]
        leads[np.maximum(one, other)] = np.minimum(one, other)
        leads = _followed(leads)
    return leads


def stretches(group: Places, groups: int) -> list[slice]:
    """Where each of 0 … groups − 1 stands in `group`, which is in order."""
    ends = np.searchsorted(group, np.arange(groups + 1)).tolist()
    return [slice(*edges) for edges in pairwise(ends)]


def pairs_between(low: Places, high: Places) -> tuple[Places, Places]:
    """List (i, j) for every i and every j from low[i] to below high[i]."""
    many = np.maximum(high - low, 0)
    ends = np.cumsum(many)
    one = np.repeat(np.arange(low.size), many)
    other = np.repeat(low - ends + many, many)
    other += np.arange(other.size)
    return one, other


def least_of(values: Floats, place: Places, places: int, otherwise: float) -> Floats:
    """Least value of each place, `otherwise` where there is none; places come in order."""
    least = np.full(places, otherwise)
    if place.size:
        first = np.flatnonzero(np.diff(place, prepend=-1))
        least[place[first]] = np.minimum.reduceat(values, first)
    return least


def moments(row: Places, start: Floats, end: Floats, region: Places, regions: int) -> Moments:
    """Moments of regions made of runs with ends between pixels.

    Parameters
    ----------
    row : (R,) row of each run. [px]
    start, end : (R,) where it begins and ends, 0 at the middle of the first pixel. [px]
    region : (R,) region of each run, 0 … regions − 1.
    regions : how many regions there are.

    Returns
    -------
    Moments
    """
    # Sums around a place within each region lose no digits.
    x0, y0 = np.zeros(regions), np.zeros(regions)
    x0[region], y0[region] = start, row
    a, b, y = start - x0[region], end - x0[region], row - y0[region]
    length = end - start

    def total(values: Floats) -> Floats:
        sums = np.bincount(region, weights=values, minlength=regions)
        return sums.astype(np.float64, copy=False)

    area = total(length)
    safe = np.where(area > 0.0, area, 1.0)
    along = length * (a + b) / 2.0
    x, mean_y = total(along) / safe, total(length * y) / safe
    xx = total(length * (a * a + a * b + b * b) / 3.0) / safe - x * x
    # Every row is one pixel high: that adds a twelfth to the variance across.
    yy = total(length * y * y) / safe - mean_y * mean_y + 1.0 / 12.0
    xy = total(along * y) / safe - x * mean_y
    return Moments(area, np.stack([x + x0, mean_y + y0], axis=1), xx, yy, xy)
