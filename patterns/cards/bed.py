"""Finding of cards on a scanner bed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from patterns.cards.decode import CardImage


@dataclass(frozen=True, slots=True, eq=False)
class FoundCard:
    """A card found in a scan.

    Attributes
    ----------
    number : 1 for the first; left to right, then top to bottom.
    corners_px : (4, 2) x and y of the corners on the scan, clockwise from the upper left one. [px]
    angle_deg : how far the upper edge is turned clockwise from level, −45 … 45. [°]
    width_mm, height_mm : length of the upper edge and of the left edge. [mm]
    """

    number: int
    corners_px: NDArray[np.float64]
    angle_deg: float
    width_mm: float
    height_mm: float


def find_cards(image: CardImage) -> tuple[FoundCard, ...]:
    """Find the cards of a scan; the whole image where no bed is seen around a card."""
    raise NotImplementedError


def cut(image: CardImage, card: FoundCard) -> CardImage:
    """Cut one card out of a scan, straightened."""
    raise NotImplementedError
