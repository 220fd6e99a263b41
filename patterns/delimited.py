"""Lines of delimited text become cells, and cells become numbers."""

import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from patterns.errors import TraceFileError

COMMENT = "#"
POSITION = "position"
"""Name of the position's column in errors, whatever the file calls it."""

MISSING = frozenset(
    ("", "-", "--", "---", "–", "—", "nan", "na", "n/a", "#n/a", "null", "none", "missing", "?")
)
"""Cells, in lower case, that say that the instrument gave no number."""

DELIMITER_NAMES = {"\t": "tab", ";": "semicolon", ",": "comma", " ": "space"}
"""The delimiters, the likeliest first; " " stands for any run of white space."""

_CELLS_SCORED = 50  # of a line, when the delimiter is looked for; a spectrum has thousands

_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?")
_THOUSANDS = re.compile(r"[+-]?\d{1,3}(?:[ .,'’\u00a0\u202f]\d{3})+(?:[.,]\d+)?")
# Without blanks between thousands: "1,5 200" is more likely two columns.
_THOUSANDS_MARKED = re.compile(r"\s*[+-]?\d{1,3}(?:[.,'’]\d{3})+(?:[.,]\d+)?\s*")
_MAYBE_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}")
_NUMBER_WITH_UNIT = re.compile(r"[+-]?\d+(?:[.,]\d+)?\s*[A-Za-zµ'\"]+")


@dataclass(frozen=True, slots=True)
class Cells:
    """One column as text: its name, its cells, and the line of each."""

    name: str
    text: Sequence[str]
    lines: Sequence[int]

    def pairs(self) -> Iterator[tuple[str, int]]:
        """Each cell with its line."""
        return zip(self.text, self.lines, strict=True)


def is_number(cell: str) -> bool:
    """Whether a cell is written as a number, with either decimal mark."""
    return _NUMBER.fullmatch(cell.strip().replace("−", "-")) is not None


def is_missing(cell: str) -> bool:
    """Whether a cell says that there is no number."""
    return cell.strip().lower() in MISSING


def split_line(line: str, delimiter: str) -> list[str]:
    """Split one line, as far as its quotes allow; never raises."""
    if delimiter == " ":
        return line.split()
    if '"' not in line:
        return line.split(delimiter)
    return next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])


def split_row(line: str, delimiter: str, number: int, source: str) -> list[str]:
    """Split one line of data; quotes must close.

    Raises
    ------
    TraceFileError
        When a quote opens and does not close on the line.
    """
    if '"' not in line or delimiter == " ":
        return split_line(line, delimiter)
    try:
        return next(csv.reader([line], delimiter=delimiter, strict=True, skipinitialspace=True))
    except csv.Error:
        raise TraceFileError(
            source,
            "a quotation mark opens and does not close properly",
            "close it on the same line, or leave the quotation marks away",
            number,
        ) from None


def choose_delimiter(lines: Sequence[str]) -> str | None:
    """Find the delimiter under which the most lines read as columns of numbers.

    Parameters
    ----------
    lines : sequence of str
        The lines that are neither blank nor comment.

    Returns
    -------
    str or None
        A key of `DELIMITER_NAMES`; None where no line holds a number beside another cell.
    """
    sample = lines if len(lines) <= 100 else [*lines[:60], *lines[-40:]]
    scores = {
        delimiter: sum(_score(split_line(line, delimiter)[:_CELLS_SCORED]) for line in sample)
        for delimiter in DELIMITER_NAMES
    }
    best = max(scores, key=lambda delimiter: scores[delimiter])
    return best if scores[best] > 0 else None


def _score(cells: list[str]) -> int:
    """Score how much a line looks like a row of numbers: 0 not at all, 4 wholly."""
    numbers = sum(
        is_number(cell) or _THOUSANDS_MARKED.fullmatch(cell) is not None for cell in cells
    )
    if numbers < 2:
        return 1 if numbers == 1 and len(cells) > 1 else 0
    return 4 if numbers + sum(map(is_missing, cells)) == len(cells) else 2


