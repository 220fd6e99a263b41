"""Rows as lines of JSON and back: keys as text, moments in UTC, names in order, one row a line."""

from __future__ import annotations

import datetime
import json
import math
from collections.abc import Mapping
from typing import Any
from uuid import UUID

from django.core.exceptions import ValidationError
from django.db import models

from fleet.exchange.tables import Table


class OddValueError(ValueError):
    """A value that the field cannot hold, or not in this form."""


def plain(value: Any) -> Any:
    """Return a field's value as JSON can say it."""
    if isinstance(value, UUID):
        return str(value)
    if isinstance(value, datetime.datetime):
        return value.astimezone(datetime.UTC).isoformat()
    if isinstance(value, datetime.date | datetime.time):
        return value.isoformat()
    if value is None or isinstance(value, bool | int | float | str | list | dict):
        return value
    raise TypeError(f"{type(value).__name__} has no plain form yet.")


def values_of(row: models.Model, table: Table) -> dict[str, Any]:
    """Return the values of a row that go into a table, by name."""
    return {field.name: plain(field.value_from_object(row)) for field in table.fields}


def line_of(values: Mapping[str, Any]) -> bytes:
    """Return the line of a row, the same bytes for the same values."""
    text = json.dumps(
        values, sort_keys=True, ensure_ascii=False, separators=(",", ":"), allow_nan=False
    )
    return text.encode() + b"\n"


def read_line(line: bytes) -> dict[str, Any]:
    """Return the values of a line. Raises OddValueError for what `line_of` does not write."""
    try:
        values = json.loads(line, parse_constant=_refuse)
    except (ValueError, RecursionError) as error:
        raise OddValueError(f"it is not JSON ({error})") from None
    if not isinstance(values, dict):
        raise OddValueError("it is not a row")
    return values


def _refuse(name: str) -> None:
    raise ValueError(f"{name} is not a number")


def read_value(field: models.Field[Any, Any], value: Any) -> Any:
    """Return a value as the field holds it.

    Raises OddValueError for what the field cannot hold, and for another form than `plain` gives.
    """
    if value is None:
        if not field.null:
            raise OddValueError("it must not be empty")
        return None
    if isinstance(field, models.JSONField):
        return value
    target = field.target_field if isinstance(field, models.ForeignKey) else field
    try:
        read = target.to_python(value)
        if plain(read) != value or isinstance(read, bool) != isinstance(value, bool):
            raise OddValueError(f"{_short(value)} is not such a value")
        if isinstance(read, float) and not math.isfinite(read):
            raise OddValueError(f"{_short(value)} is not a number")
        if field.choices and value not in dict(field.flatchoices) and (value or not field.blank):
            raise OddValueError(f"{_short(value)} is none of the choices")
        if not field.is_relation:
            field.run_validators(read)
    except (ValidationError, TypeError, ValueError, OverflowError) as error:
        if isinstance(error, OddValueError):
            raise
        words = " ".join(getattr(error, "messages", [str(error)]))
        raise OddValueError(f"{_short(value)}: {words}") from None
    return read


def _short(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 40 else f"{text[:40]}…"
