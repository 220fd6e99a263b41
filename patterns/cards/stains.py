"""The stains of one card: how many, how large, and which of them to count."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from patterns.cards.separate import Separation
from patterns.remarks import Remark

Floats = NDArray[np.float64]


class Flag(IntEnum):
    """What a stain was found to be; `OK`, `SPLIT` and `MERGED` are counted."""

    OK = 0
    SPLIT = 1
    """One of the stains that a region of touching stains was split into."""
    MERGED = 2
    """Several stains lost in one another, or so it looks: counted as one."""
    TOO_SMALL = 3
    """Under the smallest that can be trusted at this resolution."""
    ODD_SHAPE = 4
    """No drop makes this shape: a scratch, a fibre, a fingerprint."""
    CLIP = 5
    """Standing in from the edge of the card, too large or too straight for a stain."""


@dataclass(frozen=True, slots=True)
class StainParameters:
    """Settings for measuring stains."""

    smallest_px: float = 3.0
    smallest_um: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Stains:
    """The stains of one card; arrays have one entry a stain, in no order to be relied on.

    Attributes
    ----------
    area_um2 : (K,) float64, area of the stain with the parts of pixels at its rim. [µm²]
    diameter_um : (K,) float64, of the circle with this area. [µm]
    centre_px : (K, 2) float64, x and y of the centre in the image of the card. [px]
    axes_px : (K, 2) float64, length and breadth of the ellipse with the same moments. [px]
    angle_deg : (K,) float64, of its long axis, clockwise from the x axis, −90 … 90. [°]
    touches_edge : (K,) bool, cut by the edge of the card: such a stain has weight 0.
    weight : (K,) float64, how many stains this one stands for after the edge rule; 0 where it is
        not to be counted (cut by the edge, or its flag says so).
    flag : (K,) uint8, values of `Flag`.
    split_percent : share of the counted stains that came out of splitting. [% of count]
    smallest_um : diameter of the smallest stain that is counted. [µm]
    valid_area_cm2 : card seen, without what odd shapes and clips cover. [cm²]
    coverage_percent : stain on the valid area, whether counted or cut by the edge. [%]
    remarks : what was noticed.
    """

    area_um2: Floats
    diameter_um: Floats
    centre_px: Floats
    axes_px: Floats
    angle_deg: Floats
    touches_edge: NDArray[np.bool_]
    weight: Floats
    flag: NDArray[np.uint8]
    split_percent: float
    smallest_um: float
    valid_area_cm2: float
    coverage_percent: float
    remarks: tuple[Remark, ...]

    @property
    def counted(self) -> NDArray[np.bool_]:
        """(K,) True for the stains of the spectrum: those with a weight."""
        return self.weight > 0.0


def measure_stains(
    separation: Separation, dpi: float, parameters: StainParameters | None = None
) -> Stains:
    """Measure the stains of one card."""
    raise NotImplementedError
