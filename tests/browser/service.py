"""The real service for the browser: web server and worker as `deploy/run` starts them.

On a data folder and a port of their own, so that nothing is shared with the tests but the address.
"""

from __future__ import annotations

import fcntl
import json
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any
from uuid import UUID

from deploy import alive
from deploy.children import _die_with_parent
from patterns.analyse import Analysis
from patterns.document import from_document

ROOT = Path(__file__).resolve().parents[2]
READY_SECONDS = 90.0


class Service:
    """Prepared with the people and records of `tests.browser.play`, then started."""

    def __init__(self, folder: Path) -> None:
        self.data = folder / "data"
        self.data.mkdir()
        self.output = folder / "output"
        self.port = _free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        kept = {name: os.environ[name] for name in ("PATH", "HOME") if name in os.environ}
        self._environment = {
            **kept,
            "SWATHBOOK_DATA": str(self.data),
            "SWATHBOOK_HTTPS": "0",
            "SWATHBOOK_REMIND_AT": "off",  # the hour of the test run must not show on pages
            "DJANGO_SETTINGS_MODULE": "deploy.settings",
            "PYTHONUTF8": "1",
        }
        self._process: subprocess.Popen[bytes] | None = None

    def prepare(self, kept: Path) -> dict[str, Any]:
        """Migrate, collect static files, play the records, in one process; return their keys.

        The first of a test run that comes does it and leaves a copy in `kept`; the others wait for
        that and take it, each for a data folder of its own.
        """
        kept.mkdir(exist_ok=True)
        keys, data = kept / "keys.json", kept / "data"
        with (kept / "lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            if not keys.exists():
                said = self._run("tests.browser.play")
                shutil.copytree(self.data, data)
                keys.write_text(said)
            else:
                shutil.copytree(data, self.data, dirs_exist_ok=True)
        made: dict[str, Any] = json.loads(keys.read_text())
        return made

    def _run(self, module: str) -> str:
        done = subprocess.run(
            [sys.executable, "-m", module],
            cwd=ROOT,
            env=self._environment,
            capture_output=True,
            text=True,
            timeout=300,  # a busy machine is no fault
        )
        assert done.returncode == 0, f"{module}:\n{done.stdout}{done.stderr}"
        return done.stdout

    def start(self) -> None:
        """Start web server and worker and wait until both answer."""
        with self.output.open("wb") as output:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "deploy.supervise", "--no-demo", "--port", str(self.port)],
                cwd=ROOT,
                env=self._environment,
                stdin=subprocess.DEVNULL,
                stdout=output,
                stderr=subprocess.STDOUT,
                preexec_fn=_die_with_parent,  # also when the test run is ended by force
            )
        wait_for(lambda: self._says("Swathbook is at"), "the service", READY_SECONDS)

    def _says(self, words: str) -> bool:
        said = self.output.read_text(errors="replace")
        assert self._process is not None
        assert self._process.poll() is None, f"the service ended while starting:\n{said}"
        return words in said

    def stop(self) -> None:
        """Stop both as Ctrl-C does."""
        if self._process is None or self._process.poll() is not None:
            return
        self._process.send_signal(signal.SIGINT)
        try:
            self._process.wait(timeout=30)
        except subprocess.TimeoutExpired:
            self._process.send_signal(signal.SIGINT)  # at once, asked for a second time
            self._process.wait(timeout=30)

    @contextmanager
    def worker_standing_still(self) -> Iterator[Callable[[], None]]:
        """Halt the worker with its pool, as on a busy machine; call the value to let it go on."""
        leader = alive.seen(self.data)
        assert leader is not None, "no worker"
        going = False

        def go_on() -> None:
            nonlocal going
            if not going:
                os.killpg(leader, signal.SIGCONT)
            going = True

        os.killpg(leader, signal.SIGSTOP)
        try:
            yield go_on
        finally:
            go_on()

    def job(self, job_id: str) -> tuple[str, float, str]:
        """State, share and words of a job as they stand in the database."""
        row = self._row("SELECT state, share, words FROM fleet_job WHERE id = ?", job_id)
        return row[0], row[1], row[2]

    def analysis(self, analysis_id: str) -> Analysis:
        """Return the result as it is stored."""
        row = self._row("SELECT document FROM fleet_analysisrun WHERE id = ?", analysis_id)
        return from_document(json.loads(row[0]))

    def _row(self, question: str, key: str) -> tuple[Any, ...]:
        place = f"file:{self.data / 'swathbook.sqlite3'}?mode=ro"
        with closing(sqlite3.connect(place, uri=True, timeout=20)) as database:
            row: tuple[Any, ...] | None = database.execute(question, [UUID(key).hex]).fetchone()
        assert row is not None, f"no row {key}"
        return row


def wait_for(happened: Callable[[], bool], what: str, seconds: float, pause: float = 0.05) -> None:
    """Wait until something has happened; fail with its name when it does not."""
    deadline = time.monotonic() + seconds
    while not happened():
        assert time.monotonic() < deadline, f"waited in vain for: {what}"
        time.sleep(pause)


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port
