"""A private PostgreSQL for a benchmark, started as `deploy/test` starts its own."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

# On sockets only, and quick to write: what is lost in a power cut is lost with the folder.
OPTIONS = (
    "-c listen_addresses='' -k {folder} -c fsync=off -c synchronous_commit=off "
    "-c full_page_writes=off -c max_wal_size=4GB"
)


@contextmanager
def private_postgres() -> Iterator[str]:
    """Yield the DATABASE_URL of an empty server that is gone afterwards."""
    folder = Path(tempfile.mkdtemp(prefix="swb."))  # short: a socket's path has little room
    if os.getuid() == 0:
        shutil.chown(folder, "postgres")
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda one: int(one.parent.name))
    if not found:
        raise RuntimeError("PostgreSQL is not installed: deploy/setup --test puts it in place.")
    data = folder / "data"
    try:
        initdb = ("-U", "swathbook", "-A", "trust", "--no-sync", "-E", "UTF8", "--locale=C.UTF-8")
        _run(found[-1] / "initdb", "-D", data, *initdb)
        _run(
            *(found[-1] / "pg_ctl", "-D", data, "-w", "-l", folder / "log"),
            *("-o", OPTIONS.format(folder=folder), "start"),
        )
        try:
            # The database of the cluster's own making, under the name of its owner.
            yield f"postgres:///postgres?host={folder}&user=swathbook"
        finally:
            _run(found[-1] / "pg_ctl", "-D", data, "-m", "immediate", "stop")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _run(*command: str | Path) -> None:
    """Run it, as the server's own user where we are root; say what it said when it fails."""
    whose = ("runuser", "-u", "postgres", "--") if os.getuid() == 0 else ()
    # pg_ctl leaves a server behind that would hold a pipe open: a file holds what is said.
    with tempfile.TemporaryFile("w+") as said:
        done = subprocess.run(
            [*whose, *map(str, command)], stdout=said, stderr=said, check=False, cwd="/"
        )
        if done.returncode:
            said.seek(0)
            raise RuntimeError(f"{Path(command[0]).name} failed: {said.read()}")
