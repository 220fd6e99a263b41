"""Starts real worker processes and a private Redis for tests and benchmarks.

A worker runs in a session of its own, so that `kill` takes the whole of it down at once, pool
children and all, as a power cut would.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from django.db import connection

from deploy import alive
from deploy.worker import worker_command

ROOT = Path(__file__).resolve().parent.parent.parent
READY_SECONDS = 120.0  # on a machine that others use as well
# Named here and not inherited: what was set for the test run must not colour the worker.
# The two ways it is run: the embedded default beside SQLite, Redis beside PostgreSQL. Each stage of
# the tests takes its own; which database it is makes no difference to a broker.
BROKERS = ["redis" if os.environ.get("CELERY_BROKER_URL") else "embedded"]
OURS = ("CELERY_BROKER_URL", "DATABASE_URL", "SWATHBOOK_WORKER_PROCESSES", "SWATHBOOK_JOB_LEASE")


class Worker:
    """One worker process with its pool.

    Parameters
    ----------
    data : Path
        The data folder it shares with the service.
    database : mapping
        What to put over Django's `DATABASES["default"]`; `database_of_test()` gives it.
    broker_url : str
        Empty for the embedded default.
    processes : int
        Size of the pool.
    lease_s : float
        Length of the lease. [s]
    remind_at : str
        From when on in the day it asks for reminders.
    settings_module : str
        The default knows the kinds of job of `tests.deploy.kinds`.
    """

    def __init__(
        self,
        data: Path,
        database: Mapping[str, Any],
        *,
        broker_url: str = "",
        processes: int = 2,
        lease_s: float = 30.0,
        remind_at: str = "off",
        settings_module: str = "tests.deploy.worker_settings",
    ) -> None:
        self.data = data
        self.log = data / f"worker-{time.monotonic_ns()}.log"
        self._environment = {name: value for name, value in os.environ.items() if name not in OURS}
        self._environment |= {
            "DJANGO_SETTINGS_MODULE": settings_module,
            "SWATHBOOK_DATA": str(data),
            "SWATHBOOK_TEST_DATABASE": json.dumps(database),
            "SWATHBOOK_WORKER_PROCESSES": str(processes),
            "SWATHBOOK_JOB_LEASE": str(lease_s),
            "SWATHBOOK_REMIND_AT": remind_at,
        }
        if broker_url:
            self._environment["CELERY_BROKER_URL"] = broker_url
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def pid(self) -> int:
        """The process number of the worker itself, which leads its pool."""
        assert self._process is not None, "the worker was not started"
        return self._process.pid

    def start(self, *, wait: bool = True) -> None:
        """Start it, and wait until it answers."""
        (self.data / alive.NAME).unlink(missing_ok=True)
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                [*_dies_with_us(), *worker_command()],
                cwd=ROOT,
                env=self._environment,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )
        if wait:
            self.wait_until_ready()

    def wait_until_ready(self) -> None:
        """Wait for its sign of life; fail at once when it ended instead."""
        wait_for(self._answers_or_ended, READY_SECONDS, self)
        if self._ended():
            raise AssertionError(f"the worker ended while starting; its log:\n{self.last_words()}")

    def _answers_or_ended(self) -> bool:
        return alive.worker_answers(self.data, self.pid) or self._ended()

    def _ended(self) -> bool:
        return self._process is None or self._process.poll() is not None

    def children(self) -> list[int]:
        """Return the process numbers of its pool."""
        listed = Path(f"/proc/{self.pid}/task").glob("*/children")
        return [int(number) for file in listed for number in file.read_text().split()]

    def kill(self) -> None:
        """Kill -9 the worker and its whole pool at one moment."""
        os.killpg(self.pid, signal.SIGKILL)
        assert self._process is not None
        self._process.wait()

    def stop(self, seconds: float = 20.0) -> int:
        """Ask it to stop, as the supervisor does; return its exit status."""
        assert self._process is not None
        self._process.send_signal(signal.SIGTERM)
        return self._process.wait(timeout=seconds)

    def end(self) -> None:
        """Leave nothing behind, whatever state it is in."""
        if self._process is not None and self._process.poll() is None:
            self.kill()

    def last_words(self) -> str:
        """Return the end of its log, for a failing test."""
        return self.log.read_text(errors="replace")[-4000:] if self.log.exists() else ""


def _dies_with_us() -> list[str]:
    """Return what to put before a command so that it goes when the test run is killed."""
    program = shutil.which("setpriv")
    return [program, "--pdeathsig", "KILL"] if program else []


def database_of_test() -> dict[str, Any]:
    """Return how another process reaches the database that this test uses."""
    kept = ("ENGINE", "NAME", "USER", "PASSWORD", "HOST", "PORT", "OPTIONS")
    return {name: connection.settings_dict[name] for name in kept}


def wait_for(condition: Callable[[], object], seconds: float, worker: Worker | None = None) -> None:
    """Wait until the condition holds; fail with the worker's log when it does not in time."""
    until = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > until:
            words = worker.last_words() if worker else ""
            raise AssertionError(f"not within {seconds:g} s; the worker's log:\n{words}")
        time.sleep(0.02)


class PrivateRedis:
    """A Redis server on a socket in a folder of its own, which keeps nothing on disk."""

    def __init__(self, folder: Path) -> None:
        self.socket = folder / "socket"
        self._folder = folder
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"redis+socket://{self.socket}"

    def start(self) -> None:
        program = redis_program()
        assert program is not None
        options = ["--port", "0", "--unixsocket", str(self.socket), "--dir", str(self._folder)]
        self._process = subprocess.Popen(
            [*_dies_with_us(), program, *options, "--save", "", "--appendonly", "no"],
            stdout=subprocess.DEVNULL,
        )
        wait_for(self.answers, 10)

    def answers(self) -> bool:
        import redis

        try:
            with redis.Redis(unix_socket_path=str(self.socket)) as client:
                return bool(client.ping())
        except redis.exceptions.ConnectionError:
            return False

    def empty(self) -> None:
        """Lose everything that the broker holds."""
        import redis

        with redis.Redis(unix_socket_path=str(self.socket)) as client:
            client.flushall()

    def kill(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None


def redis_program() -> str | None:
    """Return where the Redis server is installed, or None."""
    return shutil.which("redis-server", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/bin")


@contextmanager
def private_redis() -> Iterator[PrivateRedis]:
    """Run a Redis server for the length of a `with` block."""
    with tempfile.TemporaryDirectory(prefix="swathbook-redis-", dir="/tmp") as folder:
        server = PrivateRedis(Path(folder))
        server.start()
        try:
            yield server
        finally:
            server.kill()
