"""Records of service: made once, corrected by a later one beside it, never changed."""

from __future__ import annotations

import datetime
from collections.abc import Collection, Iterable, Mapping
from typing import Any
from uuid import UUID

from django.core.exceptions import ValidationError
from django.db import transaction

from fleet import audit, rules
from fleet.models import Aircraft, Jurisdiction, Operator, Person, ServiceRecord
from fleet.queries.duties import today_in
from fleet.queries.service_records import bound_on
from fleet.record_checks import checked_values
from fleet.record_lists import RecordList, named, wanted
from fleet.services.base import checked, refuse

TRAIL = ("aircraft", "jurisdiction", "lists", "served_on", "corrects", "took_place", "reason")


@transaction.atomic
def record_service(
    *,
    by: Person,
    jurisdiction: Jurisdiction,
    values: Mapping[str, Any],
    lists: Iterable[str] | None = None,
    aircraft: Aircraft | None = None,
    mark: UUID | None = None,
) -> ServiceRecord:
    """Record an application of the person's own operator, as a jurisdiction asks for it.

    `lists` are the lists that it follows: those without a condition, and those whose condition is
    met; without them, all that the jurisdiction asks for. The same record with the same `mark` is
    one sent twice, and gives the one that is there; another one with it is another record. Raises
    ValidationError, by the path of the element, when something is missing or wrong, and where no
    records are asked for.
    """
    rules.allow(rules.may_keep_service_records, by)
    operator = by.operator
    assert operator is not None  # by the rule
    available = tuple(jurisdiction.record_lists)
    if not available:
        refuse({"jurisdiction": [f"{jurisdiction} asks for no records of service."]})
    followed = _followed(available if lists is None else lists, available, available)
    _check_aircraft(operator, aircraft)
    record = _new(jurisdiction, values, available, followed, aircraft)
    if not bound_on(operator, aircraft, jurisdiction, record.served_on):
        refuse({"jurisdiction": [_not_bound(operator, aircraft, jurisdiction)]})
    if mark is not None:
        Operator.objects.select_for_update().get(pk=operator.pk)  # two taps, one after the other
        there: ServiceRecord | None = ServiceRecord.objects.filter(pk=mark).first()
        if there is None:
            record.pk = mark
        elif _says_the_same(there, record):
            return there
    return _saved(record, operator, by, "service_recorded")


@transaction.atomic
def correct_service_record(
    record: ServiceRecord,
    *,
    by: Person,
    reason: str,
    values: Mapping[str, Any],
    aircraft: Aircraft | None,
    lists: Iterable[str] | None = None,
) -> ServiceRecord:
    """Put a record beside one that was wrong, with the reason. What was wrong stays readable.

    Without `lists` it follows the same ones. Raises ValidationError as `record_service` does, and
    when it has been corrected already.
    """
    rules.allow(rules.may_keep_service_records, by)
    _lock(record)
    _check_reason(reason)
    own = tuple(record.lists)
    available = tuple(dict.fromkeys([*own, *record.jurisdiction.record_lists]))
    followed = _followed(own if lists is None else lists, available, own)
    _check_aircraft(record.operator, aircraft)
    new = _new(record.jurisdiction, values, available, followed, aircraft)
    new.corrects, new.reason = record, reason.strip()
    return _saved(new, record.operator, by, "service_corrected")


@transaction.atomic
def strike_service_record(record: ServiceRecord, *, by: Person, reason: str) -> ServiceRecord:
    """Say that what a record tells of did not take place, with the reason.

    Raises ValidationError when it has been corrected already, or tells so itself.
    """
    rules.allow(rules.may_keep_service_records, by)
    _lock(record)
    _check_reason(reason)
    new = ServiceRecord(
        aircraft=record.aircraft,
        jurisdiction=record.jurisdiction,
        lists=record.lists,
        served_on=record.served_on,
        values=record.values,
        took_place=False,
        corrects=record,
        reason=reason.strip(),
    )
    return _saved(new, record.operator, by, "service_struck")


def _new(
    jurisdiction: Jurisdiction,
    values: Mapping[str, Any],
    available: Collection[str],
    followed: Collection[str],
    aircraft: Aircraft | None,
) -> ServiceRecord:
    kept, errors = checked_values(values, wanted(available, followed), today_in(jurisdiction))
    refuse(errors)
    record = ServiceRecord(
        jurisdiction=jurisdiction,
        lists=[one.key for one in named(followed)],
        served_on=datetime.date.fromisoformat(kept["served_on"]),
        values=kept,
        aircraft=aircraft,
    )
    if aircraft and aircraft.retired_on and record.served_on > aircraft.retired_on:
        words = f"{aircraft} is out of service since {aircraft.retired_on:%-d %B %Y}."
        refuse({"aircraft": [words]})
    return record


def _says_the_same(one: ServiceRecord, other: ServiceRecord) -> bool:
    names = ("jurisdiction_id", "aircraft_id", "lists", "values")
    return all(getattr(one, name) == getattr(other, name) for name in names)


def _saved(record: ServiceRecord, operator: Operator, by: Person, deed: str) -> ServiceRecord:
    record.operator, record.recorded_by = operator, by
    checked(record)
    record.save(force_insert=True)
    audit.record(deed, record, by=by, operator=operator, after=audit.values(record, TRAIL))
    return record


def _followed(
    lists: Iterable[str], available: Collection[str], binding: Collection[str]
) -> list[str]:
    """Return the lists that a record follows, in the order of the data."""
    asked = list(lists)
    if wrong := [key for key in asked if key not in available]:
        words = f"{', '.join(map(str, wrong))}: not asked for there. Known: {', '.join(available)}."
        refuse({"lists": [words]})
    left_out = [one for one in named(binding) if not one.only_when and one.key not in asked]
    if left_out:
        refuse({"lists": [f"{one.name} asks for every application." for one in left_out]})
    if not asked:
        words = "Of such an application no record is asked for: "
        refuse({"lists": [words + "; ".join(_condition(one) for one in named(available)) + "."]})
    return [one.key for one in named(asked)]


def _condition(one: RecordList) -> str:
    return f"{one.name} asks only when {one.only_when[:1].lower()}{one.only_when[1:]}"


def _check_aircraft(operator: Operator, aircraft: Aircraft | None) -> None:
    if aircraft is not None and aircraft.operator_id != operator.pk:
        raise ValidationError({"aircraft": [f"It is not one of {operator}."]})


def _not_bound(operator: Operator, aircraft: Aircraft | None, jurisdiction: Jurisdiction) -> str:
    who = f"{aircraft} did not work" if aircraft else f"{operator} is not at home"
    more = "" if aircraft else " Name the aircraft that worked there."
    return f"{who} under {jurisdiction} on that day.{more}"


def _lock(record: ServiceRecord) -> None:
    """Hold the record until the end, so that it is corrected once; refuse where it was already."""
    ServiceRecord.objects.select_for_update().get(pk=record.pk)
    if ServiceRecord.objects.filter(corrects=record).exists():
        raise ValidationError("It has been corrected already. Correct the later record.")
    if not record.took_place:
        raise ValidationError("It says that nothing took place. Make a new record instead.")


def _check_reason(reason: str) -> None:
    if not reason.strip():
        refuse({"reason": ["Say what was wrong."]})
