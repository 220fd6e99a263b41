"""Reading of scans: every kind of file and pixel comes to the same picture."""

from __future__ import annotations

import hashlib

import numpy as np
import pytest
from PIL import Image

from patterns.cards.decode import CardImage, read_image
from tests.patterns.cards.images import card_file, card_pixels, png, saved

COLOUR = card_pixels()
GREY = np.asarray(Image.fromarray(COLOUR).convert("L"))


def read(data: bytes, dpi: float | None = None) -> CardImage:
    return read_image(data, source="card.png", dpi=dpi)


@pytest.mark.parametrize("kind", ["PNG", "TIFF"])
def test_files_without_loss_give_the_pixels_and_the_resolution(kind: str) -> None:
    data = card_file(kind)
    image = read(data)
    assert np.array_equal(image.pixels, COLOUR)
    assert image.dpi == 600.0
    assert image.pixel_um == pytest.approx(25_400 / 600)
    assert image.digest == hashlib.sha256(data).hexdigest()
    assert image.source == "card.png"
    assert image.remarks == ()


def test_jpeg_comes_close() -> None:
    image = read(card_file("JPEG", quality=95))
    assert image.dpi == 600.0
    assert np.mean(np.abs(image.pixels.astype(int) - COLOUR)) < 4.0


@pytest.mark.parametrize("compression", ["tiff_lzw", "tiff_deflate", "packbits", "raw"])
def test_tiff_packed_in_any_way(compression: str) -> None:
    assert np.array_equal(read(card_file("TIFF", compression=compression)).pixels, COLOUR)


def test_grey_stays_grey() -> None:
    image = read(saved(Image.fromarray(GREY)))
    assert image.pixels.shape == GREY.shape
    assert np.array_equal(image.pixels, GREY)


def test_palette_becomes_colour() -> None:
    picture = Image.fromarray(COLOUR).quantize(8)
    assert np.array_equal(read(saved(picture)).pixels, np.asarray(picture.convert("RGB")))


def test_cmyk_becomes_colour() -> None:
    picture = Image.fromarray(COLOUR).convert("CMYK")
    assert np.array_equal(read(saved(picture, "TIFF")).pixels, COLOUR)


def test_opaque_alpha_is_dropped_and_transparent_pixels_lie_on_white() -> None:
    picture = Image.fromarray(COLOUR).convert("RGBA")
    image = read(saved(picture))
    assert np.array_equal(image.pixels, COLOUR)
    assert image.remarks == ()
    picture.putpixel((3, 5), (10, 20, 30, 0))
    image = read(saved(picture))
    assert image.pixels[5, 3].tolist() == [255, 255, 255]
    assert [remark.code for remark in image.remarks] == ["transparent"]


def test_black_and_white_is_read_with_a_warning() -> None:
    image = read(saved(Image.fromarray(GREY).convert("1")))
    assert set(np.unique(image.pixels)) == {0, 255}
    assert [(remark.code, remark.weight) for remark in image.remarks] == [("one_bit", "warning")]


def test_sixteen_bit_grey_is_rounded_to_eight_on_the_scale_of_the_file() -> None:
    deep = np.arange(64 * 64, dtype=np.uint16).reshape(64, 64) * 16
    image = read(saved(Image.fromarray(deep)))
    assert np.array_equal(image.pixels, np.rint(deep / 257.0))
    assert [remark.code for remark in image.remarks] == ["reduced"]


def test_sixteen_bit_colour_says_that_it_was_reduced() -> None:
    deep = np.random.default_rng(1).integers(0, 65536, (40, 40, 3)).astype(">u2")
    rows = b"".join(b"\0" + row.tobytes() for row in deep)
    image = read(png(40, 40, depth=16, colour=2, rows=rows))
    assert np.max(np.abs(image.pixels - deep / 257.0)) <= 1.0
    assert [remark.code for remark in image.remarks] == ["reduced"]


def test_resolution_in_dots_per_centimetre_is_converted() -> None:
    # 1200 dpi are 472.44 dots per centimetre, 47 244 per metre (1 in = 25.4 mm exactly).
    rows = (b"\0" + b"\xff" * 64) * 64
    assert read(png(64, 64, rows=rows, per_metre=(47_244, 47_244, 1))).dpi == 1200.0


def test_given_resolution_stands_above_the_file_and_is_said() -> None:
    image = read(card_file(), dpi=1200)
    assert image.dpi == 1200.0
    assert [remark.code for remark in image.remarks] == ["dpi_given"]
    assert read(card_file(), dpi=600).remarks == ()
    assert read(card_file(dpi=None), dpi=600).dpi == 600.0
