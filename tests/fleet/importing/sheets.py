"""Spreadsheets made in the test: the good one, and how to spoil it."""

from __future__ import annotations

import csv
import io
import re
import zipfile
from collections.abc import Mapping, Sequence
from typing import Any

import openpyxl

GOOD: Mapping[str, Any] = {
    "operator": "Long Draw Air",
    "base": "Long Draw",
    "base latitude": "38.5",
    "base longitude": "-99.25",
    "jurisdiction": "Calloway",
    "operator e-mail": "office@longdraw.example",
    "phone": "+1 555 0100",
    "membership kind": "full",
    "joined on": "2026-02-03",
    "registration": "XX-L01",
    "make": "Invented",
    "model": "Sower 400",
    "kind": "fixed wing",
    "span_ft": "49.2",
    "out of service since": "",
}


def row(**changes: Any) -> dict[str, Any]:
    """The good row with some cells otherwise; names as in GOOD, blanks and hyphens as _."""
    by_key = {re.sub(r"[ -]", "_", name): name for name in GOOD}
    return {**GOOD, **{by_key[name]: value for name, value in changes.items()}}


def csv_of(
    rows: Sequence[Mapping[str, Any]], *, delimiter: str = ",", encoding: str = "utf-8"
) -> bytes:
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, list(rows[0]), delimiter=delimiter)
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue().encode(encoding)


def book(rows: Sequence[Mapping[str, Any]], title: str = "Members") -> openpyxl.Workbook:
    made = openpyxl.Workbook()
    sheet = made.active
    sheet.title = title
    sheet.append(list(rows[0]))
    for one in rows:
        sheet.append([None if value == "" else value for value in one.values()])
    return made


def saved(made: openpyxl.Workbook) -> bytes:
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


def xlsx_of(rows: Sequence[Mapping[str, Any]]) -> bytes:
    return saved(book(rows))


def with_part(data: bytes, name: str, change: Any) -> bytes:
    """A workbook with one part of the archive changed, or added when it is not there."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(data)) as old,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for info in old.infolist():
            content = old.read(info)
            new.writestr(info.filename, change(content) if info.filename == name else content)
        if name not in old.namelist():
            new.writestr(name, change(b""))
    return out.getvalue()
