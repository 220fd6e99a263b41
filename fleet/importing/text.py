"""Delimited text becomes rows: whatever the encoding, the delimiter and the line ends."""

from __future__ import annotations

import codecs
import csv
import io
import re

from fleet.importing import columns
from fleet.importing.book import Grid, too_many
from fleet.importing.faults import SheetError

DELIMITERS = (",", ";", "\t", "|")
LONGEST_CELL = 10_000  # characters
_SEP = re.compile(r"sep=(.)\r?\n", re.I)  # how some programs say their delimiter
_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)


def grid_of(data: bytes, most_rows: int) -> Grid:
    """Return the rows of a text. Raises SheetError."""
    text = _decoded(data)
    said = _SEP.match(text)
    text = text[said.end() :] if said else text
    # A row keeps the number that a spreadsheet program would show.
    rows = _split(text, said[1] if said else _delimiter(text), most_rows)
    rows = [(), *rows] if said else rows
    while rows and not any(cell.strip() for cell in rows[-1]):
        rows.pop()
    return Grid(tuple(rows))


def _decoded(data: bytes) -> str:
    for mark, encoding in _MARKS:
        if data.startswith(mark):
            try:
                return _checked(data[len(mark) :].decode(encoding))
            except UnicodeDecodeError as error:
                raise _no_text() from error
    try:
        return _checked(data.decode("utf-8"))
    except UnicodeDecodeError:
        try:
            return _checked(data.decode("cp1252"))
        except UnicodeDecodeError as error:
            raise _no_text() from error


def _checked(text: str) -> str:
    if re.search(r"[\x00-\x08\x0e-\x1f\x7f]", text.rstrip("\x1a")):
        raise _no_text()
    beginning = text[:500].lstrip().lower()
    if beginning.startswith(("<!doctype", "<html", "<?xml")):
        raise SheetError("This is a web page or an XML file.", "Save it as XLSX or CSV.")
    if beginning.startswith(("%pdf", "{\\rtf")):
        raise SheetError("This is a document to read or print.", "Send an XLSX or a CSV file.")
    return text.rstrip("\x1a")


def _no_text() -> SheetError:
    return SheetError(
        "The file is neither a workbook nor readable text.",
        "Save it as XLSX, or as CSV in UTF-8.",
    )


def _delimiter(text: str) -> str:
    """Return the delimiter that makes most headings out of the first rows."""

    def headings(delimiter: str) -> tuple[int, int]:
        rows = list(csv.reader(io.StringIO(text[:20_000], newline=""), delimiter=delimiter))
        above = rows[: columns.MOST_ROWS_ABOVE + 1]
        return max((columns.known(row), len(row)) for row in above)

    csv.field_size_limit(max(csv.field_size_limit(), 131_072))
    return max(DELIMITERS, key=headings)


def _split(text: str, delimiter: str, most_rows: int) -> list[tuple[str, ...]]:
    if delimiter not in DELIMITERS:
        raise SheetError(
            f'The file says that "{delimiter}" stands between its cells.',
            "Use comma, semicolon or tab.",
        )
    rows: list[tuple[str, ...]] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        for row in reader:
            rows.append(tuple(row))
            if len(rows) > most_rows + columns.MOST_ROWS_ABOVE + 1:
                raise too_many(most_rows)
    except csv.Error:
        raise SheetError(
            f"From row {len(rows) + 1} on, a quotation mark is not closed.",
            'Close it, or write " within a text twice.',
        ) from None
    if any(len(cell) > LONGEST_CELL for row in rows for cell in row):
        raise SheetError("A cell is as long as a page.", "Close the quotation mark before it.")
    return rows
