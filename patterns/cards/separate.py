"""Separating stain from paper."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from patterns.cards.decode import CardImage
from patterns.remarks import Remark

Paper = Literal["water_sensitive", "dyed", "grey"]
"""Kind of card: yellow paper turning blue, pale card with a coloured dye, or a scan in grey."""


@dataclass(frozen=True, slots=True)
class SeparateParameters:
    """Settings for parting stain from paper."""

    paper: Paper | None = None
    threshold_percent: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Separation:
    """Stain parted from paper.

    Attributes
    ----------
    mask : (M, N) bool, True on stain; False outside `valid_px`.
    channel : (M, N) uint8, the one channel in which stain was told from paper; stain is dark.
    paper : kind of card.
    threshold_percent : share of the way from paper to ink from which a pixel is stain. [%]
    why : full sentences on how channel and threshold were chosen, for people.
    valid_px : top, left, bottom, right of the part of the image that is card (half-open). [px]
    remarks : what was noticed.
    """

    mask: NDArray[np.bool_]
    channel: NDArray[np.uint8]
    paper: Paper
    threshold_percent: float
    why: str
    valid_px: tuple[int, int, int, int]
    remarks: tuple[Remark, ...]


def separate(image: CardImage, parameters: SeparateParameters | None = None) -> Separation:
    """Part stain from paper on the image of one card."""
    raise NotImplementedError
