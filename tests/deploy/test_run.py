"""`deploy/run` as somebody uses it: real processes on a data folder of their own.

What `deploy/setup` does before is tried in test_scripts.py; here its environment is this one.
"""

from __future__ import annotations

import contextlib
import http.client
import os
import re
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from http.cookies import SimpleCookie
from pathlib import Path
from urllib.parse import urlencode

import pytest

ROOT = Path(__file__).resolve().parents[2]
PATIENCE_SECONDS = 300.0  # a busy machine is no fault


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def wait_for(happened: Callable[[], bool], what: str) -> None:
    deadline = time.monotonic() + PATIENCE_SECONDS
    while not happened():
        assert time.monotonic() < deadline, f"waited in vain for: {what}"
        time.sleep(0.05)


class Run:
    """One `deploy/run` with its output, and what it started."""

    def __init__(self, folder: Path, *options: str) -> None:
        self.data = folder / "data"
        self.port = free_port()
        self.output = folder / f"output-{self.port}"
        kept = {name: os.environ[name] for name in ("PATH", "HOME") if name in os.environ}
        with self.output.open("w") as output:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "deploy.supervise", "--port", str(self.port), *options],
                cwd=ROOT,
                env={**kept, "SWATHBOOK_DATA": str(self.data)},
                stdout=output,
                stderr=subprocess.STDOUT,
            )

    @property
    def words(self) -> str:
        return self.output.read_text()

    def says(self, words: str) -> None:
        def said() -> bool:
            assert self.process.poll() is None or words in self.words, self.words
            return words in self.words

        wait_for(said, words)

    def ends(self) -> int:
        return self.process.wait(timeout=PATIENCE_SECONDS)

    def started(self) -> dict[int, str]:
        """Process number and command line of everything that works on this data folder."""
        mark = f"SWATHBOOK_DATA={self.data}".encode()
        found = {}
        for place in Path("/proc").iterdir():
            with contextlib.suppress(OSError):
                if place.name.isdigit() and mark in (place / "environ").read_bytes().split(b"\0"):
                    command = (place / "cmdline").read_bytes().replace(b"\0", b" ").decode()
                    found[int(place.name)] = command
        found.pop(self.process.pid, None)
        return found

    def leader(self, what: str) -> int:
        """The process number of the web server or the worker itself, not of its children."""
        for pid in self.started():
            stat = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
            if int(stat[1]) == self.process.pid and what in self.started()[pid]:
                return pid
        raise AssertionError(f"no {what} among {self.started()}")

    def get(
        self, path: str, cookies: str = "", form: dict[str, str] | None = None
    ) -> tuple[http.client.HTTPResponse, str]:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        headers = {"Cookie": cookies}
        if form is None:
            connection.request("GET", path, headers=headers)
        else:
            headers["Content-Type"] = "application/x-www-form-urlencoded"
            connection.request("POST", path, urlencode(form), headers)
        answer = connection.getresponse()
        return answer, answer.read().decode()


