"""Spreadsheets of members and fleet: kept, looked at, then carried out whole or not at all."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.utils import timezone

from fleet import audit, rules, storage
from fleet.importing import Reading, SheetError, read
from fleet.models import (
    Aircraft,
    ImportState,
    Membership,
    Operator,
    Person,
    Season,
    SheetImport,
)
from fleet.queries.import_plan import Plan, Step
from fleet.queries.imports import plan
from fleet.services import aircraft as fleet_services
from fleet.services import people, season
from fleet.services.base import refuse

CHANGED_MEANWHILE = (
    "What the file would change is no longer what you looked at, because the records changed "
    "meanwhile. Look at it again."
)


def bring(*, by: Person, name: str, data: bytes, for_season: Season | None = None) -> SheetImport:
    """Keep a file and say what it would change; nothing is changed yet.

    Raises ValidationError when the file cannot be read as a list of members and fleet.
    """
    rules.allow(rules.may_manage_season, by)
    found = plan(by, _read(data), for_season)
    digest = storage.keep(data)
    with transaction.atomic():
        sheet = SheetImport(
            name=name[:255],
            digest=digest,
            size=len(data),
            season=for_season,
            tally=found.tally,
            brought_by=by,
        )
        sheet.save(force_insert=True)
        audit.record("sheet_brought", sheet, by=by, operator=None, after={"digest": digest})
    return sheet


def _read(data: bytes) -> Reading:
    try:
        return read(data)
    except SheetError as error:
        raise ValidationError({"file": [error.fault.said]}) from error


def look(sheet: SheetImport, *, by: Person) -> Plan:
    """Say what a kept file would change now."""
    rules.allow(rules.may_manage_season, by)
    return plan(by, _read(storage.fetch(sheet.digest)), sheet.season)


def apply(sheet: SheetImport, *, by: Person, seen: str) -> Plan:
    """Carry a file out, whole or not at all; `seen` is the mark of the plan that was looked at.

    Everything is held against the records again inside the transaction. Raises ValidationError
    when something is wrong, when the file was done or thrown away before, or when what it would
    change is no longer what was seen.
    """
    rules.allow(rules.may_manage_season, by)
    reading = _read(storage.fetch(sheet.digest))
    try:
        with transaction.atomic():
            done = _apply(sheet, reading, by, seen)
    except IntegrityError as error:  # another deed brought the same name or registration just now
        raise ValidationError({"import": [CHANGED_MEANWHILE]}) from error
    sheet.refresh_from_db()
    return done


def _apply(sheet: SheetImport, reading: Reading, by: Person, seen: str) -> Plan:
    # Of two that carry out the same file, the second waits here and then finds it done.
    _end(sheet, ImportState.APPLIED)
    found = plan(by, reading, sheet.season)
    if found.faults:
        refuse({"import": [str(fault) for fault in found.faults]})
    if found.too_many:
        refuse({"import": [found.too_many]})
    if found.mark != seen:
        refuse({"import": [CHANGED_MEANWHILE]})
    steps = found.steps
    named = {" ".join(o.name.split()).casefold(): o for o in Operator.objects.all()}
    for step in steps:
        try:
            _carry_out(step, by, named, sheet.season)
        except ValidationError as error:
            refuse({"import": [f"Row {step.row}, {step.name}: {' '.join(error.messages)}"]})
    SheetImport.objects.filter(pk=sheet.pk).update(tally=found.tally)
    audit.record("sheet_applied", sheet, by=by, operator=None, after=found.tally)
    return found


def _carry_out(
    step: Step, by: Person, named: dict[str, Operator], for_season: Season | None
) -> None:
    """Do one step through the service that pages and API use for the same deed."""
    key = " ".join(step.operator.split()).casefold()
    values: dict[str, Any] = dict(step.values)
    match step.what, step.action:
        case "operator", "added":
            named[key] = people.add_operator(by=by, **values)
        case "operator", "changed":
            people.change_operator(_locked(Operator, step), by=by, **values)
        case "member", "added":
            assert for_season is not None
            season.join(by=by, operator=named[key], season=for_season, **values)
        case "member", "changed":
            season.change_membership(_locked(Membership, step), by=by, **values)
        case "aircraft", "added":
            fleet_services.add_aircraft(by=by, operator=named[key], **values)
        case "aircraft", "changed":
            fleet_services.change_aircraft(_locked(Aircraft, step), by=by, **values)


def _locked(model: Any, step: Step) -> Any:
    """Return the record as it is now; somebody else's change since the plan must not be lost."""
    row = model.objects.select_for_update().get(pk=step.target.pk)
    if any(getattr(row, one.field) != one.old for one in step.differences):
        refuse({"import": [CHANGED_MEANWHILE]})
    return row


@transaction.atomic
def discard(sheet: SheetImport, *, by: Person) -> None:
    """Throw a file away that was looked at. It stays in the list; nothing was changed."""
    rules.allow(rules.may_manage_season, by)
    _end(sheet, ImportState.DISCARDED)
    audit.record("sheet_discarded", sheet, by=by, operator=None)
    sheet.refresh_from_db()


def _end(sheet: SheetImport, state: ImportState) -> None:
    ended = SheetImport.objects.filter(pk=sheet.pk, state=ImportState.PREVIEWED).update(
        state=state, applied_at=timezone.now() if state == ImportState.APPLIED else None
    )
    if not ended:
        refuse({"import": ["This file was carried out or thrown away before."]})
