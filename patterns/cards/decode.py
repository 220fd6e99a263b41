"""Reading of a scan: header first, pixels only when the header is sound."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from patterns.remarks import Remark

LIMIT_PIXELS: Final = 160_000_000
"""An A4 bed at 1200 dpi has 139 million pixels."""


@dataclass(frozen=True, slots=True, eq=False)
class CardImage:
    """A scan, read.

    Attributes
    ----------
    source : name of the file as the user knows it.
    digest : SHA-256 of the file, in hexadecimal.
    dpi : pixels per inch, the same along and across.
    pixels : (M, N) grey or (M, N, 3) red, green, blue; uint8, C-contiguous.
    remarks : what was noticed in reading.
    """

    source: str
    digest: str
    dpi: float
    pixels: NDArray[np.uint8]
    remarks: tuple[Remark, ...] = ()

    @property
    def pixel_um(self) -> float:
        """Edge of a pixel. [µm]"""
        return 25_400.0 / self.dpi


def read_image(
    data: bytes, *, source: str, dpi: float | None = None, limit_pixels: int = LIMIT_PIXELS
) -> CardImage:
    """Read a scan of one card or of a bed of cards."""
    raise NotImplementedError