@pytest.fixture(scope="module")
def without_demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder whose data the first run on it gets ready; later ones are up in a moment."""
    return tmp_path_factory.mktemp("without_demo")


@pytest.fixture
def start(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Callable[..., Run]]:
    """Start runs; those with `--no-demo` all on one folder."""
    runs: list[Run] = []

    def make(*options: str) -> Run:
        shared = "--no-demo" in options
        folder = request.getfixturevalue("without_demo") if shared else tmp_path
        runs.append(Run(folder, *options))
        return runs[-1]

    yield make
    for run in runs:
        if run.process.poll() is None:
            run.process.kill()
            run.process.wait()
        for pid in run.started():
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)


READY = "Ctrl-C stops it."


def test_serves_the_demo_and_ends_on_ctrl_c(start: Callable[..., Run]) -> None:
    run = start()
    run.says(READY)
    assert f"http://127.0.0.1:{run.port}/" in run.words
    with contextlib.closing(sqlite3.connect(run.data / "swathbook.sqlite3")) as database:
        assert database.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    for kept in ("", "swathbook.sqlite3", "kept"):
        assert (run.data / kept).stat().st_mode & 0o077 == 0, "others on this machine may look in"

    printed = re.findall(r"^  (\w+) +(\S+@\S+\.example) +password (\S+)$", run.words, re.M)
    assert {role for role, _, _ in printed} == {"staff", "analyst", "owner", "pilot"}
    for _, email, password in printed:
        assert signs_in(run, email, password), email
    assert not signs_in(run, printed[0][1], "not-the-password")

    run.process.send_signal(signal.SIGINT)
    assert run.ends() == 0, run.words
    assert run.words.endswith("Stopped.\n")
    assert run.started() == {}


def signs_in(run: Run, email: str, password: str) -> bool:
    """Whether the sign-in page of a running service takes an address and a password."""
    answer, page = run.get("/")
    where = answer.getheader("Location", "/").split("?")[0]
    answer, page = run.get(where)
    cookies = SimpleCookie(answer.getheader("Set-Cookie", ""))
    token = re.search(r'name="csrfmiddlewaretoken" value="([^"]+)"', page)
    assert token, page
    form = {"csrfmiddlewaretoken": token[1], "username": email, "password": password}
    answer, _ = run.get(where, f"csrftoken={cookies['csrftoken'].value}", form)
    return answer.status == 302 and "sessionid" in (answer.getheader("Set-Cookie") or "")


def test_a_second_run_is_refused_and_nothing_outlives_one_that_is_killed(
    start: Callable[..., Run],
) -> None:
    run = start("--no-demo")
    run.says(READY)
    assert "password" not in run.words

    second = start("--no-demo")  # the same data folder
    assert second.ends() == 1
    assert "already running" in second.words
    assert f"http://127.0.0.1:{run.port}/" in second.words
    assert run.get("/")[0].status == 302

    run.process.send_signal(signal.SIGTERM)
    assert run.ends() == 0
    third = start("--no-demo")  # and afterwards the folder is free again
    third.says(READY)
    assert third.started() != {}
    third.process.kill()
    third.ends()
    wait_for(lambda: third.started() == {}, "the end of what it started")


def test_a_worker_that_dies_is_started_again_and_a_web_server_ends_the_run(
    start: Callable[..., Run],
) -> None:
    run = start("--no-demo")
    run.says(READY)
    dead = run.leader("deploy.worker")
    os.kill(dead, signal.SIGKILL)
    run.says("starting it again")
    wait_for(
        lambda: (
            (run.data / "worker.alive").exists()
            and (run.data / "worker.alive").read_text().strip() != str(dead)
        ),
        "a sign of life of another worker",
    )
    assert run.process.poll() is None
    assert run.get("/")[0].status == 302

    os.kill(run.leader("gunicorn"), signal.SIGKILL)
    assert run.ends() == 1
    assert "The web server ended by itself" in run.words
    assert run.started() == {}


def test_a_port_in_use_is_named_and_nothing_is_started(
    start: Callable[..., Run], tmp_path: Path
) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        run = start("--port", str(port))
        assert run.ends() == 1
    assert f"port {port}: Address already in use" in run.words
    assert "--port" in run.words
    assert not (tmp_path / "data" / "swathbook.sqlite3").exists()


def test_the_main_job_without_a_browser(start: Callable[..., Run], tmp_path: Path) -> None:
    report = tmp_path / "reports" / "test.pdf"
    run = start("--once", "--out", str(report))
    assert run.ends() == 0, run.words
    assert report.read_bytes().startswith(b"%PDF-")
    assert run.words.count(".csv") >= 3
    for manner in ("one way", "back and forth"):
        assert re.search(rf"^  {manner} +[\d.]+ (ft|m)  CV [\d.]+ %", run.words, re.M), run.words
    assert "Findings" in run.words
    assert f"Report: {report}" in run.words
    assert run.started() == {}
    assert list(run.data.glob("once-*")) == []


@pytest.mark.parametrize(
    ("options", "complaint"),
    [
        (["--port", "0"], "from 1 to 65535"),
        (["--out", "x.pdf"], "--once"),
        (["--onec"], "--onec"),
    ],
)
def test_wrong_options_are_refused(
    start: Callable[..., Run], options: list[str], complaint: str
) -> None:
    run = start(*options)
    assert run.ends() == 2
    assert complaint in run.words
