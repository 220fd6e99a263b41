"""Tests and their conditions."""

from __future__ import annotations

import datetime
from typing import Any

from django.db import transaction

from fleet import audit, rules
from fleet.models import Person, SetUp, Test, Visit
from fleet.queries.traces import read_pass
from fleet.services import clinics
from fleet.services.base import change, checked, refuse
from patterns.errors import PatternError

CONDITIONS = (
    "line_heading_deg",
    "wind_speed_m_s",
    "wind_from_deg",
    "wind_height_m",
    "temperature_c",
    "humidity_percent",
    "liquid",
    "reader",
    "note",
)
READING = ("file_unit", "file_origin", "file_flight_line")
TEST_FIELDS = ("flown_on", *CONDITIONS, *READING)


@transaction.atomic
def start_test(
    *, by: Person, visit: Visit, setup: SetUp, flown_on: datetime.date, **conditions: Any
) -> Test:
    """Start a test of a set-up on a visit. An aircraft signed up for it is noted as flown."""
    rules.allow(rules.may_test, by)
    refuse({name: ["Is not a condition."] for name in conditions if name not in TEST_FIELDS})
    test = Test(operator=setup.operator, visit=visit, setup=setup, flown_on=flown_on, **conditions)
    _check(test)
    checked(test, **conditions)
    test.save(force_insert=True)
    audit.record(
        "test_started",
        test,
        by=by,
        operator=test.operator,
        after=audit.values(test, ("visit", "setup", *TEST_FIELDS)),
    )
    clinics.note_flown(test, by=by)
    return test


@transaction.atomic
def change_conditions(test: Test, *, by: Person, **changes: Any) -> bool:
    """Change the conditions of a test or how its files are read. False when nothing differs.

    Files that are there already must still be readable; otherwise nothing changes.
    """
    rules.allow(rules.may_test, by)
    changed = change(
        test,
        deed="test_changed",
        by=by,
        operator=test.operator,
        changes=changes,
        allowed=TEST_FIELDS,
    )
    _check(test)
    if changed and any(name in changes for name in READING):
        _check_readable(test)
    return changed


def _check(test: Test) -> None:
    """A test is flown on its visit, with a set-up of somebody the visit is for."""
    errors = {}
    visit = test.visit
    if not visit.starts_on <= test.flown_on <= visit.ends_on:
        errors["flown_on"] = [
            f"Must be on the visit, {visit.starts_on:%-d %B %Y} to {visit.ends_on:%-d %B %Y}."
        ]
    if visit.cancelled_on is not None:
        errors["visit"] = [f"This visit was called off: {visit.cancelled_reason}"]
    if visit.host_id is not None and visit.host_id != test.operator_id:
        errors["setup"] = ["This visit is private, for another operator."]
    refuse(errors)


def _check_readable(test: Test) -> None:
    errors = []
    for flight_pass in test.passes.select_related("raw_file").exclude(raw_file=None):
        try:
            read_pass(test, flight_pass)
        except PatternError as error:
            errors.append(str(error))
    refuse({"file_unit": errors} if errors else {})
