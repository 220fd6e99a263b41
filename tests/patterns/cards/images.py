"""Image files made by hand: a small card in every kind of file, and PNG piece by piece."""

from __future__ import annotations

import io
import struct
import zlib
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

PNG_HEAD = b"\x89PNG\r\n\x1a\n"


def card_pixels(rows: int = 120, columns: int = 80) -> NDArray[np.uint8]:
    """Yellow paper with a few round stains."""
    y, x = np.mgrid[:rows, :columns]
    pixels = np.empty((rows, columns, 3), dtype=np.uint8)
    pixels[:] = (236, 208, 72)
    for row, column, radius in ((30, 20, 6), (60, 50, 9), (90, 25, 4), (100, 65, 7)):
        pixels[(y - row) ** 2 + (x - column) ** 2 <= radius**2] = (38, 58, 128)
    return pixels


def saved(picture: Image.Image, kind: str = "PNG", **options: Any) -> bytes:
    """Bytes of a file; 600 dpi unless told otherwise."""
    held = io.BytesIO()
    options.setdefault("dpi", (600, 600))
    picture.save(held, kind, **{key: value for key, value in options.items() if value is not None})
    return held.getvalue()


def card_file(kind: str = "PNG", **options: Any) -> bytes:
    """The small card as a file."""
    return saved(Image.fromarray(card_pixels()), kind, **options)


def chunk(name: bytes, data: bytes) -> bytes:
    """One chunk of a PNG."""
    check = struct.pack(">I", zlib.crc32(name + data))
    return struct.pack(">I", len(data)) + name + data + check


def png(
    width: int,
    height: int,
    *,
    depth: int = 8,
    colour: int = 0,
    rows: bytes | None = None,
    per_metre: tuple[int, int, int] | None = (23622, 23622, 1),
    extra: bytes = b"",
) -> bytes:
    """A PNG from its parts; what it claims and what it holds need not agree."""
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, depth, colour, 0, 0, 0))
    size = b"" if per_metre is None else chunk(b"pHYs", struct.pack(">IIB", *per_metre))
    held = zlib.compress(b"\0" * 64 if rows is None else rows)
    return PNG_HEAD + head + size + extra + chunk(b"IDAT", held) + chunk(b"IEND", b"")
