"""A thread in every worker that tells it which rows are due.

Embedded, it is the only source of work: it moves due rows into the broker inside this process, a
few at a time, so that the rest can be taken by another worker, and it looks at the clock for what
is to be done once a day. Over Redis it is the sweeper: it sends again what was never sent, got lost
with the broker, or belongs to a worker that fell silent; the clock is looked at by Celery beat.
"""

from __future__ import annotations

import datetime
import logging
import os
import select
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any
from uuid import UUID

from celery import Celery
from celery.worker import state as worker_state
from django.conf import settings
from django.db import connections
from django.utils import timezone
from kombu.exceptions import ChannelError

from deploy import alive, figures
from deploy.pool import QueueLock
from fleet import jobs, nudge, tenancy
from fleet.services import filings, reminders

logger = logging.getLogger(__name__)

SWEEP_SECONDS = 1.0
CAPACITY_OVER_BROKER = 100
# Embedded: enough that no process runs dry between two rounds, few enough that a second worker
# finds the rest in the table.
CAPACITY_PER_PROCESS = 4
# Several nudges at the same moment are one.
GATHER_SECONDS = 0.01
NO_JOB = UUID(int=0)


class Feeder(threading.Thread):
    """Looks at the rows when nudged, when a job ended, and every second."""

    def __init__(
        self,
        app: Celery,
        queue: str,
        send_hint: Callable[[UUID], None],
        embedded: bool,
        processes: int,
    ) -> None:
        super().__init__(name="feeder", daemon=True)
        self._app = app
        self._queue = queue
        self._send_hint = send_hint
        self._embedded = embedded
        self._capacity = CAPACITY_PER_PROCESS * processes if embedded else CAPACITY_OVER_BROKER
        self._stopping = False
        self._reminded_on: datetime.date | None = None
        self._lock: QueueLock | None = None
        self._nudges: socket.socket | None = None
        self._wake_here, self._wake_there = socket.socketpair(socket.AF_UNIX, socket.SOCK_DGRAM)
        for end in (self._wake_here, self._wake_there):
            end.setblocking(False)
        # A child of the pool must not be forked while this thread holds a database connection:
        # it would inherit half of it. So a fork waits until the look at the rows is over.
        looking = self._looking = threading.Lock()
        os.register_at_fork(
            before=looking.acquire, after_in_parent=looking.release, after_in_child=looking.release
        )

    def run(self) -> None:
        """Feed until stopped."""
        with tenancy.everyone():
            if self._embedded:
                self._nudges = _listen()
                self._forget_old_hints()
            while not self._stopping:
                try:
                    if self._embedded:
                        self._look_at_the_clock()
                    self._feed()
                except jobs.PASSING as trouble:
                    logger.warning("The rows cannot be read now (%s).", trouble)
                except Exception:  # the worker must not live on without anybody who feeds it
                    logger.exception("A round of the feeder broke down; it goes on.")
                self._wait()
        if self._embedded:
            # The worker sits up to two seconds over an empty queue; a message makes it look up.
            self._send_hint(NO_JOB)

    def watch(self, pool: Any) -> None:
        """Keep an eye on the pool of this worker, once there is one."""
        if self._embedded:
            self._lock = QueueLock(pool)

    def stop_soon(self) -> None:
        """Feed no more, for the worker is told to stop. Safe in a signal handler: it only asks."""
        self._stopping = True
        self._wake()

    def stop(self) -> None:
        """End the thread and take back the sign of life."""
        self.stop_soon()
        if self.is_alive():
            self.join(timeout=5)
        if self._lock:
            self._lock.give_back_at_the_end()
        alive.take_back_sign(settings.DATA)

    def job_ended(self) -> None:
        """Make room for the next job; called in a child of the pool."""
        if self._embedded:
            self._wake()

    def _wake(self) -> None:
        try:
            self._wake_there.send(b"!")
        except BlockingIOError:
            pass  # wakened often enough

    # --- one round

    @contextmanager
    def _rows(self) -> Iterator[None]:
        """A look at the rows, during which nothing is forked and after which nothing stays open."""
        with self._looking:
            try:
                yield
            finally:
                connections.close_all()

    def _forget_old_hints(self) -> None:
        """The broker in this process is new, so whatever a sweeper sent before is gone."""
        try:
            with self._rows():
                jobs.forget_hints()
        except jobs.PASSING as trouble:
            logger.warning("Old hints stay until they are stale (%s).", trouble)

    def _look_at_the_clock(self) -> None:
        """Ask for the filings and reminders of the day once their hour has come, or is past.

        With them the database's figures are brought up to date.
        """
        now = timezone.now()
        today = timezone.localdate(now)
        if self._reminded_on != today and reminders.is_time(now):
            with self._rows():
                figures.refresh()
                filings.look_on(today)
                reminders.send_digests(today)
            self._reminded_on = today

    def _feed(self) -> None:
        if self._lock:
            self._lock.look()
        waiting = self._waiting()
        if waiting is None:
            return
        room = self._capacity - waiting
        with self._rows():
            jobs.give_up_on_worn_out()
            due = self._due(room, nothing_waits=waiting == 0)
        if self._send(due):
            alive.give_sign(settings.DATA)

    def _due(self, room: int, *, nothing_waits: bool) -> list[UUID]:
        # A hint lies in the queue for as long as others are before it. With the queue empty it
        # has been used or lost, and a short wait is enough to know which.
        soon = settings.JOB_LEASE_SECONDS / 6
        return jobs.take_due(
            room,
            unhinted_s=0.0 if self._embedded else soon,
            stale_s=soon if nothing_waits else settings.JOB_LEASE_SECONDS,
        )

    def _send(self, due: list[UUID]) -> bool:
        for place, job_id in enumerate(due):
            try:
                self._send_hint(job_id)
            except Exception as trouble:
                logger.warning("The broker took no hint (%s); it gets it again.", trouble)
                with self._rows():
                    jobs.forget_hints(due[place:])
                return False
        return True

    def _waiting(self) -> int | None:
        """Return how many hints lie in the broker and in this worker; None when it cannot say."""
        try:
            with self._app.pool.acquire(block=True, timeout=2) as connection:
                declared = connection.default_channel.queue_declare(self._queue, passive=True)
                in_broker = int(declared.message_count)
        except ChannelError:  # no such queue: nothing was ever sent, or the broker was emptied
            in_broker = 0
        except Exception as trouble:
            logger.warning("The broker does not answer (%s); the jobs wait.", trouble)
            return None
        return in_broker + len(worker_state.reserved_requests)

    # --- waiting

    def _wait(self) -> None:
        ears = [self._wake_here, *([self._nudges] if self._nudges else [])]
        heard, _, _ = select.select(ears, [], [], SWEEP_SECONDS)
        if heard:
            time.sleep(GATHER_SECONDS)
        for ear in heard:
            _empty(ear)


def _listen() -> socket.socket | None:
    try:
        ear = nudge.listen()
    except (OSError, nudge.UnsafeFolderError) as trouble:
        logger.warning("Nobody can nudge this worker (%s); it looks every second.", trouble)
        return None
    if ear is None:
        logger.info("Another worker on this data folder hears the nudges.")
    return ear


def _empty(ear: socket.socket) -> None:
    try:
        while ear.recv(1):
            pass
    except BlockingIOError:
        pass
