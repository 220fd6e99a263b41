"""Removing kept files that nothing holds any longer. Their rows stay, and so does the log."""

from __future__ import annotations

import datetime
import hashlib
import logging
from collections.abc import Iterable
from functools import partial
from typing import Any, Final

from django.db import transaction
from django.utils import timezone

from fleet import audit, rules, storage
from fleet.models import Aircraft, Person, Purge, Requirement, Test
from fleet.queries.retention import Bytes, removable
from fleet.services.base import refuse

logger = logging.getLogger(__name__)

WORD: Final = "remove"
# Bytes stored so short a time ago may belong to a row that is only being written.
FRESH = datetime.timedelta(hours=1)
CHANGED_MEANWHILE = (
    "What may be removed is no longer what you looked at, because the records changed meanwhile. "
    "Look at it again."
)


def mark_of(found: Iterable[Bytes]) -> str:
    """Return the mark of what would be removed: another list has another mark."""
    digests = sorted(one.digest for one in found)
    return hashlib.sha256("\n".join(digests).encode()).hexdigest()


@transaction.atomic
def purge(*, by: Person, word: str, seen: str) -> Purge:
    """Remove the bytes of all files that nothing holds, if that is still what was seen.

    Everything is held against the records again with the rules, aircraft and tests locked, so that
    no version, approval or filing comes in between. The log is written first; the bytes go once
    it is committed. Raises ValidationError when the word is not the one asked for, when there is
    nothing to remove, or when `seen` is not the mark of what may be removed now.
    """
    rules.allow(rules.may_purge, by)
    if word.strip().casefold() != WORD:
        refuse({"word": [f'Type the word "{WORD}" to say that you mean it.']})
    for model in (Requirement, Aircraft, Test):
        list(model.objects.select_for_update().order_by("pk").values_list("pk", flat=True))
    found = removable(by)
    if mark_of(found) != seen:
        refuse({"seen": [CHANGED_MEANWHILE]})
    going = [one for one in found if not storage.is_fresh(one.digest, FRESH)]
    if not going:
        words = "What nothing holds was stored within the last hour; it may be removed later."
        refuse({"seen": [words if found else "There is nothing that may be removed now."]})
    done = Purge(files=[_logged(one) for one in going], purged_by=by)
    done.save(force_insert=True)
    audit.record(
        "files_purged",
        done,
        by=by,
        operator=None,
        after={"files": len(going), "bytes": sum(one.size or 0 for one in going)},
    )
    transaction.on_commit(partial(_remove, done, by.name))
    return done


def _logged(one: Bytes) -> dict[str, Any]:
    return {
        "digest": one.digest,
        "size": one.size,
        "what": sorted({row.what for row in one.rows}),
        "operators": sorted({row.operator for row in one.rows if row.operator}),
        "held_until": str(one.kept_until) if one.kept_until else None,
    }


def _remove(done: Purge, name: str) -> None:
    on = f"{timezone.localdate(done.created_at):%-d %B %Y}"
    for file in done.files:
        if storage.is_fresh(file["digest"], FRESH):  # somebody brought the same bytes just now
            logger.warning("%s was brought again and stays.", file["digest"])
            continue
        held = "no rule said how long to keep it"
        if file["held_until"]:
            day = datetime.date.fromisoformat(file["held_until"])
            held = f"it was held until {day:%-d %B %Y}"
        words = f"{'; '.join(file['what'])}: removed on {on} by {name}, {held}."
        storage.remove(file["digest"], words)
