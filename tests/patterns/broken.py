"""How the tables of broken trace files are written: the files and what is said of each."""

from dataclasses import dataclass
from typing import Any

from patterns.tracefile import ReadOptions


@dataclass(frozen=True)
class Broken:
    """A file that cannot be used, and the whole error."""

    name: str
    data: bytes
    options: ReadOptions
    error: str


def broken(
    name: str, data: bytes, problem: str, remedy: str, *, line: int | None = None, **options: Any
) -> Broken:
    """A file that is itself broken."""
    where = "pass1.csv" if line is None else f"pass1.csv, line {line}"
    return Broken(name, data, ReadOptions(**options), f"{where}: {problem}; {remedy}")


def misused(name: str, data: bytes, what: str, problem: str, remedy: str, **options: Any) -> Broken:
    """A good file with an option that is no possible value."""
    return Broken(name, data, ReadOptions(**options), f"{what}: {problem}; {remedy}")


def rows(
    header: str = "position_m,reading", *, step: float = 1.0, form: str = "{:g},{:d}"
) -> list[str]:
    """A header and twelve rows."""
    return [header, *(form.format(i * step, 100 + 7 * i) for i in range(12))]


def text(*lines: str) -> bytes:
    """Lines as the bytes of a file."""
    return ("\n".join(lines) + "\n").encode()


def swap(lines: list[str], place: int, new: str) -> bytes:
    """The lines with one of them replaced; place 0 is line 1."""
    return text(*lines[:place], new, *lines[place + 1 :])


ROWS = rows()
NM = list(range(540, 631, 5))
SPECTRA = [
    "position_m," + ",".join(map(str, NM)),
    *(f"{i}," + ",".join(str(100 + i) for _ in NM) for i in range(12)),
]

# What would be right, where several files share it.
SEND_READINGS = "send the file with the readings"
SAVE_AS_CSV = "save it as CSV"
UNPACK = "unpack it and send the text file inside"
SAVE_AS_TEXT = "save the readings as delimited text (CSV) and send that"
COPY_AGAIN = "copy the file from the instrument again, or save it as CSV"
PLAIN_TEXT = "save it as plain text or CSV in UTF-8"
ONE_PASS = "send the readings of one pass only"
STATE_UNIT = "name it in the header (position_ft) or state the unit"
NAME_UNIT = "name the position's unit, one of m, cm, mm, ft, in"
ONE_OF_UNITS = "state one of m, cm, mm, ft, in"
KEEP_ONE = "keep one, or state the position's column"
NAME_READING = (
    "name one reading (or counts, intensity, fluorescence, signal), or state the reading's column"
)
ONE_OF_NAMES = "state one of 'position_m', 'reading'"
PUT_HEADER = "put a header above the rows, such as position_ft,reading"
EVERY_ROW = "give every row a position and a reading, an empty cell for none"
WRITE_NUMBER = "write a number there, or leave the cell empty where the instrument gave none"
WRITE_POSITION = "write the position there, or remove the line"
WRITE_SHOWN = "write the number the instrument showed, or leave the cell empty"
NO_THOUSANDS = "export the numbers without thousands separators"
WHOLE_STRING = "a trace needs at least 8; send the whole string"
ONE_FILE_EACH = "send one file for each pass"
ONE_DIRECTION = "give them in one direction, each once"
MORE_WAVELENGTHS = (
    "export at least 3 wavelengths from 560 to 610 nm and 2 within 15 nm on either "
    "side, or state another band"
)
