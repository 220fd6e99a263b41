"""Spreadsheets of members and fleet: kept, looked at, then carried out whole or not at all.

A worker reads a file and carries it out: a long one takes longer than a page may take.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

from django.core.exceptions import PermissionDenied, ValidationError
from django.db import IntegrityError, transaction
from django.utils import timezone

from fleet import audit, jobs, rules, storage
from fleet.importing import Fault, Reading, SheetError, read
from fleet.importing.rows import MOST_BYTES
from fleet.models import (
    Aircraft,
    ImportState,
    Job,
    Membership,
    Operator,
    Person,
    Season,
    SheetImport,
)
from fleet.queries.import_plan import Plan, Step, document, may_be_done
from fleet.queries.imports import name_key, plan
from fleet.queries.members import SHEET_APPLY, SHEET_LOOK, import_under_way
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
    "Nothing was changed. What the file would change is no longer what you looked at, because the "
    "records changed meanwhile. Look at the rows that come out otherwise, then do all of it again."
)
FAULTY_MEANWHILE = (
    "Nothing was changed. The records changed since you looked, and rows of the file do not fit "
    "them any more: each says below what is wrong."
)
ENDED = "This file was carried out or thrown away before."
LOST = "The kept file cannot be read any more. Throw it away, and bring it anew."
NO_LONGER = "Whoever asked for it may no longer manage the season."


# --- brought, and looked at


def bring(*, by: Person, name: str, data: bytes, for_season: Season | None = None) -> SheetImport:
    """Keep a file and have a worker say what it would change; nothing is changed yet.

    Raises ValidationError when it is empty or too large to be read at all.
    """
    rules.allow(rules.may_manage_season, by)
    if not data:
        refuse({"file": ["The file is empty."]})
    if len(data) > MOST_BYTES:
        refuse({"file": [too_large(len(data))]})
    digest = storage.keep(data)
    with transaction.atomic():
        sheet = SheetImport(
            name=name[:255], digest=digest, size=len(data), season=for_season, brought_by=by
        )
        sheet.save(force_insert=True)
        audit.record("sheet_brought", sheet, by=by, operator=None, after={"digest": digest})
        _ask(SHEET_LOOK, sheet, by)
    return sheet


def too_large(size: int) -> str:
    """Say that a file is larger than one that is read. [bytes]"""
    return f"The file has {size / 1e6:.1f} MB; at most {MOST_BYTES / 1e6:.0f} MB."


def _ask(kind: str, sheet: SheetImport, by: Person, **parameters: Any) -> Job:
    return jobs.enqueue(kind, subject=sheet, operator=None, by=by, parameters=parameters)


@transaction.atomic
def look_again(sheet: SheetImport, *, by: Person) -> Job:
    """Have a file held against the records as they are now. Asked meanwhile, it is the same job."""
    rules.allow(rules.may_manage_season, by)
    now = SheetImport.objects.select_for_update().get(pk=sheet.pk)
    if now.state not in (ImportState.READING, ImportState.PREVIEWED):
        refuse({"import": [ENDED]})
    return import_under_way(now) or _ask(SHEET_LOOK, now, by)


@jobs.handler(SHEET_LOOK)
def perform_look(job: Job, progress: jobs.Progress) -> Callable[[], None]:
    """Read a file and hold it against the records; the returned function keeps what it says."""
    sheet, by = _asked(job)
    progress(0.05, "Reading the file")
    try:
        reading = _read(sheet)
    except SheetError as error:
        return partial(_store_unreadable, sheet, error.fault.said)
    progress(0.6, "Holding it against the records")
    found = plan(by, reading, sheet.season)
    progress(0.95, "Writing down what it would change")
    return partial(_store_look, sheet, found, "")


def _asked(job: Job) -> tuple[SheetImport, Person]:
    sheet = SheetImport.objects.select_related("season").get(pk=job.subject_id)
    assert job.requested_by is not None
    try:
        return sheet, rules.allow(rules.may_manage_season, job.requested_by)
    except PermissionDenied:
        raise jobs.JobRefused(NO_LONGER) from None


def _read(sheet: SheetImport) -> Reading:
    try:
        return read(storage.fetch(sheet.digest))
    except storage.KeptFileError:
        raise jobs.JobRefused(LOST) from None


def _store_unreadable(sheet: SheetImport, why: str) -> None:
    SheetImport.objects.filter(pk=sheet.pk, state=ImportState.READING).update(
        state=ImportState.REFUSED, trouble=why, looked_at=timezone.now()
    )


def _store_look(sheet: SheetImport, found: Plan, trouble: str) -> None:
    """Keep what a file would change; of one that ended meanwhile nothing is kept."""
    SheetImport.objects.filter(
        pk=sheet.pk, state__in=(ImportState.READING, ImportState.PREVIEWED)
    ).update(
        state=ImportState.PREVIEWED,
        plan=document(found, sheet.plan),
        tally=found.tally,
        trouble=trouble,
        looked_at=timezone.now(),
    )


# --- carried out


@transaction.atomic
def ask_apply(sheet: SheetImport, *, by: Person, seen: str) -> Job:
    """Ask a worker to carry a file out, whole or not at all; `seen` is the mark of what was seen.

    Asked again meanwhile, it is the same job. Raises ValidationError when something is wrong, when
    the file was done or thrown away before, or when `seen` is not the mark of what it would change.
    """
    rules.allow(rules.may_manage_season, by)
    now = SheetImport.objects.select_for_update().get(pk=sheet.pk)
    if now.state == ImportState.READING:
        refuse({"import": ["Nobody has looked at it yet: it is not read."]})
    if now.state != ImportState.PREVIEWED:
        refuse({"import": [now.trouble or ENDED]})
    under_way = import_under_way(now)
    if under_way is not None and under_way.kind == SHEET_APPLY:
        return under_way
    if under_way is not None:
        refuse({"import": ["It is being read anew. Look at it again in a moment."]})
    _refuse_what_cannot_be(now, seen)
    audit.record("sheet_asked", now, by=by, operator=None)
    return _ask(SHEET_APPLY, now, by, seen=seen)


def _refuse_what_cannot_be(sheet: SheetImport, seen: str) -> None:
    if not sheet.plan or sheet.plan["mark"] != seen:
        refuse({"import": [CHANGED_MEANWHILE]})
    if may_be_done(sheet.plan):
        return
    faults = [fault for row in sheet.plan["rows"] for fault in row["faults"]]
    said = [str(Fault(**fault)) for fault in faults]
    refuse({"import": said or [sheet.plan["too_many"] or "There is nothing to do."]})


@jobs.handler(SHEET_APPLY)
def perform_apply(job: Job, progress: jobs.Progress) -> Callable[[], None]:
    """Read a file again; the returned function carries it out, or keeps why it could not be."""
    sheet, by = _asked(job)
    progress(0.05, "Reading the file")
    try:
        reading = _read(sheet)
    except SheetError as error:  # read by another version of the service
        raise jobs.JobRefused(error.fault.said) from None
    progress(0.3, "Carrying it out, all or nothing")
    return partial(_store_applied, sheet, reading, by, job.parameters["seen"])


def _store_applied(sheet: SheetImport, reading: Reading, by: Person, seen: str) -> None:
    """Hold the file against the records once more, then do all of it or keep why not.

    Both in the transaction that ends the job: what was done is done once, whoever was killed.
    """
    # Whoever throws it away waits here, and then finds it done.
    sheet = (
        SheetImport.objects.select_for_update(of=("self",))
        .select_related("season")
        .get(pk=sheet.pk)
    )
    if sheet.state != ImportState.PREVIEWED:
        return
    found = plan(by, reading, sheet.season)
    trouble = _why_not(found, seen)
    if not trouble:
        try:
            with transaction.atomic():
                _carry_out(found.steps, by, sheet.season)
        except ValidationError as error:
            trouble = f"Nothing was changed. {' '.join(error.messages)}"
        except IntegrityError:  # another deed brought the same name or registration just now
            trouble = CHANGED_MEANWHILE
    if trouble:
        _store_look(sheet, plan(by, reading, sheet.season), trouble)
        audit.record("sheet_not_applied", sheet, by=by, operator=None, after={"why": trouble})
        return
    SheetImport.objects.filter(pk=sheet.pk).update(
        state=ImportState.APPLIED, applied_at=timezone.now(), tally=found.tally, trouble=""
    )
    audit.record("sheet_applied", sheet, by=by, operator=None, after=found.tally)


def _why_not(found: Plan, seen: str) -> str:
    if found.faults:
        return FAULTY_MEANWHILE
    if found.too_many:
        return f"Nothing was changed. {found.too_many}"
    return "" if found.mark == seen else CHANGED_MEANWHILE


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


# --- thrown away


@transaction.atomic
def discard(sheet: SheetImport, *, by: Person) -> None:
    """Throw a file away that was looked at. It stays in the list; nothing was changed."""
    rules.allow(rules.may_manage_season, by)
    now = SheetImport.objects.select_for_update().get(pk=sheet.pk)
    if now.state in (ImportState.APPLIED, ImportState.DISCARDED):
        refuse({"import": [ENDED]})
    under_way = import_under_way(now)
    if under_way is not None and under_way.kind == SHEET_APPLY:
        refuse({"import": ["It is being carried out just now."]})
    SheetImport.objects.filter(pk=now.pk).update(state=ImportState.DISCARDED)
    audit.record("sheet_discarded", sheet, by=by, operator=None)
    sheet.refresh_from_db()
