"""Grey levels of paper and ink: over the whole card, and of the paper tile by tile."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]

TILE_PX: Final = 64
"""Edge of the tiles in which the level of the paper is taken. [px]"""
SAMPLE_STEP: Final = 4
"""Every fourth pixel of every fourth line is enough for levels."""
_BURNT_OUT: Final = 250
FEW_INSIDE: Final = 5
"""Fewer pixels than this are no stain."""
_LEVELS: Final = 256
# Lines looked at for choosing the channel, and how many of them make a tile.
_SAMPLE_LINES: Final = 64
_LINES_A_TILE: Final = 4
# What is darker than the paper by this many scatters and this share of it is looked at as stain.
_CLEAR_SCATTERS: Final = 5.0
_CLEAR_SHARE: Final = 0.08


@dataclass(frozen=True, slots=True)
class Levels:
    """Paper and ink in one channel of a sample."""

    paper: float
    scatter: float
    ink: float
    stained: int

    @property
    def contrast(self) -> float:
        return self.paper - self.ink

    @property
    def merit(self) -> float:
        return self.contrast / (self.scatter + 1.0)


def best_channel(pixels: Bytes) -> tuple[int, Levels]:
    """Choose the channel in which paper and ink lie furthest apart for the scatter."""
    lines = pixels[:: max(1, pixels.shape[0] // _SAMPLE_LINES)]
    found = [
        _levels(_flattened(np.ascontiguousarray(lines[..., index])))
        for index in range(lines.shape[2])
    ]
    best = max(range(len(found)), key=lambda index: found[index].merit)
    return best, found[best]


def _flattened(lines: Bytes) -> Bytes:
    """Take uneven light out of some full lines: paper comes to the commonest of its levels."""
    level = _tile_quantile(lines, _LINES_A_TILE, TILE_PX, 0.8)
    middle = float(np.median(level))
    # A clip or a lid is no shading.
    level = np.where(level < 0.6 * middle, middle, np.maximum(level, 1.0))
    flat = np.empty_like(lines)
    for band, gains in enumerate((middle / level).astype(np.float32)):
        rows = slice(band * _LINES_A_TILE, (band + 1) * _LINES_A_TILE)
        gain = np.repeat(gains, TILE_PX)[: lines.shape[1]]
        flat[rows] = np.minimum(lines[rows] * gain + np.float32(0.5), 255)
    return flat


def _tiles(plane: Bytes, height: int, width: int) -> tuple[Bytes, NDArray[np.intp]]:
    """Sort the pixels of every tile: (down, along, P), the tile's own at the end; how many."""
    rows, columns = plane.shape
    down, along = -(-rows // height), -(-columns // width)
    padded = np.zeros((down * height, along * width), dtype=np.uint8)
    padded[:rows, :columns] = plane
    tiles = padded.reshape(down, height, along, width).swapaxes(1, 2).reshape(down, along, -1)
    tiles.sort(axis=2)
    full_down = np.minimum(height, rows - height * np.arange(down))
    full_along = np.minimum(width, columns - width * np.arange(along))
    return tiles, np.outer(full_down, full_along)


def _tile_quantile(lines: Bytes, height: int, width: int, quantile: float) -> Floats:
    """Level under which a share of each tile's pixels lies."""
    tiles, own = _tiles(lines[:, ::SAMPLE_STEP], height, width // SAMPLE_STEP)
    place = tiles.shape[2] - 1 - ((1.0 - quantile) * own).astype(np.intp)
    return np.take_along_axis(tiles, place[..., None], axis=2)[..., 0].astype(np.float64)


def _levels(lines: Bytes) -> Levels:
    """Paper, its scatter and ink from some full lines of one channel, evenly lit."""
    histogram = np.bincount(lines[:, ::SAMPLE_STEP].ravel(), minlength=_LEVELS)
    paper, scatter = _paper_of(histogram)
    ink = paper - 2.0 * max(_CLEAR_SCATTERS * scatter, _CLEAR_SHARE * paper)
    stained = 0
    for _ in range(6):
        inside = _inside(lines, (paper + ink) / 2.0)
        stained = inside.size
        if stained < FEW_INSIDE:
            break
        moved = float(np.median(inside))
        if abs(moved - ink) < 0.5:
            break
        ink = moved
    return Levels(paper, scatter, float(np.clip(ink, 0.0, paper)), stained)


def _inside(lines: Bytes, cut: float) -> Bytes:
    """Pixels darker than a cut, those off the rim where there are enough of them."""
    dark = lines < cut
    inside = dark[:, 2:-2] & dark[:, :-4] & dark[:, 4:]
    found = lines[:, 2:-2][inside]
    return found if found.size >= 4 * FEW_INSIDE else lines[dark]


def _paper_of(histogram: NDArray[np.intp]) -> tuple[float, float]:
    """Level of the paper and its standard deviation, from one side of its peak."""
    light = np.flatnonzero(histogram > 0)
    middle = (int(light[0]) + int(light[-1])) / 2.0
    smooth = np.convolve(histogram, [1, 2, 3, 2, 1], mode="same")
    smooth[: int(middle)] = 0
    paper = int(np.argmax(smooth))
    # From the light side, where no stain is; from the dark one where the scan is burnt out.
    side = histogram[paper:] if paper < _BURNT_OUT else histogram[paper::-1]
    beside = side.astype(np.float64)
    # Half of a side lies within 0.674 standard deviations.
    reached = np.cumsum(beside) - beside[0] / 2.0
    half = float(np.interp(0.5 * reached[-1], reached, np.arange(beside.size)))
    return float(paper), max(half / 0.674, 0.5)


def paper_level_of(channel: Bytes, levels: Levels) -> Floats:
    """Grey level of bare paper in every tile: the mean of what is paper there.

    Parameters
    ----------
    channel : (M, N) uint8.
    levels : paper and ink of this channel.

    Returns
    -------
    (⌈M / 64⌉, ⌈N / 64⌉) float64, 1 or more.
    """
    side = TILE_PX // SAMPLE_STEP
    thin = channel[::SAMPLE_STEP, ::SAMPLE_STEP]
    down, along = -(-thin.shape[0] // side), -(-thin.shape[1] // side)
    padded = np.zeros((down * side, along * side), dtype=np.uint8)
    padded[: thin.shape[0], : thin.shape[1]] = thin
    tiles = padded.reshape(down, side, along, side).swapaxes(1, 2).reshape(down, along, -1)
    # From far down, so that the scatter of uneven light is in, to close to the paper, so that
    # the pale rims of stains are out.
    level, reach = tiles.max(axis=2).astype(np.float64), levels.contrast / 2.0
    for _ in range(3):
        cut = np.clip(np.ceil(level - reach), 1, 255).astype(np.uint8)
        is_paper = tiles >= cut[..., None]
        count = np.count_nonzero(is_paper, axis=2)
        total = (tiles * is_paper).sum(axis=2, dtype=np.uint32)
        level, reach = total / np.maximum(count, 1), 3.0 * levels.scatter + 1.0
    return _mended(level, count, levels)


def _mended(level: Floats, count: NDArray[np.intp], levels: Levels) -> Floats:
    """Tiles with hardly any paper, or far darker than the rest, take the level of their row."""
    usable = (count >= 12) & (level > (levels.paper + levels.ink) / 2.0)
    middle = float(np.median(level[usable])) if usable.any() else levels.paper
    for index in np.flatnonzero(~usable.all(axis=1)):
        row, good = level[index], usable[index]
        row[~good] = np.median(row[good]) if good.any() else middle
    return np.maximum(level, 1.0)
