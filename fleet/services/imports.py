"""Spreadsheets of members and fleet: kept, looked at, then carried out whole or not at all."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
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
from fleet.queries.imports import name_key, plan
from fleet.services import aircraft as fleet_services
from fleet.services import people, season
from fleet.services.base import refuse

LOCKED_AT_ONCE = 500
# What the trail shows of each beside its own fields.
SHOWN_OF = {
    Operator: ("jurisdiction",),
    Membership: ("operator", "season"),
    Aircraft: ("operator",),
}
CHANGED_MEANWHILE = (
    "What the file would change is no longer what you looked at, because the records changed "
    "meanwhile. Look at it again."
)


def bring(*, by: Person, name: str, data: bytes, for_season: Season | None = None) -> SheetImport:
    """Keep a file and say what it would change; nothing is changed yet.

    Raises ValidationError when the file cannot be read as a list of members and fleet.
    """
    rules.allow(rules.may_manage_season, by)
    reading = _read(data)
    found = plan(by, reading, for_season)
    digest = storage.keep(data)
    _remember(digest, reading)
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


# The file that was read last. A long workbook takes seconds to read, and is paged through.
_last: dict[str, Reading] = {}


def _remember(digest: str, reading: Reading) -> None:
    _last.clear()
    _last[digest] = reading


def _reading(sheet: SheetImport) -> Reading:
    """Return what a kept file says; its bytes never change, so neither does that."""
    reading = _last.get(sheet.digest)
    if reading is None:
        reading = _read(storage.fetch(sheet.digest))
        _remember(sheet.digest, reading)
    return reading


def look(sheet: SheetImport, *, by: Person) -> Plan:
    """Say what a kept file would change now."""
    rules.allow(rules.may_manage_season, by)
    return plan(by, _reading(sheet), sheet.season)


def apply(sheet: SheetImport, *, by: Person, seen: str) -> Plan:
    """Carry a file out, whole or not at all; `seen` is the mark of the plan that was looked at.

    Everything is held against the records again inside the transaction. Raises ValidationError
    when something is wrong, when the file was done or thrown away before, or when what it would
    change is no longer what was seen.
    """
    rules.allow(rules.may_manage_season, by)
    reading = _reading(sheet)
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
    _carry_out(found.steps, by, sheet.season)
    SheetImport.objects.filter(pk=sheet.pk).update(tally=found.tally)
    audit.record("sheet_applied", sheet, by=by, operator=None, after=found.tally)
    return found


def _carry_out(steps: Sequence[Step], by: Person, for_season: Season | None) -> None:
    """Do all steps, kind by kind, through the services that know how each is done.

    Operators come first, since memberships and aircraft of the file may be of new ones.
    """
    of: dict[tuple[str, str], list[Step]] = defaultdict(list)
    for step in steps:
        of[step.what, step.action].append(step)
    people.add_operators(by=by, many={_called(s): s.values for s in of["operator", "added"]})
    people.change_operators(**_locked(Operator, of["operator", "changed"]), by=by)
    named = {name_key(one.name): one for one in Operator.objects.all()}

    def with_operator(some: Sequence[Step]) -> dict[str, dict[str, Any]]:
        return {_called(s): {"operator": named[name_key(s.operator)], **s.values} for s in some}

    if of["member", "added"]:
        assert for_season is not None
        season.join_all(by=by, season=for_season, many=with_operator(of["member", "added"]))
    season.change_memberships(**_locked(Membership, of["member", "changed"]), by=by)
    fleet_services.change_fleet(**_locked(Aircraft, of["aircraft", "changed"]), by=by)
    fleet_services.add_fleet(by=by, many=with_operator(of["aircraft", "added"]))


def _called(step: Step) -> str:
    return f"Row {step.row}, {step.name}"


def _locked(model: Any, steps: Sequence[Step]) -> dict[str, Any]:
    """Return the records as they are now, locked, and what is to change of each.

    Somebody else's change since the plan must not be lost.
    """
    keys = [step.target.pk for step in steps]
    now: dict[Any, Any] = {}
    for start in range(0, len(keys), LOCKED_AT_ONCE):
        some = model.objects.filter(pk__in=keys[start : start + LOCKED_AT_ONCE]).order_by("pk")
        locked = some.select_for_update(of=("self",)).select_related(*SHOWN_OF[model])
        now |= {row.pk: row for row in locked}
    for step in steps:
        row = now.get(step.target.pk)
        if row is None or any(getattr(row, one.field) != one.old for one in step.differences):
            refuse({"import": [CHANGED_MEANWHILE]})
    return {
        "rows": [(_called(step), now[step.target.pk]) for step in steps],
        "changes": [step.values for step in steps],
    }


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
