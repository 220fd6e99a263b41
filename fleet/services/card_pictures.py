"""Small pictures of scans and cards, for pages; made in the worker, kept by digest."""

from __future__ import annotations

import io
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

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


def outlined(
    picture: bytes, stains: Mapping[str, Any], *, colours: tuple[str, str] = ("#b0007a", "#e06000")
) -> bytes:
    """Draw stains onto a JPEG: a ring round what counts, a box round what does not.

    `stains` has the columns x, y, length, breadth, angle and counted, in pixels of the picture.
    """
    with Image.open(io.BytesIO(picture)) as opened:
        drawn = opened.convert("RGB")
    pen = ImageDraw.Draw(drawn)
    columns = (stains[name] for name in ("x", "y", "length", "breadth", "angle", "counted"))
    for x, y, length, breadth, angle, counted in zip(*columns, strict=True):
        turn = np.linspace(0.0, 2.0 * np.pi, 25 if counted else 5) + (0.0 if counted else np.pi / 4)
        reach = 1.0 if counted else np.sqrt(2.0)
        along = reach * (length / 2 + 1.5) * np.cos(turn)
        beside = reach * (breadth / 2 + 1.5) * np.sin(turn)
        cos, sin = np.cos(np.radians(angle)), np.sin(np.radians(angle))
        ring = np.column_stack((x + along * cos - beside * sin, y + along * sin + beside * cos))
        pen.line([tuple(point) for point in ring.tolist()], fill=colours[0 if counted else 1])
    out = io.BytesIO()
    drawn.save(out, "JPEG", quality=85)
    return out.getvalue()
