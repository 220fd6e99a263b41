"""Frees the pool of an embedded worker when a killed child took the lock of its queue along.

The children of the embedded worker share one pipe, guarded by a lock that an idle child holds
while it waits for work. Killed while idle (by the kernel for want of memory, by a service manager
that tells every process to stop), it never gives the lock back: nothing would run any more, and
the worker could not even end. The pool that Celery uses over Redis has a pipe for each child and
no such lock.
"""

from __future__ import annotations

import logging
import time
from typing import Any

logger = logging.getLogger(__name__)

# A living child takes what lies in the pipe within milliseconds.
STUCK_SECONDS = 1.0


class QueueLock:
    """The lock of the pipe from a worker to the children of its pool.

    Parameters
    ----------
    pool : billiard.pool.Pool
        A pool whose children share one pipe.
    """

    def __init__(self, pool: Any) -> None:
        self._pool = pool
        self._children = self._living()
        self._somebody_died = False
        self._stuck_since: float | None = None

    def look(self) -> None:
        """Give the lock back when since a child died nobody takes what lies in the pipe."""
        living = self._living()
        self._somebody_died |= bool(self._children - living)
        self._children = living
        if not (self._somebody_died and self._held() and self._pool._inqueue._reader.poll(0)):
            self._stuck_since = None
            return
        now = time.monotonic()
        if self._stuck_since is None:
            self._stuck_since = now
        elif now - self._stuck_since >= STUCK_SECONDS:
            self._give_back()

    def give_back_at_the_end(self) -> None:
        """Give back a lock that is held though no child lives: the worker needs it to end."""
        if not self._living() and self._held():
            self._give_back()

    def _give_back(self) -> None:
        logger.warning("A killed process of the pool held the lock of its queue; given back.")
        self._somebody_died, self._stuck_since = False, None
        self._pool._inqueue._rlock.release()

    def _held(self) -> bool:
        return bool(self._pool._inqueue._rlock._semlock._is_zero())

    def _living(self) -> set[int]:
        return {child.pid for child in list(self._pool._pool) if child.exitcode is None}
