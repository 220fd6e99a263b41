"""Find the header of a trace file, in whatever line and form it stands."""

import re
from dataclasses import dataclass

from patterns.columns import POSITION_UNITS, ColumnName, length_unit, understand
from patterns.delimited import COMMENT, DELIMITER_NAMES, is_missing, is_number, split_line
from patterns.errors import TraceFileError

_HEADER_WITHIN = 200  # lines that are neither blank nor comment, in which the header must stand
_ROWS_BEGUN = 5  # lines of numbers, one after the other, below which no header is looked for
_UNIT_REMEDY = f"name the position's unit, one of {', '.join(POSITION_UNITS)}"

_DOWN_THE_ROWS = re.compile(r"(?:wavelengths?|lambda|λ|nm)(?:[\s_(\[]|$)", re.IGNORECASE)

Line = tuple[int, str]
"""Number of a line, counted from 1, and its text."""


@dataclass(frozen=True, slots=True)
class Header:
    """A header and where the rows begin.

    Parameters
    ----------
    names : tuple of ColumnName
        The columns; empty for a file without header.
    line : int
        Line of the header; 0 for a file without.
    unit : str or None
        Unit of the positions, where a row of units under the header names it.
    first_row : int
        Place of the first row in the list of content lines.
    """

    names: tuple[ColumnName, ...]
    line: int
    unit: str | None
    first_row: int


def find_header(
    content: list[Line], delimiter: str, source: str, position_column: str | None
) -> Header | None:
    """Find the first line that names a position or a spectrum; None if there is none.

    Parameters
    ----------
    content : list of Line
        Number and text of the lines that are neither blank nor comment.
    delimiter : str
        A key of `patterns.delimited.DELIMITER_NAMES`.
    source : str
        Name of the file, for errors.
    position_column : str or None
        Name of the position's column, where the caller states it.

    Raises
    ------
    TraceFileError
        When the wavelengths run down the rows, or the row of units under the header does not fit.
    """
    rows_in_row = 0
    for place, (number, text) in enumerate(content[:_HEADER_WITHIN]):
        if all(map(is_number, split_line(text, delimiter))):
            rows_in_row += 1
            if rows_in_row == _ROWS_BEGUN:
                break
            continue
        rows_in_row = 0
        names = _names(text, delimiter)
        below = [split_line(line, delimiter) for _, line in content[place + 1 : place + 3]]
        if _heads_wavelengths(names, below):
            raise TraceFileError(
                source,
                "the wavelengths run down the rows",
                "turn the table: a row for each position, a column for each wavelength",
                number,
            )
        if position_column is not None:
            stated = [i for i, name in enumerate(names) if matches(name, position_column)]
            position = stated[0] if stated else None
        else:
            position = _position_in(names, below)
        if position is not None:
            return _with_units_row(content, place, names, position, delimiter, source)
    return None


def _position_in(names: tuple[ColumnName, ...], below: list[list[str]]) -> int | None:
    """Place of the position's column where the names are a header; None where they are none."""
    if len(names) < 2:
        return None
    positions = [i for i, name in enumerate(names) if name.is_position]
    wavelengths = sum(name.wavelength_nm is not None for name in names)
    if positions:
        named = wavelengths or any(name.is_reading for name in names)
        return positions[0] if named or _heads_numbers(names, positions[0], below) else None
    # A spectrometer's first column is the position, however it is named. Rows as wide as the
    # header tell it from a title such as "Range,400,800".
    as_wide = bool(below) and len(below[-1]) >= len(names)
    nameless = names[0].wavelength_nm is None and not is_number(names[0].text)
    spectrum = wavelengths >= 2 and nameless and as_wide and _heads_numbers(names, 0, below)
    return 0 if spectrum else None


def _heads_wavelengths(names: tuple[ColumnName, ...], below: list[list[str]]) -> bool:
    """Whether the names head a table whose wavelengths run down its rows."""
    return (
        len(names) > 2
        and _DOWN_THE_ROWS.match(names[0].text) is not None
        and bool(below)
        and len(below[0]) >= len(names)
        and is_number(below[0][0])
    )


def _heads_numbers(names: tuple[ColumnName, ...], position: int, below: list[list[str]]) -> bool:
    """Whether a line that names a position heads a column of numbers, and is no title."""
    if len(names) == 2 and is_number(names[1 - position].text):
        return False  # "Position,7" tells a key and its value
    if below and not any(map(is_number, below[0])):
        below = below[1:]  # a row of units
    return bool(below) and len(below[0]) > position and is_number(below[0][position])


def _names(text: str, delimiter: str) -> tuple[ColumnName, ...]:
    """Understand a line as a header; empty names at its end are no columns."""
    if delimiter == " ":
        text = " ".join(text.split())
        for bracket in "([{":  # keeps "Position (ft)" one name
            text = text.replace(f" {bracket}", bracket)
    cells = split_line(text, delimiter)
    while cells and not cells[-1].strip():
        cells.pop()
    return tuple(understand(cell) for cell in cells)


