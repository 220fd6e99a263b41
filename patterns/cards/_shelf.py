"""Regions laid side by side on a picture of their own, to look into them at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

from patterns.cards._rim import Boxes
from patterns.cards._runs import Floats, Places, Runs, pairs_between

Singles = NDArray[np.float32]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Shelf:
    """Regions laid side by side on a picture of their own.

    Attributes
    ----------
    mask, depth : the picture, and each pixel's distance to the paper. [px]
    owner : whose pixel it is.
    run : (R,) runs of these regions.
    shift_y, shift_x : (K,) from the card to the picture, region by region. [px]
    """

    mask: Bools
    depth: Singles
    owner: NDArray[np.int32]
    run: Places
    shift_y: Places
    shift_x: Places


@dataclass(frozen=True, slots=True, eq=False)
class Rim:
    """Places on the rim of the regions on the shelf, both ends of every run; all (N,)."""

    x: Floats
    y: Floats
    region: Places
    pixel_y: Places
    pixel_x: Places


def shelve(runs: Runs, boxes: Boxes, candidate: Bools, chosen: Places) -> Shelf:
    """Draw the regions side by side."""
    down, along, shape = _shelf_places(boxes.height[chosen] + 2, boxes.width[chosen] + 2)
    shift_y = np.zeros(runs.regions, dtype=np.intp)
    shift_x = np.zeros(runs.regions, dtype=np.intp)
    shift_y[chosen] = down + 1 - boxes.top[chosen]
    shift_x[chosen] = along + 1 - boxes.left[chosen]
    mask = np.zeros(shape, dtype=np.bool_)
    owner = np.zeros(shape, dtype=np.int32)
    run = np.flatnonzero(candidate[runs.region])
    region = runs.region[run]
    begin = (runs.row[run] + shift_y[region]) * shape[1] + runs.first[run] + shift_x[region]
    which, pixel = pairs_between(begin, begin + runs.after[run] - runs.first[run])
    mask.ravel()[pixel] = True
    owner.ravel()[pixel] = region[which]
    depth = distance_transform_edt(mask).astype(np.float32)
    return Shelf(mask, depth, owner, run, shift_y, shift_x)


def _shelf_places(heights: Places, widths: Places) -> tuple[Places, Places, tuple[int, int]]:
    """Lay boxes on shelves, the highest first: top and left of each, and the shape."""
    order = np.argsort(-heights, kind="stable")
    # About as wide as high.
    edge = max(int(np.sqrt(float(np.sum(heights * widths)))), int(widths.max()))
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


def rim_places(runs: Runs, start: Floats, end: Floats, shelf: Shelf) -> Rim:
    """List both ends of the runs on the shelf."""
    run = shelf.run
    row, region = runs.row[run], runs.region[run]
    down = row + shelf.shift_y[region]
    return Rim(
        x=np.concatenate([start[run], end[run]]),
        y=np.concatenate([row, row]).astype(np.float64),
        region=np.concatenate([region, region]),
        pixel_y=np.concatenate([down, down]),
        pixel_x=np.concatenate(
            [runs.first[run] + shelf.shift_x[region], runs.after[run] - 1 + shelf.shift_x[region]]
        ),
    )
