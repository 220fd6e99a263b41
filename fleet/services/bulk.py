"""Many records of one kind at once: the same checks and deeds as one by one, in a few queries.

What only the database can know, that a name or a registration is taken, it says itself: whoever
brings many holds them against the records first and takes an IntegrityError for a race that
somebody else won.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models

from fleet import audit
from fleet.models import Operator, Person
from fleet.services.base import put, refuse
from fleet.validators import check_ranges

BATCH = 500

Named = tuple[str, models.Model]
"""A record, and what to call it where it is refused: "Row 5, XX-L01"."""


def add(
    rows: Sequence[Named],
    *,
    deed: str,
    by: Person,
    operators: Sequence[Operator],
    fields: Sequence[str],
) -> None:
    """Check, save and audit new records of one model, each of the operator beside it."""
    if not rows:
        return
    for name, row in rows:
        with _called(name):
            _check(row)
    type(rows[0][1])._default_manager.bulk_create([row for _, row in rows], batch_size=BATCH)
    audit.record_all(
        (
            audit.Entry(deed, row, operator, None, audit.values(row, fields))
            for (_, row), operator in zip(rows, operators, strict=True)
        ),
        by=by,
    )


def change(
    rows: Sequence[Named],
    changes: Sequence[Mapping[str, Any]],
    *,
    deed: str,
    by: Person,
    operators: Sequence[Operator],
    allowed: Collection[str],
) -> None:
    """Set, check, save and audit changes of locked records of one model."""
    entries, changed, fields = [], [], set()
    for (name, row), wanted, operator in zip(rows, changes, operators, strict=True):
        with _called(name):
            before = put(row, wanted, allowed)
            if not before:
                continue
            _check(row, check_ranges({field: wanted[field] for field in before}))
        fields |= {*before}
        changed.append(row)
        entries.append(audit.Entry(deed, row, operator, before, audit.values(row, list(before))))
    if changed:
        model = type(changed[0])
        # The rows are there and locked, so that each "insert" finds its key and only changes these
        # fields: half the work of one UPDATE with a case for each row and field.
        model._default_manager.bulk_create(
            changed,
            batch_size=BATCH,
            update_conflicts=True,
            update_fields=sorted(fields),
            unique_fields=["pk"],
        )
        audit.record_all(entries, by=by)


def _check(row: models.Model, errors: Mapping[str, Any] | None = None) -> None:
    """Hold a record to what can be told without the database."""
    refuse(errors or {})
    keys = {field.name for field in row._meta.fields if field.is_relation}
    row.full_clean(exclude=keys, validate_unique=False, validate_constraints=False)


@contextmanager
def _called(name: str) -> Iterator[None]:
    try:
        yield
    except ValidationError as error:
        raise ValidationError({"import": [f"{name}: {' '.join(error.messages)}"]}) from error
