"""Sub-pixel rims: where along a row a stain begins and ends, and how much light small ones take.

Along each run the rim is where the strength passes half of the stain's own ink, on a straight line
between two pixels. A row of chords at even distance adds up to the area of a shape without bias
(systematic lines; Cavalieri's principle). Blur pulls the half level of a round rim inwards by
σ² / 2r, which takes the same π·σ² off every stain whatever its size or shape (the curvature of a
closed line adds up to 2π). How much that is on a card is measured on its small stains that stand
alone: their whole missing light, which blur spreads but does not lessen, gives their true area.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from patterns.cards._bits import Places
from patterns.cards._levels import Singles, sums_of
from patterns.cards._runs import Floats, Runs
from patterns.cards.separate import Bytes, Separation

# A run must be this long for its middle to show the ink of the stain without the rim.
_PLATEAU_PX: Final = 8
_MARGIN_PX: Final = 3
_WINDOWS_PX: Final = (6, 12)
# Of fewer pixels is no stain that could be counted, and hardly any light.
_FEWEST_PX: Final = 4
_FEWEST_FOR_BLUR: Final = 8
# Between the two pixels at a rim, in grey levels: below what whole levels can differ by.
_LEAST_RISE: Final = 0.1
_CLASSES_PX2: Final = (4.0, 8.0, 16.0, 32.0, 64.0)
# Blur of a pixel's own edges (two twelfths) and half a pixel of optics, where nothing is measured.
_USUAL_LOSS_PX2: Final = 1.0
_MOST_LOSS_PX2: Final = 12.0


@dataclass(frozen=True, slots=True, eq=False)
class Boxes:
    """Box around each region, half-open; all (K,). [px]"""

    top: Places
    left: Places
    bottom: Places
    right: Places

    def of(self, chosen: NDArray[np.bool_] | Places) -> Boxes:
        """Those of chosen regions."""
        return Boxes(*(getattr(self, one.name)[chosen] for one in fields(self)))

    @property
    def height(self) -> Places:
        """Rows."""
        return self.bottom - self.top

    @property
    def width(self) -> Places:
        """Columns."""
        return self.right - self.left


def boxes_of(runs: Runs) -> Boxes:
    """Find the box around each region."""
    top, left = (np.full(runs.regions, np.iinfo(np.intp).max) for _ in range(2))
    bottom, right = (np.zeros(runs.regions, dtype=np.intp) for _ in range(2))
    np.minimum.at(top, runs.region, runs.row)
    np.minimum.at(left, runs.region, runs.first)
    np.maximum.at(bottom, runs.region, runs.row + 1)
    np.maximum.at(right, runs.region, runs.after)
    return Boxes(top, left, bottom, right)


def ink_of(separation: Separation, runs: Runs) -> Floats:
    """How strong the ink of each region is: (K,), 1 for the card's usual ink.

    The mean of the middles of its longer runs; 1 where no run is long enough to tell.
    """
    long = np.flatnonzero(runs.after - runs.first >= _PLATEAU_PX)
    region = runs.region[long]
    strength = separation.strength_at(runs.row[long], (runs.first[long] + runs.after[long]) // 2)
    many = np.bincount(region, minlength=runs.regions)
    total = np.bincount(region, weights=strength, minlength=runs.regions)
    ink = np.where(many > 0, total / np.maximum(many, 1), 1.0)
    return np.clip(ink, 0.5, 1.6)


def rim_of(separation: Separation, runs: Runs, ink: Floats) -> tuple[Floats, Floats]:
    """Where each run begins and ends: (R,) and (R,), 0 at the middle of the first pixel. [px]"""
    _, left, _, right = separation.valid_px
    level = separation.threshold_percent / 100.0 * ink
    share = (1.0 - level * (1.0 - separation.ink_share))[runs.region]
    last = runs.after - 1
    before = _crossing(separation, runs.row, runs.first, np.maximum(runs.first - 1, left), share)
    behind = _crossing(separation, runs.row, last, np.minimum(runs.after, right - 1), share)
    # At the edge of the card the pixel ends the run, not the rim.
    before[runs.first <= left] = 0.5
    behind[runs.after >= right] = 0.5
    return runs.first - before, last + behind


def _crossing(
    separation: Separation, row: Places, inside: Places, outside: Places, share: Floats
) -> Floats:
    """How far from the inner pixel towards the outer one the rim lies. [px]

    It lies where the grey passes a share of the level of the paper.
    """
    cut = share * separation.paper_at(row, inside)
    dark = separation.grey_at(row, inside).astype(np.float64)
    rise = separation.grey_at(row, outside) - dark
    # The level of a stain's own ink may lie a little beyond the pair that the mask was cut at.
    return np.clip((cut - dark) / np.maximum(rise, _LEAST_RISE), -0.5, 1.5)


def whole_light(separation: Separation, boxes: Boxes, count: Places, ink: Floats) -> Floats:
    """Area of small regions that stand alone, from all the light they take; NaN for others.

    Parameters
    ----------
    separation : stain parted from paper.
    boxes : around the K regions.
    count : (K,) pixels of each region.
    ink : (K,) strength of full stain in each.

    Returns
    -------
    (K,) [px²]. The paper around is taken from the ring of pixels three off the box.
    """
    area = np.full(count.size, np.nan)
    size = np.maximum(boxes.height, boxes.width)
    size[count < _FEWEST_PX] = 0
    smaller = 0
    for largest in _WINDOWS_PX:
        chosen = np.flatnonzero((size > smaller) & (size <= largest))
        edge = largest + 2 * _MARGIN_PX
        light, alone = _light_in(separation, boxes.of(chosen), count[chosen], edge)
        area[chosen[alone]] = light / ink[chosen[alone]]
        smaller = largest
    return area


def _light_in(
    separation: Separation, boxes: Boxes, count: Places, edge: int
) -> tuple[Floats, Places]:
    """Missing light in windows around some regions, in pixels of full stain; which stand alone."""
    top = (boxes.top + boxes.bottom - edge) // 2
    left = (boxes.left + boxes.right - edge) // 2
    first_row, first_column, after_row, after_column = separation.valid_px
    inside = (top >= first_row) & (left >= first_column)
    inside &= (top + edge <= after_row) & (left + edge <= after_column)
    alone = np.flatnonzero(inside)
    # Nothing else is near where the window holds no more than the region.
    alone = alone[separation.stain.count_in(top[alone], left[alone], edge) == count[alone]]
    if not alone.size:
        return np.empty(0), alone
    windows = _windows(separation.channel, top[alone], left[alone], edge)
    total, around = sums_of(windows), sums_of(windows, _frame(edge))
    ring = around / (4 * edge - 4)
    missing = ring * (edge - 2) ** 2 - (total - around)
    return missing / (np.maximum(ring, 1.0) * (1.0 - separation.ink_share)), alone


def _windows(picture: Bytes, top: Places, left: Places, edge: int) -> Singles:
    """Square windows of a picture (M, N), which they must lie in: (K, edge · edge)."""
    columns = picture.shape[1]
    flat = np.ascontiguousarray(picture).ravel()
    # All windows that there could be, over one another; each line is one value of so many bytes,
    # which are fetched in one go.
    windows = np.ndarray(
        (flat.size - (edge - 1) * (columns + 1), edge),
        dtype=np.dtype((np.void, edge)),
        buffer=flat,
        strides=(1, columns),
    )
    lines: Bytes = windows[top * columns + left].view(np.uint8)
    return lines.reshape(top.size, edge * edge).astype(np.float32)


def _frame(edge: int) -> Singles:
    """1 on the outermost pixels of a window, 0 within: (edge · edge,)."""
    frame = np.ones((edge, edge), dtype=np.float32)
    frame[1:-1, 1:-1] = 0.0
    return frame.ravel()


def loss_of(light_area: Floats, half_area: Floats) -> tuple[Floats, float]:
    """Area that blur takes off each stain at the half level.

    Parameters
    ----------
    light_area, half_area : (K,) area by all the light, NaN where not known, and by the rim. [px²]

    Returns
    -------
    loss : (K,) from the small stains that stand alone: the median in each class of size, on
        straight lines between the classes; a usual value where there are too few. [px²]
    of_large : of stains many pixels wide. [px²]
    """
    known = np.flatnonzero(np.isfinite(light_area))
    known = known[np.argsort(half_area[known], kind="stable")]
    size, loss = half_area[known], light_area[known] - half_area[known]
    ends = [0, *np.searchsorted(size, _CLASSES_PX2).tolist(), size.size]
    at, found = [], []
    for first, after in pairwise(ends):
        if after - first >= _FEWEST_FOR_BLUR:
            at.append(_middle_of(size[first:after]))
            found.append(min(max(_middle_of(np.sort(loss[first:after])), 0.0), _MOST_LOSS_PX2))
    if not at:
        return np.full(half_area.size, _USUAL_LOSS_PX2), _USUAL_LOSS_PX2
    return np.interp(half_area, at, found), found[-1]


def _middle_of(ranked: Floats) -> float:
    """Median of some values in order, one at least."""
    return float(ranked[(ranked.size - 1) // 2] + ranked[ranked.size // 2]) / 2.0
