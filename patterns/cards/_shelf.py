"""Regions laid side by side on a picture of their own, to look into them at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from patterns.cards._bits import Places
from patterns.cards._rim import Boxes
from patterns.cards._runs import Floats, Runs

Squares = NDArray[np.uint16] | NDArray[np.uint32]
Bools = NDArray[np.bool_]

# Squares of two such distances add up to less than 2¹⁶.
_SHORT_PX: Final = 180


@dataclass(frozen=True, slots=True, eq=False)
class Shelf:
    """Regions laid side by side on a picture of their own.

    Attributes
    ----------
    mask : the picture; its first and last line and column are paper.
    depth2 : square of each pixel's distance to the paper. [px²]
    owner : whose pixel it is.
    shift_y, shift_x : (K,) from the card to the picture, region by region. [px]
    """

    mask: Bools
    depth2: Squares
    owner: NDArray[np.int32]
    shift_y: Places
    shift_x: Places


@dataclass(frozen=True, slots=True, eq=False)
class Rim:
    """Places on the rim of the regions on the shelf: both ends of each of R runs.

    Attributes
    ----------
    x : (2, R) where the run begins and where it ends. [px]
    y : (R,) its row. [px]
    region : (R,) of the run.
    pixel : (2, R) first and last pixel of the run on the shelf, counted line by line.
    """

    x: Floats
    y: Floats
    region: Places
    pixel: Places

    def kept(self, keep: Bools) -> Rim:
        """Return those chosen."""
        run = np.flatnonzero(keep)
        return Rim(self.x[:, run], self.y[run], self.region[run], self.pixel[:, run])


def shelve(runs: Runs, boxes: Boxes) -> Shelf:
    """Draw regions side by side."""
    heights = boxes.height + 2
    down, along, shape = _shelf_places(heights, boxes.width + 2)
    shift_y, shift_x = down + 1 - boxes.top, along + 1 - boxes.left
    owner = np.zeros(shape, dtype=np.int32)
    # No pixel lies deeper than half its region is wide or high.
    deepest = np.minimum(boxes.height, boxes.width) // 2 + 1
    most = int(deepest.max())
    kind = np.uint16 if most <= _SHORT_PX else np.uint32
    beside2 = np.zeros(shape, dtype=kind)
    region, length = runs.region, runs.after - runs.first
    begin = (runs.row + shift_y[region]) * shape[1] + runs.first + shift_x[region]
    # Of every pixel of every run in turn: how many of its run lie before it and behind.
    ends = np.cumsum(length).astype(np.int32)
    place = np.arange(int(ends[-1]), dtype=np.int32)
    behind = np.repeat(ends, length)
    behind -= place
    before = place - np.repeat(ends - length.astype(np.int32), length)
    pixel = np.repeat(begin, length)
    pixel += before
    owner.ravel()[pixel] = np.repeat(region.astype(np.int32), length)
    beside = np.minimum(np.minimum(before + 1, behind), most).astype(kind)
    beside2.ravel()[pixel] = np.square(beside)
    depth2 = _depth2(beside2, down + heights, deepest)
    return Shelf(beside2 > 0, depth2, owner, shift_y, shift_x)


def _depth2(beside2: Squares, ends: Places, deepest: Places) -> Squares:
    """Square of the distance to the paper, from its square along the row.

    The nearest paper pixel lies some rows off, and there it is the nearest of its row (two passes;
    A. Rosenfeld and J. L. Pfaltz 1968 and others; from memory). The highest regions lie on top, so
    that rows far off are only looked at for the first shelves.

    Parameters
    ----------
    beside2 : square of the distance along the row. [px²]
    ends : (K,) the line after the last of each region.
    deepest : (K,) no pixel of the region is farther from paper than that. [px]
    """
    depth2, width = beside2.ravel().copy(), beside2.shape[1]
    flat, space = beside2.ravel(), np.empty_like(depth2)
    order = np.argsort(deepest)
    # Last line of all that are at least so deep.
    reach = np.maximum.accumulate(ends[order][::-1])[::-1]
    ranked = deepest[order]
    for off in range(1, int(ranked[-1]) + 1):
        size = int(reach[np.searchsorted(ranked, off)]) * width
        farther = np.add(flat[:size], depth2.dtype.type(off * off), out=space[:size])
        step = off * width
        np.minimum(depth2[step:size], farther[:-step], out=depth2[step:size])
        np.minimum(depth2[: size - step], farther[step:], out=depth2[: size - step])
    return depth2.reshape(beside2.shape)


def _shelf_places(heights: Places, widths: Places) -> tuple[Places, Places, tuple[int, int]]:
    """Lay boxes on shelves, the highest first: top and left of each, and the shape."""
    order = np.argsort(-heights, kind="stable")
    # About as wide as high; the last box of a shelf may stand out beyond the edge.
    edge = int(np.sqrt(float(np.sum(heights * widths)))) + 1
    before = np.cumsum(widths[order]) - widths[order]
    shelf = np.unique(before // edge, return_inverse=True)[1]
    first = np.searchsorted(shelf, np.arange(int(shelf[-1]) + 1))
    high = heights[order][first]
    down, along = np.empty_like(heights), np.empty_like(widths)
    down[order] = (np.cumsum(high) - high)[shelf]
    along[order] = before - before[first][shelf]
    return down, along, (int(high.sum()), int((along + widths).max()))


def rim_places(runs: Runs, start: Floats, end: Floats, shelf: Shelf) -> Rim:
    """List both ends of the runs on the shelf."""
    begin = (runs.row + shelf.shift_y[runs.region]) * shelf.mask.shape[1]
    begin += runs.first + shelf.shift_x[runs.region]
    return Rim(
        x=np.stack([start, end]),
        y=runs.row.astype(np.float64),
        region=runs.region,
        pixel=np.stack([begin, begin + (runs.after - 1 - runs.first)]),
    )
