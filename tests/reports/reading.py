"""Reading papers back with a library that had no part in making them."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from io import BytesIO
from itertools import combinations
from typing import Any

import page
import pikepdf
import zxingcpp
from PIL import Image

PROFILES = (page.ValidationProfile.PDF_A_3A, page.ValidationProfile.PDF_UA_1)
_PAIR = re.compile(rb"<([0-9a-fA-F]+)>\s*<([0-9a-fA-F]*)>")


def opened(pdf: bytes) -> pikepdf.Pdf:
    return pikepdf.open(BytesIO(pdf))


def broken_rules(pdf: bytes) -> list[tuple[str, str, str]]:
    """Rules of PDF/A-3a (ISO 19005-3) and PDF/UA-1 (ISO 14289-1) that a file breaks."""
    return [
        (profile.name, failure.rule_id, failure.message)
        for profile in PROFILES
        for failure in page.validate_pdf_bytes(pdf, profile=profile).failures
    ]


def text_of(pdf: bytes) -> str:
    """All text on the pages, images included, with single spaces."""
    with opened(pdf) as document:
        runs = [run for one in document.pages for run in _runs(one.obj, one.obj.Resources)]
    return re.sub(r"\s+", " ", " ".join(runs))


PRINTED_DPI = 300  # of a plain office printer


def scanned(pdf: bytes, scale: float = 1.0) -> list[str]:
    """What a decoder of others reads in the square codes of the last page.

    The page is set in black dots on white, as a printer sets it; a `scale` of a half is the page
    printed half as large. The program's own way to do that (-mono) takes six seconds of a processor
    for a page with charts instead of a third of one; the dots of the square are the same.
    """
    with opened(pdf) as document:
        last = str(len(document.pages))
    command = f"pdftoppm -gray -aa no -aaVector no -r {PRINTED_DPI * scale:g} -f {last} -l {last} -"
    dots = subprocess.run(command.split(), input=pdf, capture_output=True, check=True)
    picture = Image.open(BytesIO(dots.stdout)).point(lambda grey: 255 if grey >= 128 else 0)
    # Square codes alone: a chance row of dots may pass for one of bars.
    found = zxingcpp.read_barcodes(picture, formats=zxingcpp.BarcodeFormat.QRCode)
    return [one.text for one in found]


def draws(text: str, words: str) -> bool:
    """Whether a chart of the paper says these words; the engine sets its letters one by one."""
    return words.replace(" ", "") in text.replace(" ", "")


@dataclass(frozen=True)
class Line:
    """A run of text in a paper's own tables and sentences: baseline and ends [pt]."""

    page: int
    left: float
    right: float
    y: float
    text: str


def overprinted(pdf: bytes) -> list[tuple[str, str]]:
    """Runs of text that lie over one another."""
    with opened(pdf) as document:
        lines = [line for number, one in enumerate(document.pages) for line in _lines(one, number)]
    return [
        (one.text, other.text)
        for one, other in combinations(lines, 2)
        if one.page == other.page
        and abs(one.y - other.y) < 4.0
        and min(one.right, other.right) > max(one.left, other.left)
    ]


def _lines(page: Any, number: int) -> Iterator[Line]:
    placed, matrix, stack = pikepdf.Matrix(), pikepdf.Matrix(), []
    size, letters = 1.0, {}
    for operands, operator in pikepdf.parse_content_stream(page):
        name = str(operator)
        if name == "q":
            stack.append(placed)
        elif name == "Q":
            placed = stack.pop()
        elif name == "cm":
            placed = pikepdf.Matrix(operands) @ placed
        elif name == "Tm":
            matrix = pikepdf.Matrix(operands)
        elif name == "Tf":
            letters, size = _letters(page.Resources.Font[str(operands[0])]), float(operands[1])
        elif name == "TJ":
            at, text = matrix @ placed, _decoded(operands[0], letters)
            if len(text.strip()) > 1:  # charts set their letters one by one
                # A third of the type size for each letter is less than any of our fonts takes.
                width = size * at.a * len(text.rstrip()) / 3
                yield Line(number, at.e, at.e + width, at.f, text)


def _runs(stream: Any, resources: Any) -> Iterator[str]:
    letters: dict[int, str] = {}
    for operands, operator in pikepdf.parse_content_stream(stream):
        name = str(operator)
        if name == "Tf":
            letters = _letters(resources.Font[str(operands[0])])
        elif name in ("Tj", "TJ"):
            yield _decoded(operands[0] if name == "TJ" else operands, letters)
        elif name == "Do":
            drawn = resources.XObject[str(operands[0])]
            if drawn.get("/Subtype") == "/Form":
                yield from _runs(drawn, drawn.get("/Resources", resources))


def _decoded(pieces: Any, letters: dict[int, str]) -> str:
    coded = b"".join(bytes(one) for one in pieces if isinstance(one, pikepdf.String))
    return "".join(
        letters.get(int.from_bytes(coded[at : at + 2], "big"), "?")
        for at in range(0, len(coded), 2)
    )


def _letters(font: Any) -> dict[int, str]:
    return {
        int(code, 16): bytes.fromhex(text.decode()).decode("utf-16-be")
        for code, text in _PAIR.findall(font.ToUnicode.read_bytes().split(b"endcodespacerange")[1])
    }


def elements(pdf: pikepdf.Pdf) -> Iterator[Any]:
    """All elements of the structure tree, in reading order."""

    def below(node: Any) -> Iterator[Any]:
        if isinstance(node, pikepdf.Array):
            for one in node:
                yield from below(one)
        elif isinstance(node, pikepdf.Dictionary) and "/S" in node:
            yield node
            yield from below(node.get("/K", pikepdf.Array()))

    return below(pdf.Root.StructTreeRoot.K)


def fonts(pdf: pikepdf.Pdf) -> Iterator[Any]:
    """All font descriptors of the file."""
    for one in pdf.objects:
        if isinstance(one, pikepdf.Dictionary) and one.get("/Type") == "/FontDescriptor":
            yield one
