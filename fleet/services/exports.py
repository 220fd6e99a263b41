"""All records of an operator: asked for, made, fetched, gone after a while; taken in elsewhere."""

from __future__ import annotations

import datetime
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import IO, Any, Final

from django.conf import settings
from django.db import transaction
from django.utils import timezone

from fleet import audit, jobs, rules, storage
from fleet.exchange import storing
from fleet.exchange.gather import ForeignRowError, UnderWayError
from fleet.exchange.opening import Archive
from fleet.exchange.pack import WORKSPACE, Packed, pack, workspace
from fleet.exchange.tables import EXPORT_JOB
from fleet.models import Job, Operator, OperatorExport, Person
from fleet.queries.exports import export_under_way
from fleet.services.base import refuse

WAIT_S: Final = 10.0
WAITING: Final = "Waiting for other work for this operator to end"
EXPIRED: Final = "This export is no longer kept; ask for a new one."
LEFT_BEHIND: Final = datetime.timedelta(days=1)


@transaction.atomic
def ask_export(operator: Operator, *, by: Person) -> Job:
    """Ask for all records of an operator as one ZIP. Asked again meanwhile, it is the same job."""
    rules.allow(rules.may_export, by)
    locked = Operator.objects.select_for_update().get(pk=operator.pk)
    under_way = export_under_way(locked)
    if under_way is not None:
        return under_way
    audit.record("export_asked", locked, by=by, operator=locked)
    return jobs.enqueue(EXPORT_JOB, subject=locked, operator=locked, by=by, parameters={})


@jobs.handler(EXPORT_JOB)
def perform(job: Job, progress: jobs.Progress) -> Callable[[], None]:
    """Put everything into a ZIP and keep it; the returned function records it."""
    assert job.operator is not None
    assert job.requested_by is not None
    with workspace() as folder:
        path = folder / "export.zip"
        try:
            packed = pack(
                job.operator, path, by=job.requested_by.name, at=timezone.now(), tell=progress
            )
        except UnderWayError:
            raise jobs.TryLater(WAITING, pause_s=WAIT_S) from None
        except ForeignRowError as foreign:
            raise jobs.JobRefused(str(foreign)) from None
        progress(0.98, "Keeping the file")
        size = path.stat().st_size
        digest = storage.keep_file(path)
    return partial(_store, job, packed, digest, size)


def _store(job: Job, packed: Packed, digest: str, size: int) -> None:
    assert job.operator is not None
    export = OperatorExport(
        operator=job.operator,
        job=job,
        digest=digest,
        size=size,
        rows=packed.rows,
        files=packed.files,
        asked_by=job.requested_by,
    )
    export.save(force_insert=True)
    after = {**audit.values(export, ("digest", "size", "rows", "files")), "absent": packed.absent}
    audit.record("export_made", job.operator, by=None, operator=job.operator, after=after)


@transaction.atomic
def fetch_export(export: OperatorExport, *, by: Person) -> IO[Any]:
    """Open an export to hand it out; who took it is written down.

    Raises ValidationError when it is no longer kept.
    """
    rules.allow(rules.may_export, by)
    if export.has_expired:
        refuse({"export": [EXPIRED]})
    try:
        file = storage.opened(export.digest)
    except storage.KeptFileError:
        refuse({"export": [EXPIRED]})
    after = audit.values(export, ("digest",))
    audit.record("export_fetched", export.operator, by=by, operator=export.operator, after=after)
    return file


def drop_expired() -> int:
    """Remove the bytes of exports that are no longer kept, and say how many there were.

    The rows stay, and where the bytes were a note says why they went. What a worker left that was
    killed while it made an export goes as well.
    """
    count = 0
    edge = timezone.now() - datetime.timedelta(days=OperatorExport.KEPT_DAYS)
    for export in OperatorExport.objects.filter(created_at__lt=edge).select_related("operator"):
        if storage.size_of(export.digest) is not None:
            words = f"{export}: removed after {OperatorExport.KEPT_DAYS} days; ask for a new one."
            storage.remove(export.digest, words)
            count += 1
    for folder in Path(settings.DATA).glob(f"{WORKSPACE}*"):
        age = timezone.now().timestamp() - folder.stat().st_mtime
        if age > LEFT_BEHIND.total_seconds():
            shutil.rmtree(folder, ignore_errors=True)
    return count


def write_export(operator: Operator, path: Path) -> Packed:
    """Write an export straight to a file that is not there yet, whole or not at all.

    Raises UnderWayError, ForeignRowError and KeptFileError as `pack` does.
    """
    draft = path.with_name(f".{path.name}.part")
    try:
        packed = pack(
            operator, draft, by="manage.py export_operator", at=timezone.now(), tell=_silent
        )
        draft.rename(path)
    finally:
        draft.unlink(missing_ok=True)
    with transaction.atomic():
        after = {"rows": packed.rows, "files": packed.files, "absent": packed.absent}
        audit.record("export_made", operator, by=None, operator=operator, after=after)
    return packed


def _silent(share: float, words: str) -> None:
    """Tell nobody."""


@dataclass(frozen=True, slots=True)
class TakenIn:
    """What an import brought."""

    operator: Operator
    rows: int
    files: int
    keys: list[str]


def take_in(archive: Archive) -> TakenIn:
    """Take a checked archive into an empty instance: the files first, then all rows or none.

    Raises InputError where the instance is not empty or its database refuses a row.
    """
    storing.refuse_occupied()
    storing.keep_files(archive)
    with transaction.atomic():
        operator = storing.store_rows(archive)
        rows = sum(archive.rows.values())
        after = {"digest": archive.digest, "rows": rows, "files": len(archive.files)}
        audit.record("operator_imported", operator, by=None, operator=operator, after=after)
        keys = storing.keep_keys(archive)
    return TakenIn(operator, rows, len(archive.files), keys)
