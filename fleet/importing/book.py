"""An XLSX workbook becomes the rows of the one sheet that is meant.

Nothing of the workbook is carried out: formulas count by the result that was saved with them,
macros are left alone. A workbook is looked at before it is unpacked, because a small file can hold
an enormous one.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import openpyxl
from openpyxl.utils import range_boundaries

from fleet.importing import columns
from fleet.importing.faults import SheetError, Unreadable

MOST_UNPACKED_BYTES = 80_000_000  # 20,000 rows of fifteen columns have about 25 MB of XML
MOST_PARTS = 2_000
MOST_COLUMNS = 100
LAST_ROW = 1_048_576  # of any sheet (ECMA-376)
MOST_MERGED = 100_000

_FORMULA = re.compile(rb"<(?:\w+:)?f[ >/]")
_MERGED = re.compile(rb'<(?:\w+:)?mergeCell [^>]*ref="([A-Z]{1,3}\d+:[A-Z]{1,3}\d+)"')
_NO_RESULT = Unreadable(
    "Is a formula whose result was not saved.",
    "Open the file in a spreadsheet program and save it, or type the value.",
)


@dataclass(frozen=True, slots=True)
class Grid:
    """Rows of cells as they stand in a file (the first is row 1), and what was passed over."""

    rows: tuple[tuple[Any, ...], ...]
    remarks: tuple[str, ...] = ()
    merged: tuple[str, ...] = ()  # areas, as A3:A5


def grid_of(data: bytes, most_rows: int) -> Grid:
    """Return the rows of the one visible sheet with headings. Raises SheetError."""
    parts = _looked_at(data)
    try:
        values = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True)
        formulas = openpyxl.load_workbook(io.BytesIO(data), read_only=True)
    except SheetError:
        raise
    except Exception as error:  # whatever a damaged workbook makes of the library
        raise _damaged() from error
    remarks = []
    if any(name.casefold().endswith("vbaproject.bin") for name in parts):
        remarks.append("The macros of the workbook were left alone.")
    hidden = [one.title for one in values.worksheets if one.sheet_state != "visible"]
    if hidden:
        remarks.append(f"Hidden sheets were not read: {', '.join(hidden)}.")
    try:
        sheet, others = _the_one([one for one in values.worksheets if one.sheet_state == "visible"])
        if others:
            remarks.append(f"Only the sheet {sheet.title} was read, not {', '.join(others)}.")
        with sheet._get_source() as source:  # a sheet read row by row tells neither of these
            raw = source.read(MOST_UNPACKED_BYTES)
        rows = _rows(sheet, formulas[sheet.title], raw, most_rows)
        merged = tuple(area.decode() for area in _MERGED.findall(raw)[:MOST_MERGED])
    except (SheetError, MemoryError):
        raise
    except Exception as error:
        raise _damaged() from error
    finally:
        values.close()
        formulas.close()
    return Grid(tuple(rows), tuple(remarks), merged)


def _damaged() -> SheetError:
    return SheetError(
        "The workbook is damaged.",
        "Open it in a spreadsheet program and save it again, or save it as CSV.",
    )


def _looked_at(data: bytes) -> list[str]:
    """Refuse an archive that would not fit, is locked, or declares entities; name its parts."""
    try:
        archive = zipfile.ZipFile(io.BytesIO(data))
    except zipfile.BadZipFile as error:
        raise _damaged() from error
    infos = archive.infolist()
    if any(info.flag_bits & 0x1 for info in infos):
        raise SheetError("The file is locked with a password.", "Save it without one.")
    names = [info.filename for info in infos]
    if "mimetype" in names and not any(name.startswith("xl/") for name in names):
        raise SheetError("This is an OpenDocument file.", "Save it as XLSX or CSV.")
    if not any(name.startswith("xl/") for name in names):
        raise SheetError("This is an archive, not a spreadsheet.", "Send an XLSX or a CSV file.")
    if len(infos) > MOST_PARTS or sum(info.file_size for info in infos) > MOST_UNPACKED_BYTES:
        raise SheetError(
            f"Unpacked, the workbook is larger than {MOST_UNPACKED_BYTES / 1e6:.0f} MB.",
            "Copy the rows into a new workbook, without pictures and formats.",
        )
    for info in infos:
        if info.filename.endswith((".xml", ".rels")):
            _refuse_entities(archive, info)
    return names


def _refuse_entities(archive: zipfile.ZipFile, info: zipfile.ZipInfo) -> None:
    """No spreadsheet program writes a document type; it is how small XML becomes large."""
    try:
        with archive.open(info) as part:  # gives no more than the size that was declared
            beginning = part.read(65_536)
    except Exception as error:
        raise _damaged() from error
    if b"\0" in beginning or re.search(rb"<!(?:DOCTYPE|ENTITY)", beginning):
        raise SheetError(
            "The workbook was not made by a spreadsheet program.",
            "Open it in one and save it again.",
        )


def _the_one(sheets: list[Any]) -> tuple[Any, list[str]]:
    """Return the only sheet with headings, and the names of the others."""
    if not sheets:
        raise SheetError("The workbook has no visible sheet.", "Show the sheet that is meant.")
    found = []
    for sheet in sheets:
        sheet.reset_dimensions()  # what a file says of its own size need not be true
        above = _cells(sheet, columns.MOST_ROWS_ABOVE + 1)
        if any(columns.known(row) > 1 for row in above):
            found.append(sheet)
    if len(found) > 1:
        names = " and ".join(one.title for one in found)
        raise SheetError(
            f"Several sheets have members and fleet: {names}.",
            "Leave one of them, or send each as a file of its own.",
        )
    chosen = found[0] if found else sheets[0]
    return chosen, [one.title for one in sheets if one is not chosen]


def _cells(sheet: Any, last_row: int, width: int = MOST_COLUMNS) -> Iterator[tuple[Any, ...]]:
    cells: Iterator[tuple[Any, ...]] = sheet.iter_rows(
        max_row=last_row, max_col=width, values_only=True
    )
    return cells


def _width(sheet: Any) -> int:
    """Return how many columns the rows have among which the headings are."""
    above = _cells(sheet, columns.MOST_ROWS_ABOVE + 1)
    used = (place for row in above for place, cell in enumerate(row, 1) if cell is not None)
    return max(used, default=1)


def _rows(sheet: Any, twin: Any, raw: bytes, most_rows: int) -> list[tuple[Any, ...]]:
    """Return the rows up to the last that says anything."""
    rows: list[tuple[Any, ...]] = []
    width = _width(sheet)
    for number, row in enumerate(_cells(sheet, LAST_ROW, width), start=1):
        if row.count(None) == len(row):
            continue
        if number > most_rows + columns.MOST_ROWS_ABOVE + 1:
            raise too_many(most_rows)
        rows += [()] * (number - 1 - len(rows))  # keeps its row number
        rows.append(row)
    if _FORMULA.search(raw):
        twin.reset_dimensions()
        for index, asked in enumerate(_cells(twin, len(rows), width)):
            rows[index] = tuple(_result(*pair) for pair in zip(rows[index], asked, strict=False))
    return rows


def _result(value: Any, asked: Any) -> Any:
    is_formula = isinstance(asked, str) and asked.startswith("=")
    return _NO_RESULT if value is None and is_formula else value


def with_merged_marked(grid: Grid, after: int) -> list[tuple[Any, ...]]:
    """Return the rows; below index `after` cells that were merged are said to be unreadable.

    Cells merged over one another are one cell, and nobody knows whose row it belongs to.
    """
    rows = list(grid.rows)
    for area in grid.merged:
        first_column, first_row, last_column, last_row = (n or 0 for n in range_boundaries(area))
        mark = Unreadable(
            f"The cells {area} are merged.", "Unmerge them and write the value into each row."
        )
        for index in range(max(first_row - 1, after + 1), min(last_row, len(rows))):
            rows[index] = tuple(
                mark if first_column <= place <= last_column else cell
                for place, cell in enumerate(rows[index], start=1)
            )
    return rows


def too_many(most_rows: int) -> SheetError:
    """Say that a file has more rows than are read."""
    return SheetError(f"The file has more than {most_rows:,} rows.", "Split it into several files.")
