"""Spreadsheets as people send them: each fault is told with its row, its column, and the remedy.

Which faults occur is common practice, no source; the bounds of XLSX are those of ECMA-376.
"""

from __future__ import annotations

import datetime
import io
import re
import zipfile
from collections.abc import Callable
from typing import Any

import pytest

from fleet.importing import Fault, SheetError, read
from tests.fleet.importing.sheets import GOOD, book, csv_of, row, saved, with_part, xlsx_of

SHEET = "xl/worksheets/sheet1.xml"


def merged(area: str) -> bytes:
    made = book([row(), row(registration="XX-L02")])
    made.active.merge_cells(area)
    return saved(made)


def formula() -> bytes:
    """The library writes formulas without a result, as programs do that cannot count."""
    made = book([row()])
    made.active["K2"] = '="Inv"&"ented"'
    return saved(made)


def several(hidden: bool = False) -> bytes:
    made = book([row()])
    second = made.create_sheet("Members of old")
    for line in made["Members"].iter_rows(values_only=True):
        second.append(line)
    if hidden:
        second.sheet_state = "hidden"
    return saved(made)


def all_hidden() -> bytes:
    made = book([row()])
    made.create_sheet("Empty")
    made["Members"].sheet_state = "hidden"
    made.active = 1
    return with_part(
        saved(made),
        "xl/workbook.xml",
        lambda xml: xml.replace(b'state="visible"', b'state="hidden"'),
    )


def bomb() -> bytes:
    """A workbook of less than 1 MB that has 81 MB when it is unpacked."""
    return with_part(xlsx_of([row()]), SHEET, lambda xml: xml + b" " * 81_000_000)


def declared_far_away() -> bytes:
    made = book([row()])
    made.active["A40000"] = "Far Away Air"
    return saved(made)


def archive(*names: str) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as made:
        for name in names:
            made.writestr(name, "x")
    return out.getvalue()


def locked() -> bytes:
    data = bytearray(xlsx_of([row()]))
    start = 0
    while (start := data.find(b"PK\x01\x02", start)) >= 0:  # of the directory
        data[start + 8] |= 1
        start += 4
    return bytes(data)


def headed(old: str, new: str, **more: Any) -> bytes:
    return csv_of([{(new if name == old else name): value for name, value in GOOD.items()}], **more)


