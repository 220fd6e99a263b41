"""Reading of a scan: header first, pixels only when the header is sound.

A header is a few bytes, and a small file can claim any number of pixels: size, frames and
resolution are looked at before a single pixel is unpacked.
"""

from __future__ import annotations

import io
import struct
import threading
import warnings
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from hashlib import sha256
from typing import Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageFile, UnidentifiedImageError
from PIL.TiffImagePlugin import TiffImageFile

from patterns.errors import InputError, TraceFileError
from patterns.remarks import Remark

LIMIT_PIXELS: Final = 160_000_000
"""An A4 bed at 1200 dpi has 139 million pixels."""
LOWEST_DPI: Final = 50.0
"""Less than this is a screen's default or a missing value, not a scanner's resolution."""
HIGHEST_DPI: Final = 9600.0
LEAST_PX: Final = 32
"""An edge shorter than this shows no card."""

_FORMATS: Final = ("PNG", "JPEG", "TIFF")
# What Pillow and its decoders raise on broken files.
_BROKEN: Final = (
    OSError,
    ValueError,
    SyntaxError,
    EOFError,
    IndexError,
    KeyError,
    TypeError,
    OverflowError,
    MemoryError,
    struct.error,
    zlib.error,
    ZeroDivisionError,
    RuntimeError,
)
_SQUARE: Final = 0.02
_SWITCH: Final = threading.Lock()
_OPAQUE: Final = 255
_DEEP: Final = 16
_PNG_DEPTH_AT: Final = 24
_TIFF_DEPTH_TAG: Final = 258


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

    def without_picture(self) -> CardImage:
        """What is known of the scan, without its pixels."""
        return replace(self, pixels=np.empty((0, 0), dtype=np.uint8))


class CardImageError(TraceFileError):
    """A scan that cannot be used: which file, what is wrong, what would be right."""


def read_image(
    data: bytes, *, source: str, dpi: float | None = None, limit_pixels: int = LIMIT_PIXELS
) -> CardImage:
    """Read a scan of one card or of a bed of cards.

    Parameters
    ----------
    data : the file: PNG, TIFF or JPEG; 8 or 16 bit; grey, RGB, palette, CMYK, with alpha or not.
    source : name of the file as the user knows it, for errors.
    dpi : pixels per inch, 50 … 9600; where given, it stands above what the file says.
    limit_pixels : a picture with more pixels than this is refused unread.

    Returns
    -------
    CardImage

    Raises
    ------
    CardImageError
        For what is no image of these kinds, moves, is broken or cut short, is too large or too
        small, or has no resolution that a scanner could have.
    InputError
        For a resolution handed in that no scanner has.
    """
    with warnings.catch_warnings():
        # Pillow warns of odd headers and large pictures; both are judged here.
        warnings.simplefilter("ignore")
        picture, resolution, remarks = _header(data, source, dpi, limit_pixels)
        _load(picture, source)
        pixels, more = _pixels(picture, source)
        more += _cut_to_eight(picture, data)
    digest = sha256(data).hexdigest()
    return CardImage(source, digest, resolution, pixels, (*remarks, *more))


