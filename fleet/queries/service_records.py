"""Reads of records of service: whose, which stand, which lists bind, how long they must be kept."""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Mapping
from typing import Any

from django.db.models import Q, QuerySet

from fleet import rules
from fleet.judging.days import months_after
from fleet.models import Aircraft, Jurisdiction, Operator, Person, Season, ServiceRecord, WorksUnder
from fleet.queries.whose import _own
from fleet.record_lists import named

SUGGESTED_FROM = 200  # records that suggestions are taken from


def service_records_of(person: Person) -> QuerySet[ServiceRecord]:
    """Records of service that a person may read, the latest day first.

    They name customers, so analysts see none, although they see everything else.
    """
    rows = ServiceRecord.objects.select_related(
        "operator", "aircraft", "jurisdiction", "recorded_by", "corrects", "corrected_by"
    )
    return _own(person, rows) if rules.may_read_service_records(person) else rows.none()


def standing(rows: QuerySet[ServiceRecord]) -> QuerySet[ServiceRecord]:
    """Return the records that hold: corrected by none, and of something that took place."""
    return rows.filter(corrected_by__isnull=True, took_place=True)


def in_season(rows: QuerySet[ServiceRecord], season: Season) -> QuerySet[ServiceRecord]:
    """Return the records of the days of a season."""
    return rows.filter(served_on__range=(season.starts_on, season.ends_on))


def holding(rows: QuerySet[ServiceRecord], words: str) -> QuerySet[ServiceRecord]:
    """Return the records that tell of each of these words: person, place, crop, aircraft."""
    for word in words.split():
        rows = rows.filter(
            Q(values__customer_name__icontains=word)
            | Q(values__location__icontains=word)
            | Q(values__site__icontains=word)
            | Q(aircraft__registration__icontains=word)
            | Q(operator__name__icontains=word)
        )
    return rows


# --- Which lists bind -----------------------------------------------------------------------------


def asking(operator: Operator, aircraft: Aircraft | None = None) -> list[Jurisdiction]:
    """Return the jurisdictions that ask for records: at home first, then where aircraft work.

    Without an aircraft those of all the operator's aircraft, ever: two queries.
    """
    under = WorksUnder.objects.filter(operator=operator).select_related("jurisdiction")
    if aircraft is not None:
        under = under.filter(aircraft=aircraft)
    return asking_among(operator, under)


def asking_among(operator: Operator, under: Iterable[WorksUnder]) -> list[Jurisdiction]:
    """Return the same, where those under whose rules aircraft work are known."""
    elsewhere = sorted({row.jurisdiction for row in under}, key=lambda one: one.name)
    home = [operator.jurisdiction] if operator.jurisdiction else []
    return [one for one in dict.fromkeys([*home, *elsewhere]) if one.record_lists]


def bound_on(
    operator: Operator, aircraft: Aircraft | None, jurisdiction: Jurisdiction, day: datetime.date
) -> bool:
    """Whether a jurisdiction is that of the operator's home, or one the aircraft worked under."""
    if operator.jurisdiction_id == jurisdiction.pk:
        return True
    rows = WorksUnder.objects.filter(
        Q(until_on__isnull=True) | Q(until_on__gte=day),
        operator=operator,
        jurisdiction=jurisdiction,
        from_on__lte=day,
    )
    return bool(aircraft is not None and rows.filter(aircraft=aircraft).exists())


# --- How long -------------------------------------------------------------------------------------


def keep_until(record: ServiceRecord) -> datetime.date:
    """Return the last day a record must be kept by its lists, counted from the day of service.

    Where a month has no such day it is the next one: rather a day too long (common practice, no
    source). Nothing here removes a record earlier or later: rows stay, and `services.retention`
    removes files only.
    """
    return max(
        (_months_after(record.served_on, one.kept_months) for one in named(record.lists)),
        default=record.served_on,
    )


def _months_after(day: datetime.date, months: int) -> datetime.date:
    later = months_after(day, months)
    return later if later.day == day.day else later + datetime.timedelta(days=1)


# --- What the form begins with --------------------------------------------------------------------


def last_values(person: Person, aircraft: Aircraft | None) -> Mapping[str, Any]:
    """Return what was recorded last: with the aircraft, else by the operator; empty for nothing."""
    rows = standing(service_records_of(person)).filter(operator=person.operator_id)
    order = rows.order_by("-created_at", "-id")
    found = order.filter(aircraft=aircraft).first() if aircraft else None
    found = found or order.first()
    return found.values if found else {}


def suggestions(person: Person) -> dict[str, list[str]]:
    """Return by element the texts that the operator wrote last, each once: one query."""
    rows = service_records_of(person).filter(operator=person.operator_id)
    found: dict[str, dict[str, None]] = {}
    latest = rows.order_by("-created_at", "-id").values_list("values", flat=True)
    for values in latest[:SUGGESTED_FROM]:
        for key, value in values.items():
            pairs = (
                [(f"{key}.{inner}", v) for row in value for inner, v in row.items()]
                if isinstance(value, list)
                else [(key, value)]
            )
            for name, text in pairs:
                if isinstance(text, str):
                    found.setdefault(name, {})[text] = None
    return {name: list(texts) for name, texts in found.items()}
