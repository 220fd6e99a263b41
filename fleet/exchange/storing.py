"""Taking an archive into an empty instance: first the files, then all rows at once."""

from __future__ import annotations

import shutil
from collections.abc import Mapping

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from django.conf import settings
from django.db import DatabaseError, connection
from django.db.models import Model, Q

from fleet import signing, storage
from fleet.exchange import form
from fleet.exchange.opening import Archive, wrong
from fleet.exchange.pack import REMOVED, workspace
from fleet.exchange.reading import rows_of
from fleet.exchange.tables import tables
from fleet.models import AuditRow, Job, Operator, Paper, Person
from fleet.paper_codes import ForgedCodeError, verify

EMPTY = (
    "import into an empty instance: set SWATHBOOK_DATA to a new folder (and DATABASE_URL to a new "
    "database), run python -m deploy.prepare, import, and add people only then"
)
# What a service that nobody has used yet may have done by itself.
_BY_ITSELF: Mapping[type[Model], Q] = {
    Job: Q(operator__isnull=True),
    AuditRow: Q(operator__isnull=True),
}


def occupied() -> str:
    """Return what there is already, in words; nothing when the instance is empty."""
    counts = {
        table.model: table.model._default_manager.exclude(
            _BY_ITSELF.get(table.model, Q(pk__in=[]))
        ).count()
        for table in tables()
    }
    if not any(counts.values()):
        return ""
    operators, people = counts.pop(Operator), counts.pop(Person)
    return f"{operators} operators, {people} people and {sum(counts.values())} other records"


def refuse_occupied() -> None:
    """Raise InputError, saying what there is, where the instance is not empty."""
    found = occupied()
    if found:
        wrong("this instance", f"it is not empty, it has {found}", EMPTY)


def keep_files(archive: Archive) -> None:
    """Keep the files of an archive under their digests. Harmless if nothing follows."""
    needed = sum(archive.zip.getinfo(path).file_size for path in archive.files)
    free = shutil.disk_usage(settings.DATA).free
    if needed > free:
        wrong("this instance", f"its disk has {free:,} bytes left", f"free {needed:,} bytes")
    with workspace() as folder:
        for path, digest in archive.files.items():
            if storage.size_of(digest) is None:
                place = folder / digest
                with archive.zip.open(path) as entry, place.open("wb") as file:
                    shutil.copyfileobj(entry, file, form.CHUNK)
                storage.keep_file(place)
    for one in archive.absent:
        if one.state == REMOVED and storage.size_of(one.digest) is None:
            storage.remove(one.digest, one.words)


def store_rows(archive: Archive) -> Operator:
    """Save all rows under the keys they had, within the caller's transaction. Raises InputError."""
    refuse_occupied()
    try:
        for table in tables():
            for row in rows_of(archive, table):
                row.save_base(raw=True, force_insert=True)
        connection.check_constraints()
    except DatabaseError as error:
        wrong("the records", f"the database does not take them ({error})")
    operator: Operator = Operator.objects.get(pk=archive.operator_id)
    return operator


def keep_keys(archive: Archive) -> list[str]:
    """Keep the public keys that papers of the archive were signed with; return their names.

    From now on they are published with one's own, so that those papers can go on being checked.
    """
    used = [key for key in archive.keys if _signed_any(key)]
    for key in used:
        signing.keep_public(key)
    return [signing.name_of(key) for key in used]


def _signed_any(key: Ed25519PublicKey) -> bool:
    for signed in Paper.objects.exclude(signed="").values_list("signed", flat=True).iterator():
        try:
            verify(signed, [key])
        except ForgedCodeError:
            continue
        return True
    return False
