"""Visits."""

from __future__ import annotations

import datetime
from typing import Any

from django.db import transaction

from fleet import audit, rules
from fleet.models import Operator, Person, Visit
from fleet.services.base import change, checked, refuse

VISIT_FIELDS = ("kind", "place", "starts_on", "ends_on", "analyst", "host", "note")


@transaction.atomic
def plan_visit(
    *,
    by: Person,
    kind: str,
    place: str,
    starts_on: datetime.date,
    ends_on: datetime.date,
    analyst: Person,
    host: Operator | None = None,
    note: str = "",
) -> Visit:
    """Plan a clinic or a private visit."""
    rules.allow(rules.may_plan_visits, by)
    visit = Visit(
        kind=kind,
        place=place,
        starts_on=starts_on,
        ends_on=ends_on,
        analyst=analyst,
        host=host,
        note=note,
    )
    _check(visit)
    visit.save(force_insert=True)
    audit.record(
        "visit_planned", visit, by=by, operator=host, after=audit.values(visit, VISIT_FIELDS)
    )
    return visit


@transaction.atomic
def change_visit(visit: Visit, *, by: Person, **changes: Any) -> bool:
    """Change a visit. False when nothing differs."""
    rules.allow(rules.may_plan_visits, by)
    for name in changes:
        if name not in VISIT_FIELDS:
            refuse({name: ["Cannot be changed."]})
    _check(Visit(**{f: changes.get(f, getattr(visit, f)) for f in VISIT_FIELDS}))
    return change(
        visit,
        deed="visit_changed",
        by=by,
        operator=visit.host,
        changes=changes,
        allowed=VISIT_FIELDS,
    )


def _check(visit: Visit) -> None:
    errors = {}
    if visit.starts_on and visit.ends_on and visit.ends_on < visit.starts_on:
        errors["ends_on"] = ["Must not be before the first day."]
    if visit.kind == "private" and visit.host is None:
        errors["host"] = ["A private visit is for one operator; say which."]
    if visit.kind == "clinic" and visit.host is not None:
        errors["host"] = ["A clinic is for several operators; leave this empty."]
    if not visit.analyst.is_analyst:
        errors["analyst"] = ["Must be an analyst."]
    refuse(errors)
    checked(visit)
