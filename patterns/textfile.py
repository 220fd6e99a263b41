"""Bytes of a file become its lines of text, or an error that says what the file is instead."""

import re

from patterns.errors import TraceFileError

MAX_BYTES = 20_000_000
"""Largest file that is read [bytes]; a trace of 5,000 readings takes about 0.1 MB."""
MAX_LINES = 250_000
"""Most lines that are read."""
MAX_LINE_CHARACTERS = 100_000
"""Longest line that is read [characters]; a spectrum of 3,648 pixels takes about 40,000."""

_CSV_REMEDY = "save the readings as delimited text (CSV) and send that"

# How other kinds of file begin: (first bytes, what it is, what to do).
_OTHER_KINDS: tuple[tuple[bytes, str, str], ...] = (
    (b"%PDF", "this is a PDF document", _CSV_REMEDY),
    (b"\x89PNG", "this is a PNG picture", _CSV_REMEDY),
    (b"\xff\xd8\xff", "this is a JPEG picture", _CSV_REMEDY),
    (b"GIF8", "this is a GIF picture", _CSV_REMEDY),
    (b"II*\x00", "this is a TIFF picture", _CSV_REMEDY),
    (b"MM\x00*", "this is a TIFF picture", _CSV_REMEDY),
    (b"\xd0\xcf\x11\xe0", "this is an old Office file (.xls or .doc)", "save it as CSV"),
    (b"\x1f\x8b", "this is a gzip archive", "unpack it and send the text file inside"),
    (b"7z\xbc\xaf\x27\x1c", "this is a 7z archive", "unpack it and send the text file inside"),
    (b"{\\rtf", "this is an RTF document", "save it as plain text or CSV"),
    (b"SQLite format 3", "this is a database file", _CSV_REMEDY),
    (b"\x89HDF", "this is an HDF5 file", _CSV_REMEDY),
)

_BYTE_ORDER_MARKS: tuple[tuple[bytes, str], ...] = (
    (b"\xef\xbb\xbf", "utf-8"),
    (b"\xff\xfe\x00\x00", "utf-32-le"),  # before UTF-16, whose mark it begins with
    (b"\x00\x00\xfe\xff", "utf-32-be"),
    (b"\xff\xfe", "utf-16-le"),
    (b"\xfe\xff", "utf-16-be"),
)

_CONTROL = re.compile(r"[\x00-\x08\x0e-\x1f\x7f]")


def lines_of(data: bytes, source: str) -> list[str]:
    """Decode a file into its lines.

    UTF-8, UTF-16 and UTF-32 with a byte order mark, UTF-8 and UTF-16 without one, and otherwise
    Windows code page 1252 (of which Latin-1 text is a part). Lines end with CR LF, LF or CR.

    Parameters
    ----------
    data : bytes
        The whole file, at most `MAX_BYTES`.
    source : str
        Name of the file, for errors.

    Returns
    -------
    list of str
        Line N of the file is item N - 1.

    Raises
    ------
    TraceFileError
        When the file is empty, too large, not text, or has lines too many or too long.
    """
    if len(data) > MAX_BYTES:
        raise TraceFileError(
            source,
            f"the file has {len(data) / 1e6:.1f} MB, more than the {MAX_BYTES / 1e6:.0f} MB read",
            "send the readings of one pass only",
        )
    _refuse_other_kinds(data, source)
    # Ctrl-Z is how old DOS programs end a file.
    text = _decode(data, source).replace("\r\n", "\n").replace("\r", "\n").rstrip("\x1a")
    if not text.strip():
        raise TraceFileError(source, "the file is empty", "send the file with the readings")
    lines = text.split("\n")
    if len(lines) > MAX_LINES + 1:  # the last one is what follows the last line end
        raise TraceFileError(
            source,
            f"the file has {len(lines) - 1:,} lines, more than the {MAX_LINES:,} read",
            "send the readings of one pass only",
        )
    _check_lines(lines, text, source)
    return lines


def _refuse_other_kinds(data: bytes, source: str) -> None:
    if data.startswith(b"PK\x03\x04"):
        if b"xl/" in data:
            problem, remedy = "this is an .xlsx workbook", "save it as CSV"
        elif b"opendocument.spreadsheet" in data:
            problem, remedy = "this is an .ods spreadsheet", "save it as CSV"
        else:
            problem, remedy = "this is a zip archive", "unpack it and send the text file inside"
        raise TraceFileError(source, problem, remedy)
    for first_bytes, problem, remedy in _OTHER_KINDS:
        if data.startswith(first_bytes):
            raise TraceFileError(source, problem, remedy)
    beginning = data[:512].removeprefix(b"\xef\xbb\xbf").lstrip().lower()
    if beginning.startswith((b"<!doctype", b"<html", b"<?xml", b"<svg")):
        raise TraceFileError(source, "this is a web page or an XML file", _CSV_REMEDY)
    if beginning.startswith((b"{", b"[")) and data.rstrip().endswith((b"}", b"]")):
        raise TraceFileError(source, "this is a JSON file", _CSV_REMEDY)


def _decode(data: bytes, source: str) -> str:
    encoding, text_bytes = _encoding_of(data)
    try:
        if encoding is not None:
            return text_bytes.decode(encoding)
        try:
            return text_bytes.decode("utf-8")
        except UnicodeDecodeError:
            return text_bytes.decode("cp1252")
    except UnicodeDecodeError as error:
        used = encoding.upper() if encoding else "UTF-8 or Windows-1252"
        line = None
        if encoding in (None, "utf-8"):
            line = len(re.findall(rb"\r\n|\n|\r", text_bytes[: error.start])) + 1
        raise TraceFileError(
            source,
            f"the file is not readable text (its bytes are not {used})",
            "save it as plain text or CSV in UTF-8",
            line,
        ) from None


def _encoding_of(data: bytes) -> tuple[str | None, bytes]:
    """Name the encoding where the bytes show it, and take the byte order mark off."""
    for mark, encoding in _BYTE_ORDER_MARKS:
        if data.startswith(mark):
            return encoding, data[len(mark) :]
    # UTF-16 without a mark: text of digits has every other byte zero.
    beginning = data[:4096]
    half = len(beginning) // 2
    if half and beginning[1::2].count(0) > 0.8 * half and beginning[0::2].count(0) == 0:
        return "utf-16-le", data
    if half and beginning[0::2].count(0) > 0.8 * half and beginning[1::2].count(0) == 0:
        return "utf-16-be", data
    return None, data


def _check_lines(lines: list[str], text: str, source: str) -> None:
    if _CONTROL.search(text):
        for number, line in enumerate(lines, start=1):
            if found := _CONTROL.search(line):
                name = "a NUL byte" if found[0] == "\0" else f"the control byte {ord(found[0])}"
                raise TraceFileError(
                    source,
                    f"{name} stands at character {found.start() + 1}, so this is a damaged "
                    "or a binary file",
                    "copy the file from the instrument again, or save it as CSV",
                    number,
                )
    longest = max(lines, key=len)
    if len(longest) > MAX_LINE_CHARACTERS:
        raise TraceFileError(
            source,
            f"the line has {len(longest):,} characters, more than the {MAX_LINE_CHARACTERS:,} read",
            "put one position on each line",
            lines.index(longest) + 1,
        )