def check_header(
    data: bytes, *, source: str, dpi: float | None = None, limit_pixels: int = LIMIT_PIXELS
) -> None:
    """Refuse what `read_image` would refuse by its header, without unpacking a pixel.

    Parameters and errors are those of `read_image`; a picture that is cut short or broken inside
    shows only when it is read.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        _header(data, source, dpi, limit_pixels)


def _header(
    data: bytes, source: str, dpi: float | None, limit_pixels: int
) -> tuple[Image.Image, float, tuple[Remark, ...]]:
    """Open a picture and judge its size, frames and resolution."""
    if dpi is not None and not LOWEST_DPI <= dpi <= HIGHEST_DPI:
        raise InputError(
            "dpi",
            f"{dpi:g} pixels per inch is no resolution of a scanner",
            f"give {LOWEST_DPI:g} to {HIGHEST_DPI:g}",
        )
    picture = _opened(data, source)
    _check_size(picture, source, limit_pixels)
    _check_frames(picture, source)
    return picture, *_resolution(picture, source, dpi)


@contextmanager
def _tolerant(tolerant: bool) -> Iterator[None]:
    """Let what is broken in a picture pass, or not.

    Pillow has one switch for that in the whole process, and other libraries turn it on.
    """
    with _SWITCH:
        before, ImageFile.LOAD_TRUNCATED_IMAGES = ImageFile.LOAD_TRUNCATED_IMAGES, tolerant
        try:
            yield
        finally:
            ImageFile.LOAD_TRUNCATED_IMAGES = before


def _opened(data: bytes, source: str) -> Image.Image:
    """Read the header; words beside the picture that are broken, or too many, are passed over."""
    if not data:
        raise CardImageError(source, "the file is empty", "upload the scan again")
    try:
        with _tolerant(True):
            return Image.open(io.BytesIO(data), formats=_FORMATS)
    except Image.DecompressionBombError as error:
        raise CardImageError(
            source, "it claims more pixels than any scan has", "scan one bed at 1200 dpi or less"
        ) from error
    except UnidentifiedImageError as error:
        raise CardImageError(
            source, "this is no picture that can be read", "save the scan as PNG, TIFF or JPEG"
        ) from error
    except _BROKEN as error:
        raise CardImageError(
            source, "the head of the picture is broken", "save or upload the scan again"
        ) from error


def _check_size(picture: Image.Image, source: str, limit_pixels: int) -> None:
    width, height = picture.size
    if min(width, height) < LEAST_PX:
        raise CardImageError(
            source,
            f"the picture has {width} × {height} pixels",
            f"a card needs {LEAST_PX} pixels at least on either edge",
        )
    if width * height > limit_pixels:
        raise CardImageError(
            source,
            f"the picture has {width} × {height} pixels, {width * height / 1e6:.0f} million",
            f"at most {limit_pixels / 1e6:.0f} million are read; scan fewer cards or fewer dpi",
        )


def _check_frames(picture: Image.Image, source: str) -> None:
    try:
        frames = int(getattr(picture, "n_frames", 1))
    except _BROKEN as error:
        raise CardImageError(
            source, "the head of the picture is broken", "save or upload the scan again"
        ) from error
    # A JPEG with a preview inside calls itself a picture of several frames; its first is the scan.
    if frames > 1 and picture.format != "MPO":
        raise CardImageError(
            source, f"it holds {frames} pictures", "save every page or frame as a file of its own"
        )


def _resolution(
    picture: Image.Image, source: str, given: float | None
) -> tuple[float, tuple[Remark, ...]]:
    """Pixels per inch from what is given or else from the file."""
    stated = _stated(picture)
    if given is not None:
        if stated is not None and abs(stated[0] / given - 1.0) > _SQUARE:
            text = f"The file says {stated[0]:.0f} dpi; the {given:g} dpi given were taken."
            return given, (Remark("dpi_given", text, "note"),)
        return given, ()
    if stated is None:
        raise CardImageError(
            source, "the file does not say at which resolution it was scanned", "give the dpi"
        )
    along, across = stated
    if abs(along / across - 1.0) > _SQUARE:
        raise CardImageError(
            source,
            f"its pixels are not square: {along:.0f} dpi along and {across:.0f} dpi across",
            "scan with the same resolution both ways, or give the dpi",
        )
    mean = (along + across) / 2.0
    if not LOWEST_DPI <= mean <= HIGHEST_DPI:
        raise CardImageError(
            source,
            f"it says {mean:.4g} dpi, which no scanner has",
            f"give the dpi it was scanned at, {LOWEST_DPI:g} to {HIGHEST_DPI:g}",
        )
    # PNG counts pixels per metre: 1199.9976 is 1200.
    whole = round(mean)
    return (float(whole) if abs(mean - whole) < 0.05 else mean), ()


def _stated(picture: Image.Image) -> tuple[float, float] | None:
    """Resolution the file states, or None where it states none that is a number above 1."""
    try:
        along, across = (float(value) for value in picture.info.get("dpi", (0.0, 0.0)))
    except _BROKEN:
        return None
    # TIFF without a resolution comes as 1, JPEG without a unit as its shape.
    if not (np.isfinite(along) and np.isfinite(across)) or min(along, across) <= 1.0:
        return None
    if picture.format == "JPEG" and picture.info.get("jfif_unit") == 0:
        return None
    return along, across


def _load(picture: Image.Image, source: str) -> None:
    """Unpack the pixels, all of them: a card half empty would measure as half clean."""
    try:
        with _tolerant(False):
            picture.load()
    except _BROKEN as error:
        raise CardImageError(
            source,
            "the picture is cut short or broken inside",
            "save or upload the scan again",
        ) from error


def _pixels(picture: Image.Image, source: str) -> tuple[NDArray[np.uint8], tuple[Remark, ...]]:
    """Bring any kind of pixel to grey or RGB of 8 bit."""
    mode = picture.mode
    if mode in ("L", "RGB"):
        return np.asarray(picture), ()
    if mode == "1":
        text = "The scan knows black and white only: rims are rough and sizes with them."
        return np.asarray(picture.convert("L")), (Remark("one_bit", text, "warning"),)
    if mode.startswith("I") or mode == "F":
        return _reduced(picture, source)
    has_alpha = mode in ("LA", "La", "PA", "RGBA", "RGBa") or "transparency" in picture.info
    if has_alpha:
        return _on_white(picture)
    if mode in ("P", "CMYK", "YCbCr", "LAB", "HSV", "RGBX"):
        return np.asarray(picture.convert("RGB")), ()
    raise CardImageError(
        source, f"its pixels are of the kind {mode!r}", "save the scan in grey or RGB"
    )


def _cut_to_eight(picture: Image.Image, data: bytes) -> tuple[Remark, ...]:
    """Say so where the decoder itself took the finer half off 16 bit colours."""
    if picture.mode not in ("RGB", "RGBA", "LA", "CMYK"):
        return ()
    if picture.format == "PNG":
        deep = data[_PNG_DEPTH_AT] == _DEEP
    elif isinstance(picture, TiffImageFile):
        deep = _DEEP in tuple(picture.tag_v2.get(_TIFF_DEPTH_TAG, ()))
    else:
        deep = False
    text = "The scan has 16 bit a colour; the upper 8 were used."
    return (Remark("reduced", text, "note"),) if deep else ()


def _reduced(picture: Image.Image, source: str) -> tuple[NDArray[np.uint8], tuple[Remark, ...]]:
    """Bring 16 bit to 8, rounded, on the fixed scale of the file."""
    values = np.asarray(picture)
    if values.dtype.kind == "f":
        raise CardImageError(
            source, "its pixels are floating numbers", "save the scan with 8 or 16 bit"
        )
    low, high = int(values.min()), int(values.max())
    if low < 0 or high > 65_535:
        raise CardImageError(
            source, f"its pixels run from {low} to {high}", "save the scan with 8 or 16 bit"
        )
    # 65 535 / 255 = 257; adding half of it rounds.
    pixels = ((values.astype(np.uint32) + 128) // 257).astype(np.uint8)
    text = "The scan has 16 bit a pixel and was reduced to 8 bit."
    return pixels, (Remark("reduced", text, "note"),)


def _on_white(picture: Image.Image) -> tuple[NDArray[np.uint8], tuple[Remark, ...]]:
    """Lay what is transparent on white, as it is seen."""
    layered = picture.convert("RGBA")
    alpha = layered.getchannel("A")
    lowest = int(np.asarray(alpha).min())
    flat = Image.new("RGB", layered.size, (255, 255, 255))
    flat.paste(layered, mask=alpha)
    if lowest == _OPAQUE:
        return np.asarray(flat), ()
    text = "Parts of the picture are transparent and were laid on white."
    return np.asarray(flat), (Remark("transparent", text, "warning"),)
