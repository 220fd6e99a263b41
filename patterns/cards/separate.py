"""Separating stain from paper.

A scan is told apart in one of its channels, the one in which stain and paper lie furthest apart for
the scatter of the paper: red for yellow paper turning blue, green for a pink or red dye. A pixel is
stain from half way between the paper around it and the ink of the larger stains: a blur that
spreads light evenly leaves the half level where the rim was, so the size of a stain does not depend
on the sharpness of the scanner. The level of the paper is taken tile by tile, so that uneven light
moves the threshold along with it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from patterns.cards._bits import Bits, lines_for
from patterns.cards._levels import (
    FEW_INSIDE,
    SAMPLE_STEP,
    TILE_PX,
    TILE_SHIFT,
    Levels,
    best_channel,
    middle_of,
    paper_level_of,
    sample_lines,
)
from patterns.cards.decode import CardImage
from patterns.errors import InputError
from patterns.remarks import Remark

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]

Paper = Literal["water_sensitive", "dyed", "grey"]
"""Kind of card: yellow paper turning blue, pale card with a coloured dye, or a scan in grey."""

PAPER_NAMES: Final[dict[Paper, str]] = {
    "water_sensitive": "yellow water-sensitive paper",
    "dyed": "pale card with a coloured dye",
    "grey": "card scanned in grey",
}
CHANNEL_NAMES: Final = ("red", "green", "blue")
_COLOUR_STEP: Final = 16


@dataclass(frozen=True, slots=True)
class SeparateParameters:
    """Settings for parting stain from paper; own definitions.

    Parameters
    ----------
    paper : "water_sensitive", "dyed" or "grey", optional
        Kind of card; found from the colours when left out.
    threshold_percent : float
        Share of the way from paper to ink from which a pixel is stain [%], 10 … 90.
    least_contrast : float
        Stain lies at least this many grey levels below the paper; fainter is no stain.
    noisy_percent : float
        Scatter of the paper above this share of the contrast [%]: the channel is smoothed first.
    trim_mm : float
        Lines along the edge that are no paper are cut away up to this depth [mm].
    dark_percent, few_percent : float
        Cover above the one [%] is warned of as too dense to tell stains apart; stain on less than
        the other [%] as hardly any.
    """

    paper: Paper | None = None
    threshold_percent: float = 50.0
    least_contrast: float = 20.0
    noisy_percent: float = 12.0
    trim_mm: float = 3.0
    dark_percent: float = 40.0
    few_percent: float = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class Separation:
    """Stain parted from paper.

    Attributes
    ----------
    stain : of M rows and N columns, set on stain; not outside `valid_px`.
    channel : (M, N) uint8, the one channel in which stain was told from paper; stain is dark.
    paper_level : (⌈M / 64⌉, ⌈N / 64⌉) float64, grey level of bare paper in each tile of 64 × 64.
    ink_share : grey level of full stain as a share of the paper around it, 0 … 1.
    paper : kind of card.
    threshold_percent : share of the way from paper to ink from which a pixel is stain. [%]
    why : full sentences on how channel and threshold were chosen, for people.
    valid_px : top, left, bottom, right of the part of the image that is card (half-open). [px]
    remarks : what was noticed.
    """

    stain: Bits
    channel: Bytes
    paper_level: Floats
    ink_share: float
    paper: Paper
    threshold_percent: float
    why: str
    valid_px: tuple[int, int, int, int]
    remarks: tuple[Remark, ...]

    @property
    def mask(self) -> NDArray[np.bool_]:
        """(M, N) True on stain, made anew at each reading."""
        return self.stain.mask()

    def strength_at(self, row: NDArray[np.intp], column: NDArray[np.intp]) -> Floats:
        """How strong the stain is at some pixels: 0 on bare paper, 1 on full stain.

        Parameters
        ----------
        row, column : places in the image; of any shapes that go together.

        Returns
        -------
        float64 of their common shape; with noise a little below 0 and above 1 too.
        """
        strength: Floats = 1.0 - self.grey_at(row, column) / self.paper_at(row, column)
        return strength / (1.0 - self.ink_share)

    # By one number a place, which is quicker than by two.

    def grey_at(self, row: NDArray[np.intp], column: NDArray[np.intp]) -> Bytes:
        """Grey level at some pixels, uint8."""
        grey: Bytes = self.channel.ravel().take(row * self.channel.shape[1] + column)
        return grey

    def paper_at(self, row: NDArray[np.intp], column: NDArray[np.intp]) -> Floats:
        """Grey level of the paper around some pixels."""
        tile = (row >> TILE_SHIFT) * self.paper_level.shape[1] + (column >> TILE_SHIFT)
        level: Floats = self.paper_level.ravel().take(tile)
        return level

    def without_picture(self) -> Separation:
        """The same without stain and channel, to be kept for every card of a bed."""
        return replace(self, stain=Bits.none((0, 0)), channel=np.empty((0, 0), dtype=np.uint8))


def separate(image: CardImage, parameters: SeparateParameters | None = None) -> Separation:
    """Part stain from paper on the image of one card.

    Parameters
    ----------
    image : one card, straight; `patterns.cards.bed.cut` makes such images.
    parameters : settings; the defaults suit every card of the trade.

    Returns
    -------
    Separation

    Raises
    ------
    InputError
        For a threshold or a kind of card that makes no sense.

    Notes
    -----
    Paper is the commonest level of the lighter half; ink is the median of the inside of what is
    darker than half way to it, found in a few rounds (the iterated threshold of T. W. Ridler and
    S. Calvard, IEEE Trans. Systems, Man and Cybernetics 8, 1978, 630-632, with medians for means;
    from memory). Where nothing stands out by `least_contrast` the mask stays empty, with a remark.
    """
    settings = parameters or SeparateParameters()
    _check(settings)
    pixels = image.pixels if image.pixels.ndim == 3 else image.pixels[..., None]
    index, levels = best_channel(pixels)
    channel = np.ascontiguousarray(pixels[..., index])
    kind = settings.paper or _kind_of(sample_lines(pixels)[:, ::_COLOUR_STEP], index, levels)
    ink_share = levels.ink / max(levels.paper, 1.0)
    noisy = levels.scatter > settings.noisy_percent / 100.0 * max(levels.contrast, 1.0)
    if noisy:
        channel = _smoothed(channel)
    valid = _valid(channel, levels, round(settings.trim_mm / 25.4 * image.dpi))
    stained = levels.contrast >= settings.least_contrast and levels.stained >= FEW_INSIDE
    share = 1.0 - settings.threshold_percent / 100.0 * (1.0 - ink_share)
    paper_level = paper_level_of(channel, levels)
    rows, columns = channel.shape
    stain = _marked(channel, paper_level * share, valid) if stained else Bits.none((rows, columns))
    why = _why(index if pixels.shape[2] == 3 else None, kind, levels, settings, noisy, paper_level)
    remarks = _remarks(stain, levels, valid, settings, stained)
    return Separation(
        stain=stain,
        channel=channel,
        paper_level=paper_level,
        ink_share=ink_share if stained else 0.5,
        paper=kind,
        threshold_percent=settings.threshold_percent,
        why=why,
        valid_px=valid,
        remarks=remarks,
    )


def _kind_of(sample: Bytes, index: int, levels: Levels) -> Paper:
    """Name the kind of card from the colours of paper and stain."""
    if sample.shape[2] != 3:
        return "grey"
    chosen = sample[..., index]
    paper = _middles(sample[chosen > levels.paper - 3.0 * levels.scatter - 1.0])
    if paper[2] < 0.75 * min(paper[0], paper[1]):
        return "water_sensitive"
    dark = sample[chosen < (levels.paper + levels.ink) / 2.0]
    ink = _middles(dark) if dark.size else paper
    return "dyed" if max(ink) - min(ink) > 30.0 else "grey"


def _middles(colours: Bytes) -> list[float]:
    """Median of each channel of some colours (K, channels)."""
    return [middle_of(one) for one in colours.T]


def _smoothed(channel: Bytes) -> Bytes:
    """Binomial 1-2-1 along and across, rounded; halves the noise of single pixels and more."""
    padded = np.pad(channel, 1, mode="edge")
    total = padded[:-2].astype(np.uint16)
    total += padded[2:]
    total += padded[1:-1]
    total += padded[1:-1]
    wide = total[:, :-2] + total[:, 2:]
    wide += total[:, 1:-1]
    wide += total[:, 1:-1]
    wide += 8
    wide >>= 4
    return wide.astype(np.uint8)


def _valid(channel: Bytes, levels: Levels, deepest: int) -> tuple[int, int, int, int]:
    """Cut away lines along the edges of which hardly a pixel is paper."""
    cut = (levels.paper + levels.ink) / 2.0
    rows, columns = channel.shape
    depth_rows, depth_columns = min(deepest, rows // 4), min(deepest, columns // 4)
    return (
        _dark_lines(channel[:depth_rows], cut),
        _dark_lines(channel[:, :depth_columns].T, cut),
        rows - _dark_lines(channel[rows - depth_rows :][::-1], cut),
        columns - _dark_lines(channel[:, columns - depth_columns :].T[::-1], cut),
    )


def _dark_lines(lines: Bytes, cut: float) -> int:
    """Count the lines from the edge on that are dark for nine tenths, with one more for blur."""
    least = 0.1 * -(-lines.shape[1] // SAMPLE_STEP)
    for place, line in enumerate(lines[:, ::SAMPLE_STEP]):
        if np.count_nonzero(line >= cut) > least:
            return place + 1 if place else 0
    return lines.shape[0] + 1 if lines.shape[0] else 0


def _marked(channel: Bytes, cut: Floats, valid: tuple[int, int, int, int]) -> Bits:
    """What is darker than the cut of its tile, within the card."""
    top, left, bottom, right = valid
    rows, columns = channel.shape
    # Pixels are whole numbers: darker than the cut is the same as below the next whole number.
    whole = np.clip(np.ceil(cut), 0, 255).astype(np.uint8)
    whole = np.repeat(whole, TILE_PX, axis=1)[:, :columns]
    dark = lines_for((rows, columns))
    full = rows // TILE_PX
    tiles = (full, TILE_PX, -1)
    inner = dark[: full * TILE_PX].reshape(tiles)[..., :columns]
    np.less(channel[: full * TILE_PX].reshape(tiles), whole[:full, None], out=inner)
    if full * TILE_PX < rows:
        np.less(channel[full * TILE_PX :], whole[-1], out=dark[full * TILE_PX :, :columns])
    dark[:top], dark[bottom:], dark[:, :left], dark[:, right:] = False, False, False, False
    return Bits.packed(dark, (rows, columns))


def _why(
    index: int | None,
    kind: Paper,
    levels: Levels,
    settings: SeparateParameters,
    noisy: bool,
    paper_level: Floats,
) -> str:
    where = "In grey" if index is None else f"In the {CHANNEL_NAMES[index]} channel"
    found = "taken as given" if settings.paper else "by its colours"
    text = (
        f"Read as {PAPER_NAMES[kind]} ({found}). {where} paper stands at level "
        f"{levels.paper:.0f} and stain at {levels.ink:.0f} of 255, with a scatter of "
        f"{levels.scatter:.1f} on the paper: the best channel for telling them apart. A pixel "
        f"is stain from {settings.threshold_percent:g} % of the way from the paper around it "
        f"(level {paper_level.min():.0f} to {paper_level.max():.0f} over the card) to stain."
    )
    return f"{text} The scan is noisy and was smoothed first." if noisy else text


def _remarks(
    stain: Bits,
    levels: Levels,
    valid: tuple[int, int, int, int],
    settings: SeparateParameters,
    stained: bool,
) -> tuple[Remark, ...]:
    top, left, bottom, right = valid
    found: list[Remark] = []
    if (top, left) != (0, 0) or (bottom, right) != stain.shape:
        cut = f"{top}, {left}, {stain.shape[0] - bottom} and {stain.shape[1] - right}"
        text = f"{cut} lines of pixels along the upper, left, lower and right edge are no paper and"
        found.append(Remark("edge_cut", f"{text} were cut away.", "note"))
    area = max((bottom - top) * (right - left), 1)
    covered = 100.0 * stain.count() / area
    if not stained or covered < settings.few_percent:
        text = f"Hardly any stain stands out from the paper (level {levels.paper:.0f} of 255)."
        found.append(Remark("no_stain", text, "warning"))
    elif covered > settings.dark_percent:
        text = f"Stain covers {covered:.0f} % of the card: too much to tell single stains apart."
        found.append(Remark("too_dark", text, "warning"))
    if stained and levels.scatter > 0.25 * levels.contrast:
        text = (
            f"Stain stands out by {levels.contrast:.0f} grey levels only, on paper that scatters "
            f"by {levels.scatter:.0f}: sizes are rough."
        )
        found.append(Remark("weak_contrast", text, "warning"))
    return tuple(found)


def _check(settings: SeparateParameters) -> None:
    if not 10.0 <= settings.threshold_percent <= 90.0:
        raise InputError(
            "threshold", f"{settings.threshold_percent:g} % is out of range", "give 10 to 90 %"
        )
    if settings.paper is not None and settings.paper not in PAPER_NAMES:
        raise InputError(
            "paper", f"{settings.paper!r} is not known", f"give one of {', '.join(PAPER_NAMES)}"
        )
