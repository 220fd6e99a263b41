"""Reading all records of an operator as they stand at one moment, table by table."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from uuid import UUID

from django.db import connection, models, transaction
from django.db.models import Max

from fleet.exchange.plain import line_of, plain, values_of
from fleet.exchange.tables import (
    ELSEWHERE,
    EXPORT_JOB,
    SHARED,
    SOMEBODY,
    Named,
    Table,
    files_of,
    tables,
)
from fleet.models import (
    ENDED,
    AuditRow,
    Job,
    Jurisdiction,
    Operator,
    Paper,
    PaperSeries,
    PaperSlip,
    Person,
    Role,
    Visit,
)

AT_ONCE = 500


class UnderWayError(Exception):
    """Work for the operator is still being done, so that its records are not whole yet."""


class ForeignRowError(Exception):
    """A row of the operator refers to one that is another operator's."""


@dataclass(slots=True)
class Gathered:
    """What was read: rows by table, and the kept files that they name, by key."""

    rows: dict[str, int] = field(default_factory=dict)
    named: dict[str, Named] = field(default_factory=dict)
    papers: dict[str, str] = field(default_factory=dict)
    signed: list[str] = field(default_factory=list)


def gather(operator: Operator, folder: Path) -> Gathered:
    """Write an operator's records to `folder`, one file a table, and say what was written.

    All is read as of one moment. Raises UnderWayError while work for the operator is being done,
    and ForeignRowError where a row refers to another operator's.
    """
    with one_moment():
        if under_way(operator).exists():
            raise UnderWayError
        return _Gatherer(operator, folder).gather()


def under_way(operator: Operator) -> models.QuerySet[Job]:
    """Return the operator's work that has not ended, but for exports and calls of webhooks."""
    jobs: models.QuerySet[Job] = Job.objects.filter(operator=operator)
    return jobs.exclude(state__in=ENDED).exclude(kind__in=(EXPORT_JOB, "hook"))


@contextmanager
def one_moment() -> Iterator[None]:
    """Show the database as it is now, whatever is written meanwhile, without holding anybody up."""
    if connection.in_atomic_block:
        yield
    elif connection.vendor == "postgresql":
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
            yield
    else:
        # Not `atomic`: on SQLite that takes the lock of the one writer from the start.
        with connection.cursor() as cursor:
            cursor.execute("BEGIN")
            try:
                yield
            finally:
                cursor.execute("ROLLBACK")


class _Gatherer:
    def __init__(self, operator: Operator, folder: Path) -> None:
        self._operator = operator
        self._folder = folder
        self._done = Gathered()
        self._own: dict[type[models.Model], set[UUID]] = {}
        self._wanted: dict[type[models.Model], set[UUID]] = defaultdict(set)

    def gather(self) -> Gathered:
        own = [table for table in tables() if table.path is not None]
        for table in own:
            self._write_own(table)
        hosted = Visit.objects.filter(host=self._operator)
        self._wanted[Visit].update(hosted.values_list("pk", flat=True))
        shared = self._shared()
        elsewhere = self._wanted[Person] - self._own[Person]
        self._refuse_foreign()
        for table in tables():
            if table.model in SHARED:
                self._write(table, shared[table.model])
            elif table.name == ELSEWHERE:
                self._write(table, self._people(elsewhere))
        return self._done

    def _write_own(self, table: Table) -> None:
        """Write a table row by row, as it may be long."""
        keys = self._own[table.model] = set()
        with self._opened(table) as file:
            for row in table.rows(self._operator).iterator(chunk_size=AT_ONCE):
                values = values_of(row, table)
                self._refers(row, table)
                self._names(row)
                keys.add(row.pk)
                file.write(line_of(values))
        self._done.rows[table.name] = len(keys)

    def _write(self, table: Table, rows: list[dict[str, Any]]) -> None:
        with self._opened(table) as file:
            for values in sorted(rows, key=lambda values: values["id"]):
                file.write(line_of(values))
        self._done.rows[table.name] = len(rows)

    def _opened(self, table: Table) -> Any:
        return (self._folder / f"{table.name}.jsonl").open("wb")

    def _refers(self, row: models.Model, table: Table) -> None:
        for key, model in table.keys:
            value = getattr(row, key.attname)
            if value is not None:
                self._wanted[model].add(value)
        if isinstance(row, AuditRow) and row.deed == "operator_changed":
            # What must be kept until when is counted by the rules of every home there ever was.
            home = (row.before or {}).get("jurisdiction")
            if home:
                self._wanted[Jurisdiction].add(UUID(home))

    def _names(self, row: models.Model) -> None:
        for one in files_of(row):
            known = self._done.named.get(one.key)
            if known is None or one.what < known.what:
                self._done.named[one.key] = one
        if isinstance(row, Paper):
            name = row.slip.name if row.slip else "PAPER"
            self._done.papers[f"papers/{row.pk}"] = f"papers/{name}_{row.pk}.pdf"
            if row.signed:
                self._done.signed.append(row.signed)

    # --- what belongs to nobody

    def _shared(self) -> dict[type[models.Model], list[dict[str, Any]]]:
        """Return all shared rows that are referred to, and what comes along with them."""
        of = {table.model: table for table in tables() if table.model in SHARED}
        read: dict[type[models.Model], set[UUID]] = {model: set() for model in of}
        found: dict[type[models.Model], list[dict[str, Any]]] = {model: [] for model in of}
        while missing := [model for model in of if self._wanted[model] - read[model]]:
            for model in missing:
                keys = self._wanted[model] - read[model]
                read[model] |= keys
                for row in _by_key(model, keys):
                    self._cleared(row)
                    self._refers(row, of[model])
                    found[model].append(values_of(row, of[model]))
                for more, path in SHARED[model]:
                    brought = more._default_manager.filter(**{f"{path}__in": keys})
                    self._wanted[more].update(brought.values_list("pk", flat=True))
        return found

    def _cleared(self, row: models.Model) -> None:
        """Take out of a shared row what tells of other operators."""
        if isinstance(row, Visit) and row.host_id != self._operator.pk:
            row.note = ""  # written for everybody who comes
            if row.host_id is not None:
                row.kind, row.host_id = "clinic", None
        if isinstance(row, PaperSeries):  # how many papers others were issued is not told
            own = PaperSlip.objects.filter(operator=self._operator, series=row)
            row.last_number = own.aggregate(last=Max("number"))["last"] or 0

    def _people(self, keys: set[UUID]) -> list[dict[str, Any]]:
        """Return the name and the role of people who are not the operator's."""
        found = []
        for person in _by_key(Person, keys):
            known = person.role in (Role.STAFF, Role.ANALYST)
            found.append(
                {
                    "id": plain(person.pk),
                    "name": person.name if known else SOMEBODY,
                    "role": person.role if known else str(Role.STAFF),
                }
            )
        return found

    def _refuse_foreign(self) -> None:
        for model, keys in self._wanted.items():
            if model in SHARED or model is Person:
                continue
            foreign = keys - self._own.get(model, set())
            if foreign:
                name = model._meta.verbose_name
                raise ForeignRowError(
                    f"A record of {self._operator} refers to the {name} {min(foreign)}, which is "
                    "not this operator's. Nothing was exported; tell whoever keeps the service."
                )


def _by_key(model: type[models.Model], keys: set[UUID]) -> Iterator[Any]:
    ordered = sorted(keys)
    for start in range(0, len(ordered), AT_ONCE):
        yield from model._default_manager.filter(pk__in=ordered[start : start + AT_ONCE])
