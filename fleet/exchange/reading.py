"""Reading the rows of an archive, strictly: each as the export would write it, all fitting."""

from __future__ import annotations

import datetime
from collections import defaultdict
from collections.abc import Iterator
from typing import Any
from uuid import UUID

from django.db import models

from fleet.exchange import form
from fleet.exchange.opening import MOST_BYTES, Archive, wrong
from fleet.exchange.plain import OddValueError, line_of, read_line, read_value
from fleet.exchange.tables import ELSEWHERE, FIELDS_LEFT_OUT, Table, files_of, tables
from fleet.models import Operator, Person, ReminderChoice, Role, Visit


def rows_of(archive: Archive, table: Table) -> Iterator[models.Model]:
    """Yield the rows of a table as models that are not saved yet. Raises InputError."""
    name = f"records/{table.name}.jsonl"
    last, number = "", 0
    with archive.zip.open(name) as file:
        while line := file.readline(MOST_BYTES):
            number += 1
            try:
                values = read_line(line)
                row = _row(values, table, archive)
                if line_of(values) != line:
                    raise OddValueError("it is not written as exports write it")
                if not last < values["id"]:
                    raise OddValueError("rows must be in the order of their ids, each once")
            except OddValueError as error:
                wrong(f"{name}, line {number}", str(error))
            last = values["id"]
            yield row


def _row(values: dict[str, Any], table: Table, archive: Archive) -> models.Model:
    names = {field.name for field in table.fields}
    if set(values) != names:
        odd = ", ".join(sorted(map(ascii, set(values) ^ names)))
        raise OddValueError(f"names that are missing or unknown: {odd[:200]}")
    row = table.model()
    for field in table.fields:
        try:
            setattr(row, field.attname, read_value(field, values[field.name]))
        except OddValueError as error:
            raise OddValueError(f"{field.name}: {error}") from None
    for name, fill in FIELDS_LEFT_OUT.get(table.model, {}).items():
        setattr(row, name, fill())
    if table.name == ELSEWHERE:
        assert isinstance(row, Person)
        _close(row, archive.made_at)
    return row


def _close(person: Person, made_at: datetime.datetime) -> None:
    """Make somebody who is named but not of the operator a person who cannot sign in.

    Addresses under `.invalid` reach nobody (RFC 2606).
    """
    if person.role not in (Role.STAFF, Role.ANALYST):
        raise OddValueError("role: people of others are staff or analysts here")
    person.email = f"{person.pk}@elsewhere.invalid"
    person.is_active = False
    person.created_at = made_at


def check_rows(archive: Archive) -> None:
    """Hold all rows against one another, the manifest and the files. Raises InputError."""
    _Checker(archive).check()


class _Checker:
    def __init__(self, archive: Archive) -> None:
        self._archive = archive
        self._there: dict[type[models.Model], set[UUID]] = defaultdict(set)
        self._wanted: dict[tuple[str, str, type[models.Model]], set[UUID]] = defaultdict(set)
        self._people: set[UUID] = set()
        self._files = {form.key_of(path): digest for path, digest in archive.files.items()}
        self._files |= {form.key_of(one.path): one.digest for one in archive.absent}
        self._named: set[str | None] = set()

    def check(self) -> None:
        for table in tables():
            count = 0
            for row in rows_of(self._archive, table):
                count += 1
                self._look_at(row, table)
            if count != self._archive.rows[table.name]:
                wrong(
                    f"records/{table.name}.jsonl",
                    f"it has {count} rows, the manifest says {self._archive.rows[table.name]}",
                )
        if self._there[Operator] != {self._archive.operator_id}:
            wrong("records/operator.jsonl", "it must hold the operator of the manifest alone")
        self._all_there()
        self._all_named()

    def _look_at(self, row: models.Model, table: Table) -> None:
        name = f"records/{table.name}.jsonl"
        if row.pk in self._there[table.model]:
            wrong(name, f"the id {row.pk} is used twice")
        self._there[table.model].add(row.pk)
        if not self._is_own(row, table):
            wrong(name, f"the row {row.pk} is not of the operator of the manifest")
        for key, model in table.keys:
            value = getattr(row, key.attname)
            if value is not None:
                self._wanted[name, key.name, model].add(value)
        try:
            named = list(files_of(row))
        except (ValueError, KeyError, TypeError, RecursionError):
            wrong(name, f"the document of {row.pk} is not one that this service writes")
        for one in named:
            if self._files.get(one.key) != one.digest:
                wrong(
                    name, f"the file of {row.pk} ({one.what}) is neither there nor told as absent"
                )
            self._named.add(one.key)

    def _is_own(self, row: models.Model, table: Table) -> bool:
        own = self._archive.operator_id
        if isinstance(row, Visit):
            return row.host_id in (None, own)
        if isinstance(row, ReminderChoice):
            return row.person_id in self._people
        if table.path is None or isinstance(row, Operator):
            return True
        if isinstance(row, Person):
            self._people.add(row.pk)
        return bool(row.operator_id == own)  # type: ignore[attr-defined]

    def _all_there(self) -> None:
        for (name, key, model), wanted in self._wanted.items():
            missing = wanted - self._there[model]
            if missing:
                wrong(
                    name,
                    f"{key} refers to the {model._meta.verbose_name} {min(missing)}, which is "
                    "not in the file",
                )

    def _all_named(self) -> None:
        for key in sorted(set(self._files) - self._named, key=str):
            wrong(str(key), "no record names this file")
