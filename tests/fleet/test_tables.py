"""Lists as files: what another program reads is what was put in, and nothing in it runs."""

from __future__ import annotations

import csv
import datetime
import io
import zipfile

import openpyxl
import pytest
from django.test import RequestFactory
from django.utils import timezone

from fleet import tables
from fleet.tables import Column, Table, as_csv, as_xlsx, guarded, measure, plain

DAY = datetime.date(2026, 2, 28)
MOMENT = datetime.datetime(2026, 4, 12, 19, 3, 7, tzinfo=datetime.UTC)

# Openings that spreadsheet programs run, from OWASP's page "CSV Injection", and near misses.
TEXTS = [
    "=1+1", "+1 555 0100", "-2", "@SUM(A1)", "\tx", "\rx", "'=1", "''=1", " =1", "＝1",
    "it's", "'quoted'", "'", "", "plain", "Wörter, \"mit\"; allem\nauf zwei Zeilen", "3-4",
]  # fmt: skip


def table(texts: list[str] | None = None, system: str = "us") -> Table:
    columns = [
        Column("Name"),
        Column("Aircraft", "whole"),
        measure("Span", "length", system),
        Column("Since", "date"),
        Column("Seen", "moment"),
        Column("Out", "yes"),
    ]
    rows = [(text, 3, 15.0, DAY, MOMENT, True) for text in texts or ["Redgrass"]]
    return Table("Who: flies [what]?", columns, [*rows, ("none", None, None, None, None, False)])


def read_csv(data: bytes) -> list[list[str]]:
    return list(csv.reader(io.StringIO(data.decode("utf-8-sig"), newline="")))


@pytest.mark.parametrize("text", TEXTS)
def test_what_is_guarded_does_not_run_and_comes_back(text: str):
    assert plain(guarded(text)) == text
    assert not guarded(text).lstrip(" ").startswith(("=", "+", "-", "@", "\t", "\r", "\n", "＝"))


def test_csv_as_another_reader_reads_it():
    data = as_csv(table(TEXTS))
    assert data.startswith(b"\xef\xbb\xbf")
    head, *rows = read_csv(data)
    assert head == ["Name", "Aircraft", "Span (ft)", "Since", "Seen", "Out"]
    # 15 m / 0.3048 = 49.2126 ft; the moment is told in the zone of the service.
    assert rows[0] == [
        "'=1+1", "3", "49.2126", "2026-02-28", "2026-04-12T14:03:07-05:00", "yes",
    ]  # fmt: skip
    assert [plain(row[0]) for row in rows[:-1]] == TEXTS
    assert rows[-1] == ["none", "", "", "", "", "no"]
    assert data.count(b"\r\n") == len(TEXTS) + 2


def test_workbook_holds_numbers_dates_and_texts_that_stay_texts():
    texts = [*(text for text in TEXTS if text), "#N/A", "bell \a", "long " * 8000]
    book = openpyxl.load_workbook(io.BytesIO(as_xlsx(table(texts, "metric"))))
    [sheet] = book.worksheets
    assert sheet.title == "Who  flies  what"
    assert sheet.freeze_panes == "A2"
    assert [cell.value for cell in sheet[1]][2:5] == [
        "Span (m)", "Since", "Seen (America/Chicago)",
    ]  # fmt: skip
    first = sheet[2]
    assert (first[1].value, first[2].value) == (3, 15.0)
    assert first[3].value == datetime.datetime(2026, 2, 28)
    assert first[3].number_format == "yyyy-mm-dd"
    assert first[4].value == datetime.datetime(2026, 4, 12, 14, 3, 7)
    for row, text in enumerate(texts[:-2], start=2):
        cell = sheet.cell(row, 1)
        assert (cell.value, cell.data_type) == (text, "s"), text
    assert sheet.cell(len(texts), 1).value == "bell �"
    assert len(sheet.cell(len(texts) + 1, 1).value) == tables.MOST_CHARACTERS
    assert b"<f>" not in zipfile.ZipFile(io.BytesIO(as_xlsx(table(TEXTS)))).read(
        "xl/worksheets/sheet1.xml"
    )


def test_answer_is_a_file_with_a_name():
    asked = RequestFactory().get("/fleet/?as=csv")
    answer = tables.answer(asked, table)
    assert answer is not None
    today = f"{timezone.localdate():%Y-%m-%d}"
    assert answer["Content-Disposition"] == f'attachment; filename="who-flies-what-{today}.csv"'
    assert answer["Content-Type"] == "text/csv; charset=utf-8"
    assert tables.answer(RequestFactory().get("/fleet/"), table) is None
    wrong = tables.answer(RequestFactory().get("/fleet/?as=pdf"), table)
    assert wrong is not None
    assert (wrong.status_code, wrong.content) == (400, b"This list can be had as csv or xlsx.")


def test_empty_list_is_a_file_with_a_header():
    empty = Table("Nothing", [Column("Name")], [])
    assert as_csv(empty) == b"\xef\xbb\xbfName\r\n"
    assert openpyxl.load_workbook(io.BytesIO(as_xlsx(empty))).active["A1"].value == "Name"
