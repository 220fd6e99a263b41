"""HTML to PDF: the standards by a validator of others, the bytes, and what is not allowed.

The validator (page-validation) carries the rules of PDF/A-3a and PDF/UA-1; syntax is checked by
qpdf through pikepdf.
"""

from __future__ import annotations

import datetime
import os
import subprocess
import sys
import zlib

import pikepdf
import pytest

from reports.pdf import EmbeddedFile, NotDrawnError, NotInlineError, to_pdf
from tests.reports.reading import broken_rules, fonts, opened, text_of

MOMENT = datetime.datetime(
    2026, 4, 14, 9, 30, tzinfo=datetime.timezone(datetime.timedelta(hours=-5))
)
A_FILE = (EmbeddedFile("a.json", "The data", b'{"a":1}'),)
DRAWING = (
    "data:image/svg+xml,%3Csvg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 9 9' "
    "font-family='DejaVu Sans'%3E%3Ctext y='8'%3Ex%3C/text%3E%3C/svg%3E"
)


def paper(body: str = "", style: str = "") -> str:
    return (
        f'<!DOCTYPE html><html lang="en"><head><title>A paper</title><style>{style} '
        '@page { size: a4; @bottom-right { content: "Page " counter(page) } } '
        'html { font: 9pt "DejaVu Sans Condensed" }</style></head>'
        f"<body><h1>Head</h1>{body}<table><tr><th scope=col>A</th><th scope=col>B</th></tr>"
        "<tr><td>1</td><td>2</td></tr></table><ul><li>one</li></ul>"
        f'<p><img src="{DRAWING}" alt="An x."></p></body></html>'
    )


def made(*drafts: str, embedded: tuple[EmbeddedFile, ...] = (), most_pages: int = 0) -> bytes:
    return to_pdf(drafts or [paper()], stated_at=MOMENT, most_pages=most_pages, embedded=embedded)


def test_keeps_both_standards_and_the_syntax() -> None:
    pdf = made(embedded=A_FILE)
    assert broken_rules(pdf) == []
    with opened(pdf) as document:
        assert document.check_pdf_syntax() == []


def test_says_its_language_title_and_moment() -> None:
    with opened(made()) as document:
        assert document.Root.Lang == "en"
        assert document.docinfo.Title == "A paper"
        assert document.Root.ViewerPreferences.DisplayDocTitle is True
        assert document.docinfo.CreationDate == document.docinfo.ModDate == "D:20260414143000Z"


def test_fonts_are_embedded() -> None:
    with opened(made()) as document:
        found = list(fonts(document))
        assert found
        assert all("/FontFile2" in one or "/FontFile3" in one for one in found)


def test_same_input_same_bytes_in_any_process() -> None:
    here = made(embedded=A_FILE)
    assert here == made(embedded=A_FILE)
    program = (
        "import sys; from tests.reports.test_pdf import A_FILE, made; "
        "sys.stdout.buffer.write(made(embedded=A_FILE))"
    )
    there = subprocess.run(
        [sys.executable, "-c", program],
        env={**os.environ, "PYTHONHASHSEED": "7", "PYTHONPATH": ".", "TZ": "Asia/Tokyo"},
        capture_output=True,
        check=True,
    )
    assert there.stdout == here


@pytest.mark.parametrize("last", [b"\r", b"\n"])
def test_data_that_end_in_a_line_break_are_kept_and_valid(last: bytes) -> None:
    """Compressed data end in their Adler-32 (RFC 1950), whose last byte can be a line break."""
    data = next(
        text
        for text in (b"reading " + b"a" * number for number in range(256))
        if zlib.adler32(text).to_bytes(4, "big")[-1:] == last
    )
    pdf = made(embedded=(EmbeddedFile("a.txt", "Readings", data),))
    assert broken_rules(pdf) == []
    with opened(pdf) as document:
        assert document.attachments["a.txt"].get_file().read_bytes() == data


def test_an_embedded_file_is_the_data_of_the_paper() -> None:
    with opened(made(embedded=A_FILE)) as document:
        (file,) = document.Root.AF
        assert file.AFRelationship == pikepdf.Name.Data
        assert (file.UF, file.Desc) == ("a.json", "The data")
        assert file.EF.F.Params.ModDate == "D:20260414143000Z"
        assert file.EF.F.read_bytes() == b'{"a":1}'


@pytest.mark.parametrize(
    ("body", "style"),
    [
        ('<img alt="x" src="file:///etc/hostname">', ""),
        ('<img alt="x" src="https://pictures.example/a.png">', ""),
        ("", '@import url("https://styles.example/a.css");'),
        ("", 'html { background: url("file:///etc/hostname") }'),
    ],
)
def test_nothing_is_fetched(body: str, style: str) -> None:
    with pytest.raises(NotInlineError, match="not inline"):
        made(paper(body, style))


def test_an_image_that_cannot_be_drawn_is_an_error() -> None:
    with pytest.raises(NotDrawnError):
        made(paper('<img alt="x" src="data:image/svg+xml,%3Csvg">'))


def test_the_first_draft_that_fits_is_taken() -> None:
    leap = '<p style="break-after: page">long</p><p>more</p>'
    roomy, tight = paper(f"<p>roomy</p>{leap}"), paper("<p>tight</p>")
    assert "tight" in text_of(made(roomy, tight, most_pages=1))
    assert "roomy" in text_of(made(roomy, tight, most_pages=2))
    assert "roomy" in text_of(made(roomy, paper(f"<p>tight</p>{leap}"), most_pages=1))
