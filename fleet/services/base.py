"""What every service does before it writes."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models

from fleet import audit
from fleet.models import Operator, Person
from fleet.validators import check_ranges


def refuse(errors: Mapping[str, Any]) -> None:
    """Raise ValidationError when there is any error."""
    if errors:
        raise ValidationError(dict(errors))


def checked(row: models.Model, **values: Any) -> None:
    """Check ranges, then the model's own fields and constraints; raise all errors by field."""
    errors: dict[str, Any] = check_ranges(values)
    try:
        row.full_clean()
    except ValidationError as error:
        errors = {**error.message_dict, **errors}
    refuse(errors)


def put(row: models.Model, changes: Mapping[str, Any], allowed: Collection[str]) -> dict[str, Any]:
    """Set the fields that differ, unchecked and unsaved; return what they were, for the trail.

    Raises ValidationError for a field that is not in `allowed`.
    """
    refuse({name: ["Cannot be changed."] for name in changes if name not in allowed})
    differing = [name for name, value in changes.items() if getattr(row, name) != value]
    before = audit.values(row, differing)
    for name in differing:
        setattr(row, name, changes[name])
    return before


def change(
    row: models.Model,
    *,
    deed: str,
    by: Person | None,
    operator: Operator | None,
    changes: Mapping[str, Any],
    allowed: Collection[str],
) -> bool:
    """Set the fields in `changes`, check, save just those, audit. False when nothing differs.

    Raises ValidationError for a field that is not in `allowed` or a value that is not right.
    """
    before = put(row, changes, allowed)
    if not before:
        return False
    differing = list(before)
    checked(row, **{name: changes[name] for name in differing})
    row.save(update_fields=differing)
    audit.record(
        deed, row, by=by, operator=operator, before=before, after=audit.values(row, differing)
    )
    return True
