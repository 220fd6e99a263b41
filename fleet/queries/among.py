"""Whether a key is among many: one parameter, however many there are.

A list of thousands of placeholders costs Django and SQLite more than the rows behind them. Of a few
they are the better way: SQLite knows then how few they are, and reads no other index.
"""

from __future__ import annotations

import json
from collections.abc import Collection
from typing import Any
from uuid import UUID

from django.db.models import Lookup, Q, UUIDField

FEW = 50


def among(path: str, keys: Collection[Any]) -> Q:
    """Return the condition that the key at a path is one of some."""
    return Q(**{f"{path}__{'in' if len(keys) <= FEW else Among.lookup_name}": keys})


@UUIDField.register_lookup
class Among(Lookup):
    """Keys as the database holds them: texts on SQLite, UUIDs on PostgreSQL."""

    lookup_name = "among"
    prepare_rhs = False

    def get_db_prep_lookup(self, value: Any, connection: Any) -> tuple[str, Any]:
        """Return the one parameter."""
        keys = list(value)
        return "%s", [
            keys if connection.vendor == "postgresql" else json.dumps(keys, default=_text)
        ]

    def as_sql(self, compiler: Any, connection: Any) -> tuple[str, Any]:
        """Return the condition."""
        key, before = self.process_lhs(compiler, connection)
        _, keys = self.process_rhs(compiler, connection)
        listed = "= ANY(%s)"
        if connection.vendor == "sqlite":
            listed = "IN (SELECT value FROM json_each(%s))"
        return f"{key} {listed}", [*before, *keys]


def _text(key: UUID) -> str:
    """A key as SQLite holds it."""
    return key.hex