def decimal_mark(columns: Sequence[Cells], source: str) -> str:
    """Tell whether the numbers of a file are written with a point or a comma.

    A file uses one mark. A number such as 1,234 can mean 1.234 or 1234; it is read as a decimal
    only where another number of the file proves the mark (12,5 or 0,250), never guessed.

    Raises
    ------
    TraceFileError
        When both marks occur, or when a mark may as well separate thousands.
    """
    with_comma = [(c, n) for col in columns for c, n in col.pairs() if "," in c]
    if not with_comma:
        for column in columns:
            _refuse_point_for_thousands(column, columns, source)
        return "."
    comma, line = with_comma[0]
    with_point = ((c, n) for col in columns for c, n in col.pairs() if "." in c)
    for cell, number in with_point:
        if "," in cell:
            raise _thousands(cell, number, source)
        raise TraceFileError(
            source,
            f"'{comma.strip()}' has a comma and '{cell.strip()}' (line {number}) a point",
            "use one decimal mark in the whole file, and nothing between thousands",
            line,
        )
    for cell, number in with_comma:
        if cell.count(",") > 1:
            raise _thousands(cell, number, source)
    if all(_MAYBE_THOUSANDS.fullmatch(cell.strip()) for cell, _ in with_comma):
        raise TraceFileError(
            source,
            f"'{comma.strip()}' may mean {comma.strip().replace(',', '.')} "
            f"or {comma.strip().replace(',', '')}",
            "export without thousands separators and with a decimal point",
            line,
        )
    return ","


def _refuse_point_for_thousands(column: Cells, columns: Sequence[Cells], source: str) -> None:
    """Refuse a column of whole numbers whose points may separate thousands (950, 1.002)."""
    dotted = [(c.strip(), n) for c, n in column.pairs() if "." in c]
    if len(dotted) < 3:
        return
    if any(
        not _MAYBE_THOUSANDS.fullmatch(cell.strip())
        for other in columns
        for cell in other.text
        if "." in cell
    ):
        return
    whole = sum(1 for cell in column.text if cell.strip().isdigit())
    if whole >= 3:
        cell, line = dotted[0]
        raise TraceFileError(
            source,
            f"'{cell}' may mean {cell} or {cell.replace('.', '')}",
            "export without thousands separators",
            line,
        )


def numbers(column: Cells, mark: str, source: str) -> NDArray[np.float64]:
    """Read a column of cells as numbers.

    Parameters
    ----------
    column : Cells
        N cells.
    mark : {".", ","}
        Decimal mark, from `decimal_mark`.
    source : str
        Name of the file, for errors.

    Returns
    -------
    (N,) ndarray of float
        NaN where the cell is one of `MISSING`.

    Raises
    ------
    TraceFileError
        When a cell is neither a finite number nor missing, with its line.
    """
    text = column.text
    if mark == ",":
        text = [cell.replace(",", ".") for cell in text]
    try:
        # The usual case, fast; an underscore is no digit separator in an instrument's file.
        if any("_" in cell for cell in text):
            raise ValueError
        values = np.array([float(cell) for cell in text])
    except ValueError:
        values = np.array([_number(column, i, cell, source) for i, cell in enumerate(text)])
    if np.isinf(values).any():
        place = int(np.flatnonzero(np.isinf(values))[0])
        raise TraceFileError(
            source,
            f"the {column.name} is '{column.text[place].strip()}', which is infinite",
            "write the number the instrument showed, or leave the cell empty",
            column.lines[place],
        )
    return values


def _number(column: Cells, place: int, cell: str, source: str) -> float:
    cell = cell.strip().replace("−", "-")
    if cell.lower() in MISSING:
        return float("nan")
    if _NUMBER.fullmatch(cell) or cell.lower().lstrip("+-") in ("inf", "infinity"):
        return float(cell)
    written, line = column.text[place].strip(), column.lines[place]
    if _THOUSANDS.fullmatch(written):
        raise _thousands(written, line, source)
    shown = written if len(written) <= 40 else written[:37] + "..."
    if _NUMBER_WITH_UNIT.fullmatch(written):
        raise TraceFileError(
            source,
            f"the {column.name} is '{shown}', a number with a unit",
            "write the number alone and the unit in the header",
            line,
        )
    raise TraceFileError(
        source,
        f"the {column.name} is '{shown}', which is not a number",
        "write the position there, or remove the line"
        if column.name == POSITION
        else "write a number there, or leave the cell empty where the instrument gave none",
        line,
    )


def _thousands(cell: str, line: int, source: str) -> TraceFileError:
    return TraceFileError(
        source,
        f"'{cell.strip()}' has a thousands separator",
        "export the numbers without thousands separators",
        line,
    )
