"""Connected regions from runs: each row's stretches of stain, joined where rows overlap.

A card of some million pixels has some ten thousand runs, so that everything after the first pass
over the pixels is work on short arrays. Regions touch through edges and corners (8 neighbours).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

Floats = NDArray[np.float64]
Places = NDArray[np.intp]


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

    def axes(self) -> tuple[Floats, Floats]:
        """Ellipse of the same moments: (K, 2) length and breadth [px], (K,) angle [°].

        A filled ellipse has a variance of a quarter of its half axis squared.
        """
        middle, half = (self.xx + self.yy) / 2.0, (self.xx - self.yy) / 2.0
        apart = np.hypot(half, self.xy)
        lengths = 4.0 * np.sqrt(np.stack([middle + apart, np.maximum(middle - apart, 0.0)], 1))
        return lengths, np.rad2deg(0.5 * np.arctan2(self.xy, half))

    def fill(self) -> Floats:
        """Area as a share of the ellipse of the same moments: 1 for a filled ellipse."""
        spread = np.sqrt(np.maximum(self.xx * self.yy - self.xy**2, 1e-12))
        return self.area / (4.0 * np.pi * spread)


def find_runs(mask: NDArray[np.bool_]) -> Runs:
    """Find the runs of a mask and join them to regions.

    Parameters
    ----------
    mask : (M, N) bool.

    Returns
    -------
    Runs
    """
    rows, columns = mask.shape
    # Two columns of nothing between rows: runs neither reach over the end of a row, nor touch
    # corners around it.
    pitch = columns + 2
    flat = np.zeros(rows * pitch + 1, dtype=np.bool_)
    flat[:-1].reshape(rows, pitch)[:, 1:-1] = mask
    changes = np.flatnonzero(flat[1:] != flat[:-1])
    first, after = changes[0::2] + 1, changes[1::2] + 1
    region, regions = _join(first, after, pitch)
    row = first // pitch
    return Runs(row, first - row * pitch - 1, after - row * pitch - 1, region, regions)


def _join(first: Places, after: Places, pitch: int) -> tuple[Places, int]:
    """Number the regions: runs of neighbouring rows that overlap or touch corners are one."""
    if first.size == 0:
        return first, 0
    low = np.searchsorted(after, first + pitch, side="left")
    high = np.searchsorted(first, after + pitch, side="right")
    upper, lower = pairs_between(low, high)
    graph = coo_array(
        (np.ones(upper.size, dtype=np.int8), (upper, lower)), shape=(first.size, first.size)
    )
    regions, region = connected_components(graph, directed=False)
    return region.astype(np.intp), int(regions)


def pairs_between(low: Places, high: Places) -> tuple[Places, Places]:
    """List (i, j) for every i and every j from low[i] to below high[i]."""
    many = np.maximum(high - low, 0)
    ends = np.cumsum(many)
    one = np.repeat(np.arange(low.size), many)
    other = np.arange(int(ends[-1]) if ends.size else 0) + np.repeat(low - ends + many, many)
    return one, other


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
