"""A record of service in words: its values, the lists ticked with their paragraphs, the file."""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from fleet.measures import NOTHING
from fleet.models import ServiceRecord
from fleet.queries.service_records import keep_until
from fleet.record_lists import Ask, Element, RecordList, book, named
from fleet.tables import Column, Table


def words_of(element: Element, value: Any) -> str:
    """Return a value as people read it."""
    if value is None:
        return NOTHING
    if element.kind == "number":
        return f"{value['number']:,} {value['unit']}"
    if element.kind == "date":
        return f"{datetime.date.fromisoformat(value):%-d %B %Y}"
    return str(value)


def _rows(element: Element, values: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    return values.get(element.part.key, []) if element.part.repeats else [values]


def facts_of(values: Mapping[str, Any]) -> Iterator[tuple[str, list[tuple[str, str]]]]:
    """Yield the parts of a record, a material or a pilot each by itself, with what they hold."""
    for part, group in groupby(book().elements.values(), key=lambda element: element.part):
        elements = list(group)
        rows = _rows(elements[0], values)
        for at, row in enumerate(rows, start=1):
            facts = [(e.label, words_of(e, row[e.key])) for e in elements if e.key in row]
            if facts:
                number = f" {at}" if len(rows) > 1 else ""
                yield (f"{part.one}{number}" if part.repeats else part.title), facts


@dataclass(frozen=True, slots=True)
class Tick:
    """An element that a law asks for, and whether the record has it."""

    label: str
    source: str
    there: bool
    required: bool


def ticks_of(record: ServiceRecord) -> list[tuple[RecordList, list[Tick]]]:
    """Return the lists that a record follows, element by element."""
    return [(one, [_tick(ask, record.values) for ask in one.asks]) for one in named(record.lists)]


def _tick(ask: Ask, values: Mapping[str, Any]) -> Tick:
    rows = _rows(ask.element, values)
    there = bool(rows) and all(ask.element.key in row for row in rows)
    return Tick(ask.element.label, ask.source, there, ask.required)


def state_of(record: ServiceRecord) -> tuple[str, str]:
    """Return the state that a record is drawn as, and its words."""
    if hasattr(record, "corrected_by"):
        struck = not record.corrected_by.took_place
        return ("withdrawn", "Did not take place") if struck else ("superseded", "Corrected")
    if not record.took_place:
        return "withdrawn", "Did not take place"
    return ("valid", "Corrects an earlier one") if record.corrects_id else ("valid", "Recorded")


def records_table(rows: Iterable[ServiceRecord]) -> Table:
    """Return records as a list to export: one a row, several materials or pilots in one cell."""
    elements = list(book().elements.values())
    columns = [
        Column("Operator"),
        Column("Aircraft"),
        Column("Under"),
        Column("Lists"),
        *(Column(one.label, "date" if one.key == "served_on" else "text") for one in elements),
        Column("State"),
        Column("Reason of the correction"),
        Column("Recorded by"),
        Column("Recorded", "moment"),
        Column("Keep until", "date"),
        Column("Key"),
    ]
    return Table("Records of service", columns, (_export(one, elements) for one in rows))


def _export(record: ServiceRecord, elements: Iterable[Element]) -> tuple[Any, ...]:
    return (
        record.operator.name,
        record.aircraft and record.aircraft.registration,
        record.jurisdiction.name,
        "; ".join(one.name for one in named(record.lists)),
        *(_cell(one, record) for one in elements),
        state_of(record)[1],
        record.reason,
        record.recorded_by.name,
        record.created_at,
        keep_until(record),
        str(record.pk),
    )


def _cell(element: Element, record: ServiceRecord) -> Any:
    if element.key == "served_on":
        return record.served_on
    found = [row.get(element.key) for row in _rows(element, record.values)]
    texts = [_plain(element, value) for value in found]
    return "; ".join(texts) if any(texts) else None


def _plain(element: Element, value: Any) -> str:
    if value is None:
        return ""
    return f"{value['number']} {value['unit']}" if element.kind == "number" else str(value)
