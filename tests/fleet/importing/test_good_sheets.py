"""One list in many spellings says one thing."""

from __future__ import annotations

import datetime

import pytest

from fleet.importing import read
from fleet.importing.values import Number
from tests.fleet.importing.sheets import GOOD, book, csv_of, row, saved, xlsx_of


def said(data: bytes) -> dict[str, object]:
    reading = read(data)
    assert not reading.faults
    [entry] = reading.entries
    return {
        name: value.si if isinstance(value, Number) else value
        for name, value in entry.given.items()
    }


WANTED = {
    "operator": "Long Draw Air",
    "base": "Long Draw",
    "base_latitude_deg": 38.5,
    "base_longitude_deg": -99.25,
    "jurisdiction": "Calloway",
    "email": "office@longdraw.example",
    "phone": "+1 555 0100",
    "membership": "full",
    "joined_on": datetime.date(2026, 2, 3),
    "registration": "XX-L01",
    "make": "Invented",
    "model": "Sower 400",
    "kind": "fixed_wing",
    "span_m": pytest.approx(14.996, abs=5e-4),  # 49.2 ft × 0.3048
}


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_delimiters_and_encodings(delimiter: str, encoding: str):
    data = csv_of([row(base="Château-Ölfeld")], delimiter=delimiter, encoding=encoding)
    assert said(data) == {**WANTED, "base": "Château-Ölfeld"}


def test_workbook_with_true_numbers_and_days():
    line = row(
        joined_on=datetime.datetime(2026, 2, 3), span_ft=49.2, base_latitude=38.5, phone=5550100
    )
    assert said(xlsx_of([line])) == {**WANTED, "phone": "5550100"}


def test_headings_by_other_names_and_a_title_above():
    names = {
        "operator": "Company name", "base": "HOME BASE", "base latitude": "Lat.",
        "base longitude": "base_longitude_deg", "jurisdiction": "State",
        "operator e-mail": "E-Mail", "phone": "Telephone", "membership kind": "Member type",
        "joined on": "Member since", "registration": "Tail no.", "make": "Manufacturer",
        "model": "Aircraft type", "kind": "Category", "span_ft": "Wingspan (feet)",
        "out of service since": "Retired on",
    }  # fmt: skip
    made = book([{names[name]: value for name, value in GOOD.items()}])
    made.active.insert_rows(1, 2)
    made.active["A1"] = "Our members, as of spring"
    made.active.merge_cells("A1:C1")
    data = saved(made)
    assert said(data) == WANTED
    assert read(data).entries[0].row == 4


def test_first_line_that_names_the_separator():
    data = b"sep=;\r\n" + csv_of([row()], delimiter=";")
    assert said(data) == WANTED
    assert read(data).entries[0].row == 3


@pytest.mark.parametrize(
    "written",
    [
        "2026-02-03", "2026/02/03", "2026-02-03 00:00:00", "3 February 2026", "3 Feb 2026",
        "Feb 3, 2026", "february 3rd 2026", "3-Feb-2026", "03. Feb 2026",
    ],
)  # fmt: skip
def test_days_of_one_meaning(written: str):
    assert said(csv_of([row(joined_on=written)]))["joined_on"] == datetime.date(2026, 2, 3)


@pytest.mark.parametrize(
    ("written", "meant"),
    [("25/04/2026", (2026, 4, 25)), ("04/25/2026", (2026, 4, 25)), ("4/4/2026", (2026, 4, 4))],
)
def test_figures_where_one_order_alone_is_possible(written: str, meant: tuple[int, int, int]):
    assert said(csv_of([row(joined_on=written)]))["joined_on"] == datetime.date(*meant)


@pytest.mark.parametrize("written", ["49.2", "49,2", " 49.2 ft", "+49.2", "49.2ft", "49.20"])
def test_numbers_of_one_meaning(written: str):
    assert said(csv_of([row(span_ft=written)]))["span_m"] == WANTED["span_m"]


def test_a_comma_before_three_figures_is_read_as_the_place_can_be():
    assert said(csv_of([row(base_latitude="38,512")]))["base_latitude_deg"] == 38.512


def test_number_on_record_reads_the_same_at_the_digits_typed():
    assert Number(49.2, 1, "ft").says_the_same_as(15.0)  # 49.2126 ft
    assert Number(49.2126, 4, "ft").says_the_same_as(15.0)
    assert not Number(49.25, 2, "ft").says_the_same_as(15.0)
    assert not Number(49.2, 1, "ft").says_the_same_as(None)


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("Airplane", "fixed_wing"), ("FIXED-WING", "fixed_wing"), ("Rotorcraft", "helicopter"),
        ("UAS", "uncrewed"), ("drone", "uncrewed"), ("fixed_wing", "fixed_wing"),
    ],
)  # fmt: skip
def test_kinds_by_other_words(written: str, meant: str):
    assert said(csv_of([row(kind=written)]))["kind"] == meant


def test_empty_cells_and_rows_say_nothing():
    empty = dict.fromkeys(GOOD, "")
    reading = read(csv_of([row(make="-", phone="n/a"), empty, row(registration="XX-L02")]))
    assert [entry.row for entry in reading.entries] == [2, 4]
    assert reading.entries[0].get("make") is reading.entries[0].get("phone") is None


def test_columns_that_are_not_read_are_named():
    reading = read(csv_of([{**row(), "Shoe size": "44"}]))
    assert reading.remarks == ("These columns were not read: Shoe size.",)
