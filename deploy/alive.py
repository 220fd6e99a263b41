"""The worker's sign of life: a file in the data folder that it touches every second.

Needs nothing of the service, so that whoever starts a worker can wait for it cheaply.
"""

from __future__ import annotations

import os
import time
from pathlib import Path

NAME = "worker.alive"
FRESH_SECONDS = 10.0


def give_sign(data: Path) -> None:
    """Write the process number of this worker; called after each sweep that went well."""
    draft = data / f"{NAME}.{os.getpid()}"
    draft.write_text(f"{os.getpid()}\n", encoding="ascii")
    draft.replace(data / NAME)


def take_back_sign(data: Path) -> None:
    """Remove the sign when it is ours: the worker stops."""
    if seen(data) == os.getpid():
        (data / NAME).unlink(missing_ok=True)


def seen(data: Path) -> int | None:
    """Return the process number of the worker that gave the last sign, however old."""
    try:
        return int((data / NAME).read_text(encoding="ascii"))
    except (FileNotFoundError, ValueError):
        return None


def worker_answers(data: Path, pid: int | None = None) -> bool:
    """Whether a worker (the one with the process number `pid`) gave a sign within ten seconds."""
    found = seen(data)
    if found is None or (pid is not None and found != pid):
        return False
    try:
        return time.time() - (data / NAME).stat().st_mtime < FRESH_SECONDS
    except FileNotFoundError:
        return False
