"""Lists as files: one `Table` becomes CSV or XLSX.

CSV is UTF-8 with a byte order mark (spreadsheet programs take a file without one for the machine's
old code page and break every name with an accent), comma-separated, lines ended with CR LF
(RFC 4180), decimal points, ISO dates. A text that a spreadsheet program would run as a formula gets
an apostrophe in front; `plain` takes it off again, so that a table read back is the same table.
"""

from __future__ import annotations

import csv
import datetime
import io
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from django.http import HttpRequest, HttpResponse, HttpResponseBadRequest
from django.utils import timezone
from django.utils.http import content_disposition_header
from django.utils.text import slugify
from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
from openpyxl.styles import Alignment, Font
from openpyxl.utils import get_column_letter

from fleet import measures
from patterns.units import from_si

Kind = Literal["text", "whole", "number", "date", "moment", "yes"]

XLSX_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
CSV_TYPE = "text/csv; charset=utf-8"
MOST_CHARACTERS = 32_767  # that a cell of an XLSX file can hold (ECMA-376, part 1, 18.3.1.96)
EXTRA_DIGITS = 3  # kept in files behind those that pages show, so that nothing is lost on the way
WIDEST = 60  # characters

# What spreadsheet programs take for a formula, by its first sign, behind any apostrophes and
# blanks (OWASP, "CSV Injection"); the wide forms are those of East Asian keyboards.
_FORMULA = re.compile(r"'*\s*[=+\-@＝＋－＠]|'*[\t\r\n]")
_GUARDED = re.compile(r"'+\s*[=+\-@＝＋－＠]|'+[\t\r\n]")


@dataclass(frozen=True, slots=True)
class Column:
    """A heading and what stands below it.

    `number` and `whole` are numbers as they are to be read (`digits` behind the point are shown);
    with a `quantity` of `fleet.measures` the values are in SI and are turned into the unit that
    `measure` has put into the heading.
    """

    heading: str
    kind: Kind = "text"
    digits: int = 1
    unit: str = ""

    def value(self, given: Any) -> Any:
        """Return a value as it goes into a file: in the heading's unit, None for nothing."""
        if given is None or given == "":
            return None
        if self.kind == "number":
            seen = from_si(float(given), self.unit) if self.unit else float(given)
            return round(float(seen), self.digits + EXTRA_DIGITS)
        if self.kind == "yes":
            return "yes" if given else "no"
        return given if self.kind != "text" else str(given)


def measure(heading: str, quantity: str, system: str) -> Column:
    """Return a column of a quantity, whose values come in SI, in the reader's unit."""
    unit, digits = measures.SHOWN[quantity][system]
    return Column(f"{heading} ({unit})", "number", digits, unit)


@dataclass(frozen=True, slots=True)
class Table:
    """A list: its title, its columns, and rows with a value for each column."""

    title: str
    columns: Sequence[Column]
    rows: Iterable[Sequence[Any]]

    def values(self) -> Iterable[list[Any]]:
        """Return the rows as they go into files."""
        for row in self.rows:
            yield [column.value(given) for column, given in zip(self.columns, row, strict=True)]


def guarded(text: str) -> str:
    """Return a text that no spreadsheet program runs as a formula."""
    return f"'{text}" if _FORMULA.match(text) else text


def plain(text: str) -> str:
    """Return what `guarded` was given."""
    return text[1:] if _GUARDED.match(text) else text


