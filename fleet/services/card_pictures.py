"""Small pictures of scans and cards, for pages; made in the worker, kept by digest."""

from __future__ import annotations

import io

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from fleet import storage

BED_PX = 1600
CARD_PX = 2400


def keep_preview(pixels: NDArray[np.uint8], longest_px: int) -> str:
    """Keep a JPEG no longer than `longest_px` on either edge; return its digest."""
    picture = Image.fromarray(pixels)
    picture.thumbnail((longest_px, longest_px), Image.Resampling.LANCZOS, reducing_gap=3.0)
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=88, optimize=True)
    return storage.keep(out.getvalue())
