"""Find the header, the columns and the rows of a trace file."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from patterns.columns import (
    POSITION_UNITS,
    ColumnName,
    length_unit,
    understand,
)
from patterns.delimited import (
    COMMENT,
    DELIMITER_NAMES,
    Cells,
    choose_delimiter,
    is_missing,
    is_number,
    split_line,
    split_row,
)
from patterns.errors import TraceFileError

_HEADER_WITHIN = 200  # lines that are neither blank nor comment, in which the header must stand
_UNIT_REMEDY = f"name the position's unit, one of {', '.join(POSITION_UNITS)}"

Line = tuple[int, str]


@dataclass(frozen=True, slots=True)
class Table:
    """The rows of a trace file, split into cells.

    Parameters
    ----------
    source : str
        Name of the file.
    names : tuple of ColumnName
        One for each column; empty where the file has no header.
    header_line : int or None
        Line of the header.
    unit : str or None
        Unit of the positions that a row of units under the header names.
    skipped : int
        Lines before the first row that are no header, where there is no header.
    delimiter : str
        A key of `DELIMITER_NAMES`.
    rows : sequence of list of str
        The cells of each row, at least `width` of them.
    lines : sequence of int
        The line of each row.
    """

    source: str
    names: tuple[ColumnName, ...]
    header_line: int | None
    unit: str | None
    skipped: int
    delimiter: str
    rows: Sequence[list[str]]
    lines: Sequence[int]

    def column(self, index: int, name: str) -> Cells:
        """Cut one column out."""
        return Cells(name, [row[index] for row in self.rows], self.lines)


@dataclass(frozen=True, slots=True)
class _Header:
    """Where the header stands and where the rows begin, as places in the list of lines."""

    names: tuple[ColumnName, ...]
    line: int
    unit: str | None
    first_row: int


def read_table(lines: list[str], source: str, position_column: str | None) -> Table:
    """Split the lines of a file into header and rows.

    Parameters
    ----------
    lines : list of str
        All lines of the file.
    source : str
        Name of the file, for errors.
    position_column : str or None
        Name of the position's column, where the caller states it.

    Returns
    -------
    Table
        At least one row, all of the same columns.

    Raises
    ------
    TraceFileError
        When no rows, no header or no even columns can be found.
    """
    comments, content, stated_delimiter = _sort_lines(lines)
    if not content:
        raise TraceFileError(
            source,
            "the file holds only comments" if comments else "the file is empty",
            "send the file with the readings",
        )
    delimiter = stated_delimiter or choose_delimiter([text for _, text in content])
    if delimiter is None:
        raise _no_rows(content, source)
    header = _find_header(content, delimiter, source, position_column)
    if header is None:
        header = _header_in_comment(comments, content, delimiter)
    if header is None:
        first_row = _first_row_without_header(content, delimiter, source, position_column)
        header = _Header((), 0, None, first_row)
    rows, row_lines = _rows(content[header.first_row :], header, delimiter, source)
    if not rows:
        raise TraceFileError(
            source,
            f"the file has a header (line {header.line}) and no readings under it",
            "send the file with the readings",
        )
    return Table(
        source=source,
        names=header.names,
        header_line=header.line or None,
        unit=header.unit,
        skipped=0 if header.names else header.first_row,
        delimiter=delimiter,
        rows=rows,
        lines=row_lines,
    )


def _sort_lines(lines: list[str]) -> tuple[list[Line], list[Line], str | None]:
    """Part comments from content; also the delimiter that a `sep=;` line states."""
    comments: list[Line] = []
    content: list[Line] = []
    stated: str | None = None
    blank = str.maketrans("", "", ';,"')
    for number, line in enumerate(lines, start=1):
        text = line.strip()
        if not text:
            continue
        if text.startswith(COMMENT):
            comments.append((number, text))
        elif not content and re.fullmatch(r'"?sep=[;,\t]"?', line.strip(" ")):
            stated = line.strip(' "')[4]
        elif text.translate(blank).strip():
            content.append((number, line))
    return comments, content, stated


def _no_rows(content: list[Line], source: str) -> TraceFileError:
    if any(is_number(text) for _, text in content):
        return TraceFileError(
            source,
            "the file holds one column of numbers",
            "export the position and the reading side by side",
            next(number for number, text in content if is_number(text)),
        )
    for number, text in content:
        for delimiter in DELIMITER_NAMES:
            if any(understand(cell).is_position for cell in split_line(text, delimiter)):
                return TraceFileError(
                    source,
                    f"the file has a header (line {number}) and no readings under it",
                    "send the file with the readings",
                )
    return TraceFileError(
        source,
        "no line holds a position and a reading",
        "send delimited text: a header such as position_ft,reading and a row for each position",
    )


def _names(text: str, delimiter: str) -> tuple[ColumnName, ...]:
    """Understand a line as a header; empty names at its end are no columns."""
    if delimiter == " ":
        text = re.sub(r"\s+(?=[(\[{])", "", text)  # keeps "Position (ft)" one name
    cells = split_line(text, delimiter)
    while cells and not cells[-1].strip():
        cells.pop()
    return tuple(understand(cell) for cell in cells)


def _find_header(
    content: list[Line], delimiter: str, source: str, position_column: str | None
) -> _Header | None:
    for place, (_, text) in enumerate(content[:_HEADER_WITHIN]):
        names = _names(text, delimiter)
        if position_column is not None:
            if any(matches(name, position_column) for name in names):
                return _with_units_row(content, place, names, delimiter, source)
            continue
        wavelengths = sum(name.wavelength_nm is not None for name in names)
        if wavelengths >= 2 and not is_number(names[0].text):
            return _with_units_row(content, place, names, delimiter, source)
        positions = [i for i, name in enumerate(names) if name.is_position]
        if not positions or len(names) < 2:
            continue
        named = wavelengths or any(name.is_reading for name in names)
        below = [split_line(line, delimiter) for _, line in content[place + 1 : place + 3]]
        if named or any(len(r) > positions[0] and is_number(r[positions[0]]) for r in below):
            return _with_units_row(content, place, names, delimiter, source)
    return None


def matches(name: ColumnName, stated: str) -> bool:
    """Whether a column has the stated name; case and outer blanks do not count."""
    return name.text.casefold() == stated.strip().casefold()


def _with_units_row(
    content: list[Line], place: int, names: tuple[ColumnName, ...], delimiter: str, source: str
) -> _Header:
    """Complete a header by the row of units that may stand under it."""
    number = content[place][0]
    plain = _Header(names, number, None, place + 1)
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
    index = next((i for i, name in enumerate(names) if name.is_position), 0)
    cell = cells[index] if index < len(cells) else ""
    unit = length_unit(cell)
    if cell and unit is None:
        raise unknown_unit(source, cell.strip("()[]{} "), units_line)
    stated = names[index].unit
    if unit and stated and unit != stated:
        raise TraceFileError(
            source,
            f"the header says {stated} and the row of units says {unit}",
            "name one unit for the position",
            units_line,
        )
    return _Header(names, number, unit, place + 2)


def unknown_unit(source: str, text: str, line: int | None) -> TraceFileError:
    """Build the error about a unit that is no unit of length."""
    return TraceFileError(source, f"the position's unit '{text}' is not known", _UNIT_REMEDY, line)


def _header_in_comment(comments: list[Line], content: list[Line], delimiter: str) -> _Header | None:
    """Use the last comment before the rows, where it names the columns as numpy.savetxt does."""
    before = [line for line in comments if line[0] < content[0][0]]
    if not before:
        return None
    number, text = before[-1]
    names = _names(text.lstrip(COMMENT).strip(" "), delimiter)
    if len(names) < 2 or not any(name.is_position for name in names):
        return None
    return _Header(names, number, None, 0)


def _first_row_without_header(
    content: list[Line], delimiter: str, source: str, position_column: str | None
) -> int:
    """Find the first row of a file without header, and refuse what needs one."""
    if position_column is not None:
        raise TraceFileError(
            source,
            f"no column is named '{position_column}'",
            "state a name that stands in the header",
        )
    first = _first_row(content, delimiter)
    number, text = content[first]
    cells = split_line(text, delimiter)
    if first > 0:
        _refuse_odd_header(content[first - 1], len(cells), delimiter, source)
    filled = sum(1 for cell in cells if cell.strip())
    if filled != 2:
        hint = " (a decimal comma also parts columns here)" if delimiter == "," else ""
        raise TraceFileError(
            source,
            f"the file has {filled} columns and no header that names them{hint}",
            "put a header above the rows, such as position_ft,reading",
            number,
        )
    return first


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
    """Refuse a header that names no position, runs down the rows or is delimited otherwise."""
    number, text = line
    names = _names(text, delimiter)
    for other in DELIMITER_NAMES:
        others = _names(text, other)
        if other != delimiter and len(others) > 1 and any(n.is_position for n in others):
            raise TraceFileError(
                source,
                f"the header is parted by {DELIMITER_NAMES[other]} and the rows "
                f"by {DELIMITER_NAMES[delimiter]}",
                "use one delimiter in the whole file",
                number,
            )
    if names and names[0].text.lower().split("_")[0].split("(")[0].strip() in (
        "wavelength",
        "lambda",
        "nm",
    ):
        raise TraceFileError(
            source,
            "the wavelengths run down the rows",
            "turn the table: a row for each position, a column for each wavelength",
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


def _rows(
    content: list[Line], header: _Header, delimiter: str, source: str
) -> tuple[list[list[str]], list[int]]:
    """Split the rows and hold each against the width of the header."""
    rows: list[list[str]] = []
    numbers: list[int] = []
    width = len(header.names)
    for number, text in content:
        cells = split_row(text, delimiter, number, source)
        if len(cells) != width:
            if width == 0:
                width = _trimmed(cells)
            if len(cells) < width or _trimmed(cells) > width:
                raise _ragged(cells, width, header, delimiter, source, number)
        rows.append(cells)
        numbers.append(number)
    return rows, numbers


def _trimmed(cells: list[str]) -> int:
    count = len(cells)
    while count and not cells[count - 1].strip():
        count -= 1
    return count


def _ragged(
    cells: list[str], width: int, header: _Header, delimiter: str, source: str, number: int
) -> TraceFileError:
    if header.names and sum(name.is_position for name in map(understand, cells)) == 1:
        return second_header(source, number)
    than = f"the header (line {header.line})" if header.names else "the first row"
    problem = f"the row has {len(cells)} cells and {than} has {width}"
    if delimiter == "," and len(cells) > width and all(map(is_number, cells)):
        return TraceFileError(
            source,
            f"{problem}; decimal commas seem to be mixed up with commas between columns",
            "export with semicolons between columns, or with a decimal point",
            number,
        )
    return TraceFileError(
        source, problem, "give every row a position and a reading, an empty cell for none", number
    )


def second_header(source: str, number: int) -> TraceFileError:
    """Build the error about a second header further down."""
    return TraceFileError(
        source,
        "a second header stands here, so the file holds more than one trace",
        "send one file for each pass",
        number,
    )
