"""What SQLite knows of its tables, without which it takes any index for a good one.

PostgreSQL keeps such figures by itself. SQLite has none until told to look; then the owner of a
large fleet waits ten times as long, since every table is read through all rows of that owner.
"""

from __future__ import annotations

from django.db import connection

# Rows looked at in each index: a look takes some tens of milliseconds, whatever the season.
ROWS_LOOKED_AT = 1000


def refresh() -> None:
    """Look at the indexes of an SQLite database; connections made afterwards plan by it."""
    if connection.vendor != "sqlite":
        return
    with connection.cursor() as cursor:
        cursor.execute(f"PRAGMA analysis_limit={ROWS_LOOKED_AT}")
        cursor.execute("ANALYZE")