# What is wrong with the whole file: name, file, what must be said.
FILES: dict[str, tuple[Callable[[], bytes], str]] = {
    "empty": (lambda: b"", "The file is empty."),
    "blanks": (lambda: b" \r\n \n", "The file is empty."),
    "headings alone": (
        lambda: csv_of([GOOD]).split(b"\n")[0], "There is no row below the headings.",
    ),
    "no headings": (lambda: b"Long Draw Air,38.5\r\nOther,40\r\n", "No row of headings was found."),
    "no operator": (lambda: headed("operator", "who"), "No column says whose row it is."),
    "a heading twice": (
        lambda: headed("phone", "Base"), 'The columns "base" and "Base" say the same thing.',
    ),
    "a synonym twice": (
        lambda: headed("make", "Tail number"),
        'The columns "registration" and "Tail number" say the same thing.',
    ),
    "span without unit": (
        lambda: headed("span_ft", "Wingspan"),
        'The heading "Wingspan" does not say in which unit. Write span_ft or span_m.',
    ),
    "old workbook": (lambda: b"\xd0\xcf\x11\xe0\xa1\xb1" + b"\0" * 600, "of the old kind (.xls)"),
    "picture": (lambda: b"\x89PNG\r\n\x1a\n\0\0\0", "neither a workbook nor readable text"),
    "PDF": (lambda: b"%PDF-1.7 whatever", "a document to read or print"),
    "web page": (lambda: b"<!DOCTYPE html><table></table>", "a web page or an XML file"),
    "half UTF-16": (lambda: b"\xff\xfeo\x00p\x00e", "neither a workbook nor readable text"),
    "bytes of no encoding": (
        lambda: b"operator,base\r\n\x81\x8d\x8f,x", "neither a workbook nor readable text",
    ),
    "quotation mark left open": (
        lambda: b'operator,base\r\nOne,Here\r\n"Two,There\r\n',
        "From row 3 on, a quotation mark is not closed.",
    ),
    "odd separator": (lambda: b"sep=!\r\noperator!base\r\nOne!Here\r\n", '"!" stands between'),
    "page in a cell": (
        lambda: csv_of([row(base="x" * 10_001)]), "A cell is as long as a page.",
    ),
    "too many rows": (
        lambda: b"operator,base\n" + b"One,Here\n" * 20_100, "more than 20,000 rows",
    ),
    "too large": (lambda: b"operator\n" + b"x" * 5_000_000, "at most 5 MB are read"),
    "no archive": (lambda: b"PK\x03\x04 and nothing more", "The workbook is damaged."),
    "archive of files": (lambda: archive("letter.txt"), "This is an archive, not a spreadsheet."),
    "OpenDocument": (lambda: archive("mimetype", "content.xml"), "This is an OpenDocument file."),
    "cut short": (lambda: xlsx_of([row()])[:4000], "The workbook is damaged."),
    "part missing": (lambda: archive("xl/workbook.xml"), "The workbook is damaged."),
    "locked": (locked, "The file is locked with a password."),
    "bomb": (bomb, "Unpacked, the workbook is larger than 80 MB."),
    "many parts": (
        lambda: archive(*(f"xl/{n}.bin" for n in range(2100))), "Unpacked, the workbook is larger",
    ),
    "entities": (
        lambda: with_part(
            xlsx_of([row()]), SHEET,
            lambda xml: b'<!DOCTYPE x [<!ENTITY a "aaaa">]>' + xml,
        ),
        "The workbook was not made by a spreadsheet program.",
    ),
    "several sheets": (
        several, "Several sheets have members and fleet: Members and Members of old.",
    ),
    "all hidden": (all_hidden, "The workbook has no visible sheet."),
    "row beyond the last": (declared_far_away, "more than 20,000 rows"),
    "sheet damaged": (
        lambda: with_part(xlsx_of([row()]), SHEET, lambda xml: xml[: len(xml) // 2]),
        "The workbook is damaged.",
    ),
}  # fmt: skip

# What is wrong with one cell: name, what is in it, under which heading, what is said.
CELLS: dict[str, tuple[dict[str, Any], str, str]] = {
    "ambiguous day": (
        {"joined_on": "03/04/2026"}, "joined on",
        '"03/04/2026" can be two days. Write 2026-03-04 or 2026-04-03.',
    ),
    "ambiguous with dots": (
        {"joined_on": "3.4.2026"}, "joined on", "Write 2026-03-04 or 2026-04-03.",
    ),
    "year of two digits": (
        {"joined_on": "25/04/26"}, "joined on", '"25/04/26" has a year of two digits.',
    ),
    "30 February": ({"joined_on": "2026-02-30"}, "joined on", "a day that does not exist"),
    "month 13": ({"joined_on": "13/25/2026"}, "joined on", "a day that does not exist"),
    "29 February of no leap year": (
        {"joined_on": "29 Feb 2026"}, "joined on", "a day that does not exist",
    ),
    "serial number of a day": (
        {"joined_on": "46115"}, "joined on", '"46115" is a number, not a date.',
    ),
    "words for a day": ({"joined_on": "last spring"}, "joined on", '"last spring" is no date.'),
    "unknown month": ({"joined_on": "3 Nebel 2026"}, "joined on", '"3 Nebel 2026" is no date.'),
    "year far back": ({"joined_on": "0226-02-03"}, "joined on", '"0226-02-03" cannot be meant.'),
    "unknown kind": ({"kind": "balloon"}, "kind", "Write fixed wing, helicopter or uncrewed."),
    "unknown membership": (
        {"membership_kind": "honorary"}, "membership kind", "Write full, associate or guest.",
    ),
    "span in words": ({"span_ft": "wide"}, "span_ft", '"wide" is no number. Write a number from'),
    "span in metres below feet": ({"span_ft": "15 m"}, "span_ft", '"15 m" is no number.'),
    "span of a hangar": ({"span_ft": "492"}, "span_ft", '"492" is out of range.'),
    "span of nothing": ({"span_ft": "0"}, "span_ft", '"0" is out of range.'),
    "span below nothing": ({"span_ft": "-49.2"}, "span_ft", '"-49.2" is out of range.'),
    "span not a number": ({"span_ft": "NaN"}, "span_ft", '"NaN" is no number.'),
    "span in two numbers": ({"span_ft": "49.2 48.1"}, "span_ft", '"49.2 48.1" is no number.'),
    "latitude beyond the pole": ({"base_latitude": "98.5"}, "base latitude", "out of range"),
    "longitude beyond the date line": (
        {"base_longitude": "-199"}, "base longitude", "out of range",
    ),
    "latitude in degrees and minutes": (
        {"base_latitude": "38°30'N"}, "base latitude", "Write degrees, north positive, from -90",
    ),
    "e-mail without a place": (
        {"operator_e_mail": "office"}, "operator e-mail", '"office" is no e-mail address.',
    ),
    "two e-mails": (
        {"operator_e_mail": "a@x.example; b@x.example"}, "operator e-mail", "is no e-mail address",
    ),
    "name too long": ({"operator": "O" * 121}, "operator", "Has 121 characters. At most 120."),
    "registration too long": (
        {"registration": "XX-" + "1" * 18}, "registration", "Has 21 characters. At most 20.",
    ),
    "phone too long": ({"phone": "5" * 41}, "phone", "Has 41 characters. At most 40."),
    "nobody's row": ({"operator": ""}, "operator", "Does not say whose row it is."),
    "retired on no day": (
        {"out_of_service_since": "yes"}, "out of service since", '"yes" is no date.',
    ),
}  # fmt: skip

# The same in workbooks, which know more than text.
BOOKS: dict[str, tuple[Callable[[], bytes], int, str, str]] = {
    "merged down": (
        lambda: merged("A2:A3"), 2, "operator",
        "The cells A2:A3 are merged. Unmerge them and write the value into each row.",
    ),
    "merged across": (lambda: merged("K3:L3"), 3, "make", "The cells K3:L3 are merged."),
    "formula without a result": (
        formula, 2, "make", "Is a formula whose result was not saved.",
    ),
    "error of a formula": (
        lambda: xlsx_of([row(joined_on="#REF!")]), 2, "joined on", '"#REF!" is no date.',
    ),
    "number for a day": (
        lambda: xlsx_of([row(joined_on=46115)]), 2, "joined on", '"46115" is a number, not a date.',
    ),
    "day for a registration": (
        lambda: xlsx_of([row(registration=datetime.date(2026, 1, 2))]), 2, "registration",
        "2026-01-02 is not a text.",
    ),
    "true for a span": (lambda: xlsx_of([row(span_ft=True)]), 2, "span_ft", "is no number"),
    "day for a span": (
        lambda: xlsx_of([row(span_ft=datetime.date(2026, 1, 2))]), 2, "span_ft", "is no number",
    ),
}  # fmt: skip


def test_there_are_sixty_and_more():
    assert len(FILES) + len(CELLS) + len(BOOKS) >= 60


@pytest.mark.parametrize("name", FILES)
def test_whole_file(name: str):
    make, said = FILES[name]
    with pytest.raises(SheetError) as refused:
        read(make())
    fault = refused.value.fault
    assert said in fault.said
    assert fault.row is None
    assert fault.right.endswith(".")  # what would be right is said as well


@pytest.mark.parametrize("make", [csv_of, xlsx_of], ids=["csv", "xlsx"])
@pytest.mark.parametrize("name", CELLS)
def test_cell(name: str, make: Callable[..., bytes]):
    changes, column, said = CELLS[name]
    reading = read(make([row(), row(**{"registration": "XX-L02", **changes})]))
    [fault] = reading.faults
    assert (fault.row, fault.column) == (3, column)
    assert said in fault.said
    assert fault.right


@pytest.mark.parametrize("name", BOOKS)
def test_workbook(name: str):
    make, line, column, said = BOOKS[name]
    reading = read(make())
    fault = reading.faults[0]
    assert (fault.row, fault.column) == (line, column)
    assert said in fault.said
    assert fault.right


def test_a_fault_names_its_place():
    fault = Fault(7, "joined on", '"x" is no date.', "Write it as 2026-04-03.")
    assert str(fault) == 'Row 7, joined on: "x" is no date. Write it as 2026-04-03.'
    assert str(Fault(None, "", "The file is empty.", "Send one.")) == "The file is empty. Send one."


def test_formula_with_a_result_counts_by_the_result():
    data = formula()
    assert read(data).faults

    def counted(xml: bytes) -> bytes:
        xml = xml.replace(b'<c r="K2"', b'<c r="K2" t="str"')
        return re.sub(rb"</f><v ?/>|</f><v></v>", b"</f><v>Invented</v>", xml)

    [entry] = read(with_part(data, SHEET, counted)).entries
    assert entry.get("make") == "Invented"


def test_hidden_sheets_and_macros_are_left_alone_and_it_is_said():
    data = with_part(several(hidden=True), "xl/vbaProject.bin", lambda _: b"anything")
    reading = read(data)
    assert len(reading.entries) == 1
    assert "Hidden sheets were not read: Members of old." in reading.remarks
    assert "The macros of the workbook were left alone." in reading.remarks


def test_a_sheet_that_lies_about_its_size_is_read_all_the_same():
    data = with_part(
        xlsx_of([row()]), SHEET, lambda xml: xml.replace(b'ref="A1:O2"', b'ref="A1:A1"')
    )
    assert read(data).entries == read(xlsx_of([row()])).entries
