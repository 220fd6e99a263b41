"""Write-once tables, refused by the database itself.

A sealed table has triggers that refuse UPDATE, DELETE and (PostgreSQL) TRUNCATE, so neither a
queryset, nor raw SQL, nor another program can edit what was once stated. SQLite drops triggers
when Django rebuilds a table, so `reseal` runs after every migration as well.
"""

from __future__ import annotations

from typing import Any

from django.apps import AppConfig, apps
from django.db import connections
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.backends.base.schema import BaseDatabaseSchemaEditor
from django.db.migrations.operations.base import Operation

REFUSAL = "rows of {table} are write-once"

POSTGRESQL = """
CREATE OR REPLACE FUNCTION fleet_refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN RAISE EXCEPTION 'rows of % are write-once', TG_TABLE_NAME USING ERRCODE = '23001'; END $$;
CREATE OR REPLACE TRIGGER {table}_sealed BEFORE UPDATE OR DELETE ON {table}
    FOR EACH ROW EXECUTE FUNCTION fleet_refuse_change();
CREATE OR REPLACE TRIGGER {table}_sealed_whole BEFORE TRUNCATE ON {table}
    FOR EACH STATEMENT EXECUTE FUNCTION fleet_refuse_change();
"""

SQLITE = """
CREATE TRIGGER IF NOT EXISTS {table}_sealed_{deed} BEFORE {deed} ON {table}
BEGIN SELECT RAISE(ABORT, '{refusal}'); END
"""


def seal(connection: BaseDatabaseWrapper, table: str) -> None:
    """Put the triggers on `table`; those that are there already stay."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(POSTGRESQL.format(table=table))
            return
        for deed in ("update", "delete"):
            refusal = REFUSAL.format(table=table)
            cursor.execute(SQLITE.format(table=table, deed=deed, refusal=refusal))


def unseal(connection: BaseDatabaseWrapper, table: str) -> None:
    """Take the triggers off `table`, for a migration that goes backwards."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(f"DROP TRIGGER IF EXISTS {table}_sealed ON {table}")
            cursor.execute(f"DROP TRIGGER IF EXISTS {table}_sealed_whole ON {table}")
            return
        for deed in ("update", "delete"):
            cursor.execute(f"DROP TRIGGER IF EXISTS {table}_sealed_{deed}")


def sealed_tables() -> list[str]:
    """Return the tables of the models that say they are write-once."""
    from fleet.models.base import Sealed  # noqa: PLC0415 -- models are loaded after apps

    return [m._meta.db_table for m in apps.get_models() if issubclass(m, Sealed)]


def reseal(sender: AppConfig, using: str, **kwargs: Any) -> None:
    """After a migration: seal whatever table of ours has lost its triggers."""
    connection = connections[using]
    present = set(connection.introspection.table_names())
    for table in sealed_tables():
        if table in present:
            seal(connection, table)


class SealTable(Operation):
    """Migration operation: make a table write-once."""

    reduces_to_sql = True
    reversible = True

    def __init__(self, table: str) -> None:
        self.table = table

    def state_forwards(self, app_label: str, state: Any) -> None:
        """Nothing changes for the models."""

    def database_forwards(
        self,
        app_label: str,
        schema_editor: BaseDatabaseSchemaEditor,
        from_state: Any,
        to_state: Any,
    ) -> None:
        """Put the triggers on."""
        seal(schema_editor.connection, self.table)

    def database_backwards(
        self,
        app_label: str,
        schema_editor: BaseDatabaseSchemaEditor,
        from_state: Any,
        to_state: Any,
    ) -> None:
        """Take the triggers off."""
        unseal(schema_editor.connection, self.table)

    def describe(self) -> str:
        """Say it in the list of operations."""
        return f"Make {self.table} write-once"
