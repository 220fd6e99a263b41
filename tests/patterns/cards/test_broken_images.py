"""Broken and hostile images: a clear error or a clear warning, in bounded time and memory."""

from __future__ import annotations

import pickle
import struct
import time
import tracemalloc
import zlib
from dataclasses import dataclass

import numpy as np
import pytest
from PIL import Image, ImageFile, PngImagePlugin

from patterns.cards.bed import cut, find_cards
from patterns.cards.decode import CardImage, CardImageError, read_image
from patterns.cards.separate import separate
from patterns.cards.stains import Stains, measure_stains
from patterns.errors import InputError, PatternError
from tests.patterns.cards.images import PNG_HEAD, card_file, card_pixels, chunk, png, saved

CARD = card_file()
JPEG = card_file("JPEG")
TIFF = card_file("TIFF")
FLAT = (b"\0" + b"\xff" * 64) * 64


@dataclass(frozen=True)
class Broken:
    """A file that is refused, and words of the error."""

    name: str
    data: bytes
    words: str


def frames(kind: str, **options: object) -> bytes:
    one, other = Image.fromarray(card_pixels()), Image.new("RGB", (80, 120))
    return saved(one, kind, save_all=True, append_images=[other], **options)


def tiff_claiming(width: int, height: int) -> bytes:
    """A TIFF of one strip with a few bytes that claims any size."""
    entries = [
        (256, 4, 1, width),
        (257, 4, 1, height),
        (258, 3, 1, 8),
        (259, 3, 1, 1),
        (262, 3, 1, 1),
        (273, 4, 1, 8),
        (277, 3, 1, 1),
        (278, 4, 1, height),
        (279, 4, 1, 4),
    ]
    table = b"".join(struct.pack("<HHII", *entry) for entry in entries)
    return b"II*\0" + struct.pack("<I", 8) + struct.pack("<H", 9) + table + b"\0" * 8


def ascii_bomb() -> bytes:
    """Text in a PNG that unpacks to 200 MB."""
    packed = zlib.compress(b"a" * 200_000_000, 9)
    return png(64, 64, rows=FLAT, extra=chunk(b"zTXt", b"Comment\0\0" + packed))