def as_csv(table: Table) -> bytes:
    """Return a table as CSV."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(guarded(column.heading) for column in table.columns)
    for row in table.values():
        writer.writerow(_csv_text(value) for value in row)
    return out.getvalue().encode("utf-8-sig")


def _csv_text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, datetime.datetime):
        return timezone.localtime(value).isoformat(timespec="seconds")
    if isinstance(value, datetime.date):
        return value.isoformat()
    return guarded(value) if isinstance(value, str) else f"{value}"


def as_xlsx(table: Table) -> bytes:
    """Return a table as a workbook of one sheet: numbers as numbers, dates as dates."""
    book = Workbook(write_only=True)
    sheet = book.create_sheet(_sheet_name(table.title))
    rows = list(table.values())
    sheet.freeze_panes = "A2"  # the header stays while one scrolls
    for number, column in enumerate(table.columns, start=1):
        texts = [_headed(column), *(_csv_text(row[number - 1]) for row in rows[:200])]
        longest = max(len(line) for text in texts for line in text.splitlines() or [""])
        sheet.column_dimensions[get_column_letter(number)].width = min(longest + 2, WIDEST)
    sheet.append([_header_cell(sheet, column) for column in table.columns])
    for row in rows:
        sheet.append([_cell(sheet, *pair) for pair in zip(table.columns, row, strict=True)])
    if table.columns:
        last = get_column_letter(len(table.columns))
        sheet.auto_filter.ref = f"A1:{last}{len(rows) + 1}"
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _sheet_name(title: str) -> str:
    """Thirty-one characters, and none of those that have a meaning in formulas."""
    return re.sub(r"[\[\]:*?/\\']", " ", title).strip()[:31] or "List"


def _headed(column: Column) -> str:
    """Return the heading; a moment in a workbook has no zone of its own, so this names it."""
    zone = f" ({timezone.get_current_timezone_name()})" if column.kind == "moment" else ""
    return column.heading + zone


def _header_cell(sheet: Any, column: Column) -> Any:
    cell = WriteOnlyCell(sheet, _headed(column))
    cell.data_type = "s"
    cell.font = Font(bold=True)
    cell.alignment = Alignment(vertical="top", wrap_text=True)
    return cell


def _cell(sheet: Any, column: Column, value: Any) -> Any:
    if isinstance(value, str):
        return _text_cell(sheet, value)
    if isinstance(value, datetime.datetime):
        value = timezone.localtime(value).replace(tzinfo=None, microsecond=0)
    cell = WriteOnlyCell(sheet, value)
    if column.kind == "date":
        cell.number_format = "yyyy-mm-dd"
    elif column.kind == "moment":
        cell.number_format = "yyyy-mm-dd hh:mm"
    elif column.kind == "number":
        cell.number_format = f"0.{'0' * column.digits}" if column.digits else "0"
    elif column.kind == "whole":
        cell.number_format = "0"
    return cell


def _text_cell(sheet: Any, text: str) -> Any:
    """Return a cell that is text whatever it begins with, also once somebody edits it."""
    text = ILLEGAL_CHARACTERS_RE.sub("�", text)
    if len(text) > MOST_CHARACTERS:
        text = text[: MOST_CHARACTERS - 1] + "…"
    cell = WriteOnlyCell(sheet, text)
    cell.data_type = "s"
    cell.quotePrefix = bool(_FORMULA.match(text))
    return cell


def file_of(table: Table, form: str) -> HttpResponse:
    """Answer with a table as a file; `form` is "csv" or "xlsx"."""
    data, media_type = (as_csv(table), CSV_TYPE) if form == "csv" else (as_xlsx(table), XLSX_TYPE)
    name = f"{slugify(table.title) or 'list'}-{timezone.localdate():%Y-%m-%d}.{form}"
    disposition = content_disposition_header(as_attachment=True, filename=name) or ""
    return HttpResponse(
        data,
        content_type=media_type,
        headers={"Content-Disposition": disposition, "Cache-Control": "private, no-store"},
    )


def answer(request: HttpRequest, table: Callable[[], Table]) -> HttpResponse | None:
    """Answer `?as=csv` and `?as=xlsx` with the whole list; None when the page itself is wanted.

    Called after the page's own check of who may see it, with the rows that the person may see:

        if export := tables.answer(request, lambda: fleet_table(person, rows)):
            return export
    """
    form = request.GET.get("as")
    if form is None:
        return None
    if form not in ("csv", "xlsx"):
        words = "This list can be had as csv or xlsx."
        return HttpResponseBadRequest(words, content_type="text/plain; charset=utf-8")
    return file_of(table(), form)