def matches(name: ColumnName, stated: str) -> bool:
    """Whether a column has the stated name; case and outer blanks do not count."""
    return name.text.casefold() == stated.strip().casefold()


def _with_units_row(
    content: list[Line],
    place: int,
    names: tuple[ColumnName, ...],
    position: int,
    delimiter: str,
    source: str,
) -> Header:
    """Complete a header by the row of units that may stand under it."""
    number = content[place][0]
    plain = Header(names, number, None, place + 1)
    if place + 1 >= len(content):
        return plain
    units_line, text = content[place + 1]
    cells = [cell.strip() for cell in split_line(text, delimiter)]
    if any(map(is_number, cells)):
        return plain
    units = [unit for cell in cells if (unit := length_unit(cell))]
    bracketed = all(not cell or cell[0] in "([{" for cell in cells)
    if not units and not bracketed:
        return plain
    cell = cells[position] if position < len(cells) else ""
    unit = length_unit(cell)
    if cell and unit is None:
        raise unknown_unit(source, cell.strip("()[]{} "), units_line)
    stated = names[position].unit
    if unit and stated and unit != stated:
        raise TraceFileError(
            source,
            f"the header says {stated} and the row of units says {unit}",
            "name one unit for the position",
            units_line,
        )
    return Header(names, number, unit, place + 2)


def unknown_unit(source: str, text: str, line: int | None) -> TraceFileError:
    """Build the error about a unit that is no unit of length."""
    return TraceFileError(source, f"the position's unit '{text}' is not known", _UNIT_REMEDY, line)


def header_in_comment(comments: list[Line], content: list[Line], delimiter: str) -> Header | None:
    """Use the last comment before the rows, where it names the columns as numpy.savetxt does."""
    before = [line for line in comments if line[0] < content[0][0]]
    if not before:
        return None
    number, text = before[-1]
    names = _names(text.lstrip(COMMENT).strip(" "), delimiter)
    if len(names) < 2 or not any(name.is_position for name in names):
        return None
    return Header(names, number, None, 0)


def first_row_without_header(
    content: list[Line], delimiter: str, source: str, position_column: str | None
) -> int:
    """Place of the first row in a file without header.

    Raises
    ------
    TraceFileError
        When the rows have not just two columns, when a column is stated by name, or when the line
        above the rows is a header that cannot be used.
    """
    if position_column is not None:
        raise _no_such_position(content, delimiter, source, position_column)
    first = _first_row(content, delimiter)
    number, text = content[first]
    cells = split_line(text, delimiter)
    if first > 0:
        _refuse_odd_header(content[first - 1], len(cells), delimiter, source)
    filled = sum(1 for cell in cells if cell.strip())
    if filled != 2:
        hint = " (a decimal comma, too, separates columns here)" if delimiter == "," else ""
        raise TraceFileError(
            source,
            f"the file has {filled} columns and no header that names them{hint}",
            "put a header above the rows, such as position_ft,reading",
            number,
        )
    return first


def _no_such_position(
    content: list[Line], delimiter: str, source: str, stated: str
) -> TraceFileError:
    header = find_header(content, delimiter, source, None)
    if header is None:
        return TraceFileError(
            source, f"no column is named '{stated}'", "state a name that stands in the header"
        )
    listed = ", ".join(f"'{name.text}'" for name in header.names[:8])
    return TraceFileError(
        source, f"no column is named '{stated}'", f"state one of {listed}", header.line
    )


def _first_row(content: list[Line], delimiter: str) -> int:
    """Place of the first line that holds two numbers, or else a number and a cell beside it."""
    alone = None
    for place, (_, text) in enumerate(content):
        cells = split_line(text, delimiter)
        count = sum(map(is_number, cells))
        if count >= 2:
            return place
        if (
            count == 1
            and len(cells) > 1
            and alone is None
            and all(is_number(cell) or is_missing(cell) for cell in cells)
        ):
            alone = place
    return alone or 0


def _refuse_odd_header(line: Line, columns: int, delimiter: str, source: str) -> None:
    """Refuse a header that names no position or is delimited otherwise than the rows."""
    number, text = line
    names = _names(text, delimiter)
    for other in DELIMITER_NAMES:
        others = _names(text, other)
        if other != delimiter and len(others) > 1 and any(n.is_position for n in others):
            raise TraceFileError(
                source,
                f"the header is separated by {DELIMITER_NAMES[other]} and the rows "
                f"by {DELIMITER_NAMES[delimiter]}",
                "use one delimiter in the whole file",
                number,
            )
    if len(names) == columns and not any(is_number(name.text) for name in names):
        listed = ", ".join(f"'{name.text}'" for name in names[:8])
        raise TraceFileError(
            source,
            f"none of the columns {listed} is a position",
            "name one position_ft (or _m, _cm, _in), or state the position's column",
            number,
        )
