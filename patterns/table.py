"""The lines of a trace file become a table of named columns and even rows."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from patterns.columns import ColumnName, understand
from patterns.delimited import (
    COMMENT,
    DELIMITER_NAMES,
    Cells,
    choose_delimiter,
    is_number,
    split_line,
    split_row,
)
from patterns.errors import TraceFileError
from patterns.header import (
    Header,
    Line,
    find_header,
    first_row_without_header,
    header_in_comment,
)


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
    rows: Sequence[list[str]]
    lines: Sequence[int]

    def column(self, index: int, name: str) -> Cells:
        """Cut one column out."""
        return Cells(name, [row[index] for row in self.rows], self.lines)


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
    header = find_header(content, delimiter, source, position_column)
    if header is None:
        header = header_in_comment(comments, content, delimiter)
    if header is None:
        first_row = first_row_without_header(content, delimiter, source, position_column)
        header = Header((), 0, None, first_row)
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


def _rows(
    content: list[Line], header: Header, delimiter: str, source: str
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
                raise _ragged(cells, width, header, delimiter, source, number, not rows)
        rows.append(cells)
        numbers.append(number)
    return rows, numbers


def _trimmed(cells: list[str]) -> int:
    count = len(cells)
    while count and not cells[count - 1].strip():
        count -= 1
    return count


def _ragged(
    cells: list[str],
    width: int,
    header: Header,
    delimiter: str,
    source: str,
    number: int,
    first: bool,
) -> TraceFileError:
    if header.names and sum(name.is_position for name in map(understand, cells)) == 1:
        return second_header(source, number)
    count = "1 cell" if len(cells) == 1 else f"{len(cells)} cells"
    than = f"the header (line {header.line})" if header.names else "the first row"
    problem = f"the row has {count} and {than} has {width}"
    mixed_up = len(cells) == 2 * width or (first and len(cells) > width)
    if delimiter == "," and mixed_up and all(map(is_number, cells)):
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