REFUSED = [
    Broken("nothing", b"", "is empty"),
    Broken("text", b"position,deposit\n0,1\n", "no picture"),
    Broken("zeros", b"\0" * 4096, "no picture"),
    Broken("suffix only: GIF", saved(Image.new("P", (64, 64)), "GIF", dpi=None), "no picture"),
    Broken("suffix only: BMP", saved(Image.new("RGB", (64, 64)), "BMP"), "no picture"),
    Broken("suffix only: WEBP", saved(Image.new("RGB", (64, 64)), "WEBP", dpi=None), "no picture"),
    Broken("PDF", b"%PDF-1.7\n%%EOF\n", "no picture"),
    Broken("SVG", b"<svg xmlns='http://www.w3.org/2000/svg'/>", "no picture"),
    Broken("head alone", PNG_HEAD, "no picture"),
    Broken("PNG cut in its head", CARD[:30], "no picture"),
    Broken("PNG cut in half", CARD[: len(CARD) // 2], "cut short"),
    Broken("JPEG cut in half", JPEG[: len(JPEG) // 2], "cut short"),
    Broken("TIFF cut in half", TIFF[: len(TIFF) // 2], ""),
    Broken("TIFF cut in its head", TIFF[:12], ""),
    Broken("PNG with a wrong check sum", CARD[:60] + b"XXXX" + CARD[64:], ""),
    Broken("900 million pixels", png(30_000, 30_000, colour=2), "pixels"),
    Broken("largest PNG", png(2**31 - 1, 2**31 - 1), "pixels"),
    Broken("wide as a street", png(2**30, 40), "pixels"),
    Broken("TIFF of 3.6 billion pixels", tiff_claiming(60_000, 60_000), "pixels"),
    Broken("TIFF that holds less than it claims", tiff_claiming(4000, 4000), ""),
    Broken("no pixels wide", png(0, 100), ""),
    Broken("1 × 1", png(1, 1, rows=b"\0\xff"), "1 × 1"),
    Broken("one line", png(4000, 1, rows=b"\0" + b"\xff" * 4000), "4000 × 1"),
    Broken("PNG without resolution", png(64, 64, rows=FLAT, per_metre=None), "give the dpi"),
    Broken("JPEG without resolution", card_file("JPEG", dpi=None), "give the dpi"),
    Broken("TIFF without resolution", card_file("TIFF", dpi=None), "give the dpi"),
    Broken("unit unknown", png(64, 64, rows=FLAT, per_metre=(1, 1, 0)), "give the dpi"),
    Broken("resolution nought", png(64, 64, rows=FLAT, per_metre=(0, 0, 1)), "give the dpi"),
    Broken("3 dpi", png(64, 64, rows=FLAT, per_metre=(118, 118, 1)), "no scanner"),
    Broken("100 million dpi", png(64, 64, rows=FLAT, per_metre=(2**32 - 1,) * 2 + (1,)), "scanner"),
    Broken("pixels not square", png(64, 64, rows=FLAT, per_metre=(23622, 47244, 1)), "not square"),
    Broken("animated PNG", frames("PNG"), "2 pictures"),
    Broken("TIFF of two pages", frames("TIFF"), "2 pictures"),
    Broken("floating numbers", saved(Image.new("F", (64, 64)), "TIFF"), "floating"),
    Broken("numbers below nought", saved(Image.new("I", (64, 64), -5), "TIFF"), "16 bit"),
]


@pytest.mark.parametrize("broken", REFUSED, ids=lambda broken: broken.name)
def test_a_broken_image_is_refused_with_its_error(broken: Broken) -> None:
    tracemalloc.start()
    start = time.process_time()
    with pytest.raises(CardImageError) as caught:
        read_image(broken.data, source="card.png")
    taken, peak = time.process_time() - start, tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert broken.words in str(caught.value)
    assert str(caught.value).startswith("card.png: ")
    assert caught.value.problem
    assert caught.value.remedy
    again = pickle.loads(pickle.dumps(caught.value))
    assert str(again) == str(caught.value)
    assert taken < 3.0
    assert peak < 150e6


def test_the_table_is_long_and_each_case_stands_once() -> None:
    assert len(REFUSED) + len(ODD) >= 40
    assert len({broken.name for broken in REFUSED}) == len(REFUSED)


@pytest.mark.parametrize("dpi", [0.0, -600.0, 49.9, 9601.0, float("nan"), float("inf")])
def test_a_resolution_that_no_scanner_has_is_refused(dpi: float) -> None:
    with pytest.raises(InputError, match="dpi: "):
        read_image(CARD, source="card.png", dpi=dpi)


def test_the_limit_of_pixels_is_a_parameter() -> None:
    assert read_image(CARD, source="card.png", limit_pixels=9600).dpi == 600.0
    with pytest.raises(CardImageError, match="0 million are read"):
        read_image(CARD, source="card.png", limit_pixels=9599)


@pytest.mark.parametrize("length", range(0, len(CARD), 97))
def test_a_png_cut_anywhere_is_refused_or_whole(length: int) -> None:
    with pytest.raises(PatternError):
        read_image(CARD[:length], source="card.png")


def test_bytes_changed_by_chance_end_in_an_error_of_ours_or_a_picture() -> None:
    random = np.random.default_rng(5)
    for original in (CARD, JPEG, TIFF):
        for _ in range(60):
            data = bytearray(original)
            for place in random.integers(0, min(len(data), 2000), 4):
                data[place] = int(random.integers(0, 256))
            try:
                image = read_image(bytes(data), source="card.png", limit_pixels=10**6)
            except PatternError:
                continue
            assert image.pixels.dtype == np.uint8


def text_chunks() -> bytes:
    """Ten thousand remarks in the head of a card."""
    notes = PngImagePlugin.PngInfo()
    for index in range(10_000):
        notes.add_text(f"note {index}", "x" * 80)
    return card_file(pnginfo=notes)


def picture(values: np.ndarray) -> bytes:
    return saved(Image.fromarray(values.astype(np.uint8)))


SHAPE = (600, 400)
Y, X = np.mgrid[: SHAPE[0], : SHAPE[1]]
NOISE = np.random.default_rng(2).integers(0, 256, SHAPE)

# What opens but is no card: measured with a warning, or with nothing found; never more.
ODD = {
    "all black": (np.zeros(SHAPE), "no_stain"),
    "all white": (np.full(SHAPE, 255), "no_stain"),
    "all grey": (np.full(SHAPE, 128), "no_stain"),
    "half black": (np.where(X < 200, 0, 255), None),
    "stripes across": (np.where(Y % 20 < 10, 40, 220), None),
    "stripes along": (np.where(X % 7 < 3, 40, 220), None),
    "chess board of single pixels": (np.where((X + Y) % 2, 40, 220), None),
    "noise": (NOISE, None),
    "black and white noise": (np.where(NOISE < 128, 0, 255), None),
    "slope": (X * 255 // 399, None),
    "one black pixel": (np.where((X == 200) & (Y == 300), 0, 255), "no_stain"),
    "one white pixel": (np.where((X == 200) & (Y == 300), 255, 0), None),
    "frame": (np.where((X < 30) | (Y < 30) | (X > 370) | (Y > 570), 0, 230), None),
    "circles in circles": (np.where(np.hypot(X - 200, Y - 300) % 12 < 6, 40, 220), None),
}


def measured(data: bytes) -> tuple[CardImage, list[str], Stains]:
    image = read_image(data, source="card.png")
    codes: list[str] = []
    for card in find_cards(image):
        separation = separate(cut(image, card))
        stains = measure_stains(separation, image.dpi)
        codes += [remark.code for remark in (*separation.remarks, *stains.remarks)]
    return image, codes, stains


@pytest.mark.parametrize("name", ODD)
def test_what_is_no_card_is_measured_with_a_warning(name: str) -> None:
    values, code = ODD[name]
    start = time.process_time()
    _, codes, stains = measured(picture(values))
    assert time.process_time() - start < 5.0
    assert codes
    if code is not None:
        assert code in codes
    for figures in (stains.area_um2, stains.diameter_um, stains.weight, stains.axes_px):
        assert np.all(np.isfinite(figures))
    assert 0.0 <= stains.coverage_percent <= 100.0


def test_huge_metadata_does_no_harm() -> None:
    image, _, _ = measured(text_chunks())
    assert np.array_equal(image.pixels, card_pixels())


@pytest.mark.parametrize("switched", [False, True])
def test_text_that_unpacks_to_200_megabytes_is_not_unpacked(
    switched: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whether or not another library has told Pillow to let what is broken pass."""
    monkeypatch.setattr(ImageFile, "LOAD_TRUNCATED_IMAGES", switched)
    data = ascii_bomb()
    tracemalloc.start()
    image = read_image(data, source="card.png")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert image.pixels.shape == (64, 64)
    assert peak < 20e6
