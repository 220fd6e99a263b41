"""Whether a key is among thousands: one parameter, however many there are.

A list of placeholders costs Django and SQLite more than the rows behind them.
"""

from __future__ import annotations

import json
from typing import Any

from django.db.models import Lookup, UUIDField

AMONG = "among"


@UUIDField.register_lookup
class Among(Lookup):
    """Keys as the database holds them: texts on SQLite, UUIDs on PostgreSQL."""

    lookup_name = AMONG
    prepare_rhs = False

    def get_db_prep_lookup(self, value: Any, connection: Any) -> tuple[str, Any]:
        """Return the one parameter."""
        keys = list(value)
        return "%s", [keys if connection.vendor == "postgresql" else json.dumps(keys)]

    def as_sql(self, compiler: Any, connection: Any) -> tuple[str, Any]:
        """Return the condition."""
        key, before = self.process_lhs(compiler, connection)
        _, keys = self.process_rhs(compiler, connection)
        listed = "= ANY(%s)"
        if connection.vendor == "sqlite":
            listed = "IN (SELECT value FROM json_each(%s))"
        return f"{key} {listed}", [*before, *keys]
