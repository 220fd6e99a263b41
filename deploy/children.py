"""Processes that belong to one run: started, waited for and ended together.

One data folder belongs to one run: a lock file in it says whose. The processes get the lock too, so
that nobody else starts on the folder while one of them still works.
"""

from __future__ import annotations

import contextlib
import ctypes
import fcntl
import os
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TextIO

ROOT = Path(__file__).resolve().parent.parent
READY_SECONDS = 60.0
GRACE_SECONDS = 20.0  # for the job at hand; one that is cut off is done at the next start
POLL_SECONDS = 0.2
PR_SET_PDEATHSIG = 1


class CannotRunError(Exception):
    """The service cannot go on; the text says why and what to do."""


def say(words: str) -> None:
    """Print at once, whatever the output is connected to."""
    print(words, flush=True)  # noqa: T201 - this is a command line program


@dataclass
class Child:
    """A process that belongs to this run, in a session of its own so that Ctrl-C is ours alone."""

    name: str
    command: list[str]
    environment: dict[str, str]
    lock: int
    process: subprocess.Popen[bytes] | None = None
    deaths: list[float] = field(default_factory=list)
    swept: bool = False

    def start(self) -> None:
        """Start it; it is told to stop when this process goes away for whatever reason."""
        self.swept = False
        self.process = subprocess.Popen(  # noqa: S603 - our own command line
            self.command,
            cwd=ROOT,
            env=self.environment,
            stdin=subprocess.DEVNULL,
            start_new_session=True,
            pass_fds=(self.lock,),
            preexec_fn=_die_with_parent,  # safe: no thread runs when we fork
        )

    def exit_code(self) -> int | None:
        """Return how it ended, or None while it runs. What it left running is ended then."""
        code = self.process.poll() if self.process else None
        if code is not None and not self.swept:
            self.swept = True
            self._kill_group()
        return code

    def signal(self, number: signal.Signals) -> None:
        """Send a signal: SIGKILL to all of its processes, any other to the one that leads them."""
        if self.process is None or self.exit_code() is not None:
            return
        if number is signal.SIGKILL:
            self._kill_group()
        else:
            self.process.send_signal(number)

    def _kill_group(self) -> None:
        assert self.process is not None
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self.process.pid, signal.SIGKILL)


def _die_with_parent() -> None:
    ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGTERM)


class Stop:
    """Whether somebody asked the run to end, and how often."""

    def __init__(self) -> None:
        self.asked = threading.Event()
        self.times = 0
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(number, self._on_signal)

    def _on_signal(self, _number: int, _frame: object) -> None:
        self.times += 1
        self.asked.set()


class StoppedError(Exception):
    """Somebody asked the run to end before it was up."""


@contextlib.contextmanager
def claimed(data: Path, note: str) -> Iterator[int]:
    """Hold the data folder for this run; refuse when another run holds it."""
    data.mkdir(parents=True, exist_ok=True)
    with (data / "running.lock").open("a+", encoding="utf-8") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise CannotRunError(_already_running(lock, data)) from None
        lock.truncate(0)
        lock.write(f"process {os.getpid()}, {note}")
        lock.flush()
        yield lock.fileno()
        lock.truncate(0)


def _already_running(lock: TextIO, data: Path) -> str:
    lock.seek(0)
    owner = lock.read().strip() or "about to end"
    return (
        f"Swathbook is already running on the data folder {data} ({owner}).\n"
        "Use that one, or stop it first, or name another folder: SWATHBOOK_DATA=/path deploy/run"
    )


def wait_until(
    answers: Callable[[], bool], child: Child, stop: Stop, seconds: float = READY_SECONDS
) -> None:
    """Wait until a child answers. Raises when it ends, takes too long, or we are told to stop."""
    deadline = time.monotonic() + seconds
    while not answers():
        if stop.asked.wait(POLL_SECONDS):
            raise StoppedError
        if (code := child.exit_code()) is not None:
            raise CannotRunError(f"The {child.name} ended while starting (exit code {code}).")
        if time.monotonic() > deadline:
            raise CannotRunError(f"The {child.name} did not answer within {seconds:.0f} s.")


def stop_all(children: list[Child], stop: Stop) -> None:
    """End the children: politely first, by force after the grace period or when asked again."""
    asked_before = stop.times
    deadline = time.monotonic() + GRACE_SECONDS
    for child in children:
        child.signal(signal.SIGTERM)
    while any(child.process and child.exit_code() is None for child in children):
        if time.monotonic() > deadline or stop.times > asked_before:
            for child in children:
                child.signal(signal.SIGKILL)
        time.sleep(POLL_SECONDS / 4)
