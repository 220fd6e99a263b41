"""Grey levels of paper and ink: over the whole card, and of the paper tile by tile."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

TILE_SHIFT: Final = 6
TILE_PX: Final = 1 << TILE_SHIFT
"""Edge of the tiles in which the level of the paper is taken. [px]"""
SAMPLE_STEP: Final = 4
"""Every fourth pixel of every fourth line is enough for levels."""
_BURNT_OUT: Final = 250
FEW_INSIDE: Final = 5
"""Fewer pixels than this are no stain."""
_LEVELS: Final = 256
# Grey levels of scatter from which the paper is a wide heap.
_WIDE_SCATTER: Final = 4.0
# Lines looked at for choosing the channel, more where these hold too little stain to tell its ink;
# and how many of them make a tile.
_SAMPLE_LINES: Final = 32
_MORE_LINES: Final = 128
_LINES_A_TILE: Final = 4
_HISTOGRAM_STEP: Final = 2
_ENOUGH_INSIDE: Final = 60
# What is darker than the paper by this many scatters and this share of it is looked at as stain.
_CLEAR_SCATTERS: Final = 5.0
_CLEAR_SHARE: Final = 0.08


@dataclass(frozen=True, slots=True)
class Levels:
    """Paper and ink in one channel of a sample; `sure` where enough stain was seen for its ink."""

    paper: float
    scatter: float
    ink: float
    stained: int
    sure: bool

    @property
    def contrast(self) -> float:
        return self.paper - self.ink

    @property
    def merit(self) -> float:
        """How far apart they lie for the scatter; nothing where no ink was seen."""
        return self.contrast / (self.scatter + 1.0) if self.stained >= FEW_INSIDE else 0.0


def best_channel(pixels: Bytes) -> tuple[int, Levels]:
    """Choose the channel in which paper and ink lie furthest apart for the scatter.

    Parameters
    ----------
    pixels : (M, N, channels) uint8 of a card.
    """
    index, levels = _best_of(sample_lines(pixels))
    return (index, levels) if levels.sure else _best_of(sample_lines(pixels, _MORE_LINES))


def _best_of(lines: Bytes) -> tuple[int, Levels]:
    """The best channel of some lines of a card."""
    papers = [_Paper(plane) for plane in _flattened(np.moveaxis(lines, 2, 0))]
    found: dict[int, Levels] = {}
    # A channel that could not be better than another, however dark its ink, is passed over.
    for index in sorted(range(len(papers)), key=lambda index: -papers[index].most_merit):
        if all(papers[index].most_merit >= other.merit for other in found.values()):
            found[index] = papers[index].levels()
    best = max(sorted(found), key=lambda index: found[index].merit)
    return best, found[best]


def sample_lines(pixels: Bytes, lines: int = _SAMPLE_LINES) -> Bytes:
    """Some full lines of a card, evenly spread."""
    return pixels[:: max(1, pixels.shape[0] // lines)]


def middle_of(levels: Bytes) -> float:
    """Median of some grey levels (K,), one at least."""
    up_to = np.cumsum(np.bincount(levels, minlength=_LEVELS))
    half = [(levels.size - 1) // 2, levels.size // 2]
    return float(np.searchsorted(up_to, half, side="right").sum()) / 2.0


def _flattened(planes: Bytes) -> Bytes:
    """Take uneven light out of some full lines: paper comes to the commonest of its levels.

    Parameters
    ----------
    planes : (channels, lines, N) uint8.
    """
    channels, rows, columns = planes.shape
    bands = -(-rows // _LINES_A_TILE)
    whole = np.zeros((channels, bands, _LINES_A_TILE, columns), dtype=np.uint8)
    whole.reshape(channels, -1, columns)[:, :rows] = planes
    level = _tile_quantiles(whole, rows, 0.8)
    middle = np.median(level.reshape(channels, -1), axis=1)[:, None, None]
    # A clip or a lid is no shading.
    level = np.where(level < 0.6 * middle, middle, np.maximum(level, 1.0))
    gain = np.repeat((middle / level).astype(np.float32), TILE_PX, axis=2)[..., :columns]
    flat = whole.astype(np.float32)
    flat *= gain[:, :, None]
    flat += np.float32(0.5)
    np.minimum(flat, np.float32(255.0), out=flat)
    whole[...] = flat.astype(np.int32)  # by way of these, which is quickest
    return whole.reshape(channels, -1, columns)[:, :rows]


def _tile_quantiles(whole: Bytes, rows: int, quantile: float) -> Floats:
    """Level under which a share of each tile's pixels lies: (channels, bands, tiles along).

    Parameters
    ----------
    whole : (channels, bands, lines a band, N) uint8, 0 in the lines from `rows` on.
    """
    channels, bands, high, columns = whole.shape
    wide = TILE_PX // SAMPLE_STEP
    thin = whole[..., ::SAMPLE_STEP]
    along = -(-columns // TILE_PX)
    # In singles, as these are sorted fastest.
    padded = np.zeros((channels, bands, high, along * wide), dtype=np.float32)
    padded[..., : thin.shape[-1]] = thin
    tiles = padded.reshape(channels, bands, high, along, wide).swapaxes(2, 3)
    tiles = tiles.reshape(channels, bands, along, -1)
    full_down = np.minimum(high, rows - high * np.arange(bands))
    full_along = np.minimum(wide, thin.shape[-1] - wide * np.arange(along))
    # What was filled in with 0 comes first; the tile's own pixels stand at the end.
    own = np.outer(full_down, full_along)
    place = tiles.shape[-1] - 1 - ((1.0 - quantile) * own).astype(np.intp)
    tiles.sort(axis=-1)
    level: Floats = tiles[:, np.arange(bands)[:, None], np.arange(along), place].astype(np.float64)
    return level


class _Paper:
    """Paper in some full lines of one channel, evenly lit."""

    def __init__(self, lines: Bytes) -> None:
        self._lines = lines
        histogram = np.bincount(lines[:, ::_HISTOGRAM_STEP].ravel(), minlength=_LEVELS)
        self._level, self._scatter = _paper_of(histogram)
        self._first_ink = self._level - 2.0 * max(
            _CLEAR_SCATTERS * self._scatter, _CLEAR_SHARE * self._level
        )

    @property
    def most_merit(self) -> float:
        """More than that its merit cannot be: ink is no darker than the darkest pixel."""
        darkest = min(self._first_ink, float(self._lines.min()))
        return Levels(self._level, self._scatter, max(darkest, 0.0), self._lines.size, False).merit

    def levels(self) -> Levels:
        """Paper, its scatter and ink."""
        ink, dark = self._first_ink, _Dark(self._lines)
        stained = 0
        for _ in range(6):
            inside = dark.inside((self._level + ink) / 2.0)
            stained = inside.size
            if stained < FEW_INSIDE:
                break
            moved = middle_of(inside)
            if abs(moved - ink) < 0.5:
                break
            ink = moved
        ink = float(np.clip(ink, 0.0, self._level))
        return Levels(self._level, self._scatter, ink, stained, dark.enough)


class _Dark:
    """Pixels of some lines that are darker than a cut, off the rim; whether these were enough."""

    def __init__(self, lines: Bytes) -> None:
        self.enough = False
        self._lines = lines
        # A pixel is off the rim where the second one to each side is dark as well.
        self._lightest = np.maximum(lines[:, 2:-2], lines[:, :-4])
        np.maximum(self._lightest, lines[:, 4:], out=self._lightest)
        self._reach = -1

    def inside(self, cut: float) -> Bytes:
        """Those darker than a cut; those on the rim, too, where there are few others."""
        # Pixels are whole numbers: darker than the cut is the same as below the next whole number.
        below = max(math.ceil(cut), 0)
        if below > self._reach:
            self._reach = below
            chosen = self._lightest < below
            self._own, self._around = self._lines[:, 2:-2][chosen], self._lightest[chosen]
        found: Bytes = self._own[self._around < below]
        self.enough = found.size >= _ENOUGH_INSIDE
        return found if found.size >= 4 * FEW_INSIDE else self._lines[self._lines < below]


def _paper_of(histogram: NDArray[np.intp]) -> tuple[float, float]:
    """Level of the paper and its standard deviation, from one side of its peak."""
    paper, scatter = _peak_of(histogram, np.array([1, 2, 3, 2, 1]))
    if scatter < _WIDE_SCATTER:
        return paper, scatter
    # The peak of a wide heap is found by chance only, unless it is smoothed as widely.
    return _peak_of(histogram, np.ones(2 * int(scatter) + 1, dtype=np.intp))


def _peak_of(histogram: NDArray[np.intp], weights: NDArray[np.intp]) -> tuple[float, float]:
    """The same, of a heap smoothed by some weights."""
    filled = np.flatnonzero(histogram > 0)
    middle = (int(filled[0]) + int(filled[-1])) // 2
    heap = histogram.copy()
    if 2 * heap[-1] < heap[middle:].sum():
        # What was too light for the scan stands at its last level: that is no peak.
        heap[-1] = 0
    smooth = np.convolve(heap, weights, mode="same")
    smooth[:middle] = 0
    paper = int(np.argmax(smooth))
    # From the light side, where no stain is; from the dark one where the scan is burnt out.
    side = histogram[paper:] if paper < _BURNT_OUT else histogram[middle : paper + 1][::-1]
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
        is_paper = (tiles >= cut[..., None]).view(np.uint8)
        count, total = sums_of(is_paper), sums_of(tiles * is_paper)
        level, reach = total / np.maximum(count, 1.0), 3.0 * levels.scatter + 1.0
    return _mended(level, count, levels)


def sums_of(tiles: Bytes | Singles, chosen: Singles | None = None) -> Floats:
    """Sum of the pixels of each tile, of those chosen where not of all.

    By way of a product of singles, which is quickest; whole numbers far below 2²⁴, so exact.

    Parameters
    ----------
    tiles : (…, P) of P pixels each, whole numbers.
    chosen : (P,) 1 for a pixel to be counted, 0 for another.
    """
    some = np.ones(tiles.shape[-1], dtype=np.float32) if chosen is None else chosen
    sums: Floats = (tiles.astype(np.float32, copy=False) @ some).astype(np.float64)
    return sums


def _mended(level: Floats, count: Floats, levels: Levels) -> Floats:
    """Tiles with hardly any paper, or far darker than the rest, take the level of their row."""
    usable = (count >= 12) & (level > (levels.paper + levels.ink) / 2.0)
    some = np.flatnonzero(~usable.all(axis=1))
    if not some.size:
        return np.maximum(level, 1.0)
    middle = float(np.median(level[usable])) if usable.any() else levels.paper
    for index in some:
        row, good = level[index], usable[index]
        row[~good] = np.median(row[good]) if good.any() else middle
    return np.maximum(level, 1.0)
