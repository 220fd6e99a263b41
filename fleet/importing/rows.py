"""A file becomes entries: one row each, with what it says and what is wrong with it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from fleet.importing import book, columns, text, values
from fleet.importing.columns import COLUMNS, Heading
from fleet.importing.faults import CellError, Fault, SheetError

MOST_BYTES = 5_000_000
MOST_ROWS = 20_000
_KINDS = "Write fixed wing, helicopter or uncrewed."
_MEMBERSHIPS = "Write full, associate or guest."
# Of a span in the unit of its heading: what `Aircraft` takes (0.5 to 60 m).
_SPANS = {"m": (0.51, 59.99), "ft": (1.7, 196.8)}


@dataclass(frozen=True, slots=True)
class Entry:
    """One row: its number in the file, and the values that it gives; an empty cell gives none."""

    row: int
    given: Mapping[str, Any]

    def get(self, field: str) -> Any:
        """Return what the row says of a field, None for nothing."""
        return self.given.get(field)


@dataclass(frozen=True, slots=True)
class Reading:
    """What a file says: entries, faults, headings by field, and remarks on what was passed over."""

    entries: tuple[Entry, ...]
    faults: tuple[Fault, ...]
    headings: Mapping[str, str]
    remarks: tuple[str, ...]

    def heading(self, field: str) -> str:
        """Return what the file calls a field, or else what the template calls it."""
        return self.headings.get(field) or COLUMNS[field].heading


def read(data: bytes) -> Reading:
    """Read a CSV or XLSX file of members and fleet.

    Raises SheetError when the whole file cannot be used; what is wrong with single cells is in
    `faults`, each with row, column, what is wrong and what would be right.
    """
    grid = _grid(data)
    found = columns.find(grid.rows)
    entries: list[Entry] = []
    faults: list[Fault] = []
    rows = book.with_merged_marked(grid, found.index)
    for index in range(found.index + 1, len(rows)):
        entry, wrong = _entry(index + 1, rows[index], found)
        faults += wrong
        entries += [entry] if entry else []
    if not entries:
        raise SheetError("There is no row below the headings.", "Write one row for each aircraft.")
    if len(entries) > MOST_ROWS:
        raise book.too_many(MOST_ROWS)
    return Reading(
        tuple(entries),
        tuple(faults),
        {one.field: one.said for one in found.columns},
        (*grid.remarks, *_unread(found)),
    )


def _entry(
    row: int, cells: Sequence[Any], found: columns.Headings
) -> tuple[Entry | None, list[Fault]]:
    """Return what a row says and what is wrong with it; no entry for an empty row."""
    given: dict[str, Any] = {}
    wrong: list[Fault] = []
    for heading in found.columns:
        cell = cells[heading.place] if heading.place < len(cells) else None
        if values.is_empty(cell):
            continue
        try:
            given[heading.field] = _value(cell, heading)
        except CellError as error:
            wrong.append(Fault(row, heading.said, error.what, error.right))
    if not given and not wrong:
        return None, []
    whose = _said(found, "operator")
    if "operator" not in given and all(fault.column != whose for fault in wrong):
        wrong.append(
            Fault(row, whose, "Does not say whose row it is.", "Write the operator's name.")
        )
    return Entry(row, given), wrong


def _grid(data: bytes) -> book.Grid:
    if len(data) > MOST_BYTES:
        raise SheetError(
            f"The file has {len(data) / 1e6:.1f} MB; at most {MOST_BYTES / 1e6:.0f} MB are read.",
            "Copy the rows into a new file, without pictures and formats.",
        )
    if not data.strip():
        raise SheetError("The file is empty.", "Send a file with a row for each aircraft.")
    if data.startswith(b"\xd0\xcf\x11\xe0"):
        raise SheetError(
            "This is a workbook of the old kind (.xls), or one locked with a password.",
            "Save it as XLSX without a password, or as CSV.",
        )
    if data.startswith(b"PK"):
        return book.grid_of(data, MOST_ROWS)
    return text.grid_of(data, MOST_ROWS)


def _said(found: columns.Headings, field: str) -> str:
    return next(one.said for one in found.columns if one.field == field)


def _unread(found: columns.Headings) -> tuple[str, ...]:
    if not found.unread:
        return ()
    return (f"These columns were not read: {', '.join(found.unread)}.",)


def _value(cell: Any, heading: Heading) -> Any:
    """Return what a cell says. Raises CellError."""
    field = heading.field
    if field == "email":
        return values.email(cell, COLUMNS[field].most)
    if field == "base_latitude_deg":
        return values.number(cell, low=-90, high=90, what="degrees, north positive,")
    if field == "base_longitude_deg":
        return values.number(cell, low=-180, high=180, what="degrees, east positive,")
    if field == "span_m":
        low, high = _SPANS[heading.unit]
        return values.number(cell, low=low, high=high, unit=heading.unit)
    if field in ("joined_on", "retired_on"):
        return values.day(cell)
    if field == "kind":
        return values.one_of(cell, values.KINDS, _KINDS)
    if field == "membership":
        return values.one_of(cell, values.MEMBERSHIPS, _MEMBERSHIPS)
    said = values.text(cell, COLUMNS[field].most)
    return said.upper() if field == "registration" else said
