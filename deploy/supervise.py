"""Run the service on one machine: get the data ready, start web server and worker, watch both.

`deploy/run` calls this in the environment that `deploy/setup` made. Nothing of the service itself
is loaded here, so this process stays small and cannot fall with it.
"""

from __future__ import annotations

import argparse
import http.client
import os
import shutil
import socket
import sys
import tempfile
import time
from pathlib import Path

from deploy import alive
from deploy.children import (
    POLL_SECONDS,
    ROOT,
    CannotRunError,
    Child,
    Stop,
    StoppedError,
    claimed,
    say,
    stop_all,
    wait_until,
)
from deploy.worker import worker_command

WORKER_RESTARTS = 3  # within RESTART_WINDOW_SECONDS; more often is a fault that a person must see
RESTART_WINDOW_SECONDS = 60.0
LOOPBACK = ("127.0.0.1", "localhost", "::1")


# --- What the run stands on ---------------------------------------------------------------------


def check_port(host: str, port: int) -> None:
    """Refuse an address that cannot be served, before anything is started."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except PermissionError:
            raise CannotRunError(
                f"Port {port} is the system's; name one above 1023: deploy/run --port 8080"
            ) from None
        except OSError as error:
            raise CannotRunError(
                f"Cannot serve on {host}, port {port}: {error.strerror}.\n"
                f"If another program uses the port, name a free one: deploy/run --port {port + 1}"
            ) from None


def environment_of(data: Path, host: str) -> dict[str, str]:
    """Return the environment of the children: as ours, with all they write kept in the data folder.

    Without HTTPS only where nothing leaves the machine: on the loopback address a browser would
    refuse to send a cookie marked for HTTPS, and nobody listens in between. Served on any other
    address the cookies ask for HTTPS unless SWATHBOOK_HTTPS=0 is set on purpose.
    """
    environment = dict(os.environ)
    environment.update(
        SWATHBOOK_DATA=str(data),
        XDG_CACHE_HOME=str(data / "cache"),  # the font cache of the PDF maker
        TMPDIR=str(data / "tmp"),
        DJANGO_SETTINGS_MODULE="deploy.settings",
    )
    if host in LOOPBACK:
        environment.setdefault("SWATHBOOK_HTTPS", "0")
    shutil.rmtree(data / "tmp", ignore_errors=True)
    (data / "tmp").mkdir(parents=True)
    return environment


def sign_ins_file(environment: dict[str, str]) -> Path:
    """Return where the preparation writes down who can sign in to the demo."""
    return Path(environment["TMPDIR"]) / "sign-ins"


def prepare(environment: dict[str, str], lock: int, stop: Stop, *, demo: bool) -> None:
    """Bring database and static files up to date, and the demo season in where it is wanted."""
    command = [sys.executable, "-m", "deploy.prepare"]
    command += ["--sign-ins", str(sign_ins_file(environment)), *(["--demo"] if demo else [])]
    child = Child("preparation", command, environment, lock)
    child.start()
    try:
        while (code := child.exit_code()) is None:
            if stop.asked.wait(POLL_SECONDS / 4):
                raise StoppedError
    finally:
        stop_all([child], stop)
    if code:
        raise CannotRunError("The data could not be made ready; see above.")


# --- Web server and worker ----------------------------------------------------------------------


def web_child(environment: dict[str, str], lock: int, host: str, port: int) -> Child:
    """Return the web server, not yet started."""
    address = f"[{host}]:{port}" if ":" in host else f"{host}:{port}"
    command = [sys.executable, "-m", "gunicorn", "-c", "deploy/gunicorn_conf.py", "--bind", address]
    return Child("web server", command, environment, lock)


def web_answers(environment: dict[str, str], host: str, port: int) -> bool:
    """Whether the web server answers a request with a page or a redirection."""
    name = environment.get("SWATHBOOK_HOSTS", "localhost").split(",")[0].strip().lstrip(".")
    target = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)  # noqa: S104 - only compared
    connection = http.client.HTTPConnection(target, port, timeout=5)
    try:
        connection.request("GET", "/", headers={"Host": name.replace("*", "localhost")})
        return connection.getresponse().status < 400
    except (OSError, http.client.HTTPException):
        return False
    finally:
        connection.close()


def worker_child(environment: dict[str, str], lock: int) -> Child:
    """Return the worker, not yet started."""
    return Child("worker", worker_command(), environment, lock)


def worker_answers(environment: dict[str, str], worker: Child) -> bool:
    """Whether this worker, not one before it, gave a sign of life just now."""
    pid = worker.process.pid if worker.process else None
    return alive.worker_answers(Path(environment["SWATHBOOK_DATA"]), pid)


def watch(web: Child, worker: Child, stop: Stop) -> None:
    """Stay until told to stop. A dead worker is started again, a dead web server ends the run."""
    while not stop.asked.wait(POLL_SECONDS):
        if (code := web.exit_code()) is not None:
            raise CannotRunError(f"The web server ended by itself (exit code {code}).")
        if (code := worker.exit_code()) is not None:
            revive(worker, code, stop)


def revive(worker: Child, code: int, stop: Stop) -> None:
    """Start the worker again after a pause, unless it dies again and again."""
    now = time.monotonic()
    worker.deaths = [at for at in worker.deaths if now - at < RESTART_WINDOW_SECONDS] + [now]
    if len(worker.deaths) > WORKER_RESTARTS:
        raise CannotRunError(
            f"The worker ended {len(worker.deaths)} times within a minute "
            f"(last exit code {code}); giving up. No job is lost: they wait for the next start."
        )
    pause = 2.0 ** (len(worker.deaths) - 1)
    say(f"The worker ended by itself (exit code {code}); starting it again in {pause:.0f} s.")
    if not stop.asked.wait(pause):
        worker.start()


# --- The two ways to run ------------------------------------------------------------------------


def announce(url: str, environment: dict[str, str], *, open_to_others: bool) -> None:
    """Say where it is, who can sign in, and how it ends."""
    say(f"\nSwathbook is at {url}   (data in {environment['SWATHBOOK_DATA']})")
    sign_ins = sign_ins_file(environment).read_text(encoding="utf-8")
    if sign_ins:
        say(f"\nSign in to the demo season, all of it invented, as\n{sign_ins.rstrip()}")
        if open_to_others:
            say("These passwords are public: whoever reaches this address can sign in with them.")
    if open_to_others and environment.get("SWATHBOOK_HTTPS") != "0":
        say("\nIt expects a proxy before it that speaks HTTPS; see README.md.")
    say("\nCtrl-C stops it.")


def serve(options: argparse.Namespace, data: Path, stop: Stop) -> int:
    """Run web server and worker until told to stop."""
    host, port = options.host, options.port
    url = f"http://{f'[{host}]' if ':' in host else host}:{port}/"
    with claimed(data, url) as lock:
        check_port(host, port)
        environment = environment_of(data, host)
        web, worker = web_child(environment, lock, host, port), worker_child(environment, lock)
        try:
            prepare(environment, lock, stop, demo=not options.no_demo)
            worker.start()
            web.start()
            wait_until(lambda: web_answers(environment, host, port), web, stop)
            wait_until(lambda: worker_answers(environment, worker), worker, stop)
            announce(url, environment, open_to_others=host not in LOOPBACK)
            watch(web, worker, stop)
        except StoppedError:
            pass
        finally:
            say("Stopping …")
            stop_all([web, worker], stop)
    say("Stopped.")
    return 0


def once(options: argparse.Namespace, data: Path, stop: Stop) -> int:
    """Do the main job without a browser, on a data folder of its own that goes afterwards."""
    data.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="once-", dir=data) as folder:
        own = Path(folder)
        with claimed(own, "deploy/run --once") as lock:
            environment = environment_of(own, "localhost")
            # Whatever this machine serves otherwise, this run has its own database and no broker.
            for name in ("DATABASE_URL", "CELERY_BROKER_URL"):
                environment.pop(name, None)
            environment["SWATHBOOK_REMIND_AT"] = "off"
            worker = worker_child(environment, lock)
            job = Child("main job", [sys.executable, "manage.py", "main_job"], environment, lock)
            job.command += (
                ["--out", str(as_called(options.out))]
                if options.out
                else ["--folder", str(data / "papers")]
            )
            try:
                prepare(environment, lock, stop, demo=True)
                worker.start()
                wait_until(lambda: worker_answers(environment, worker), worker, stop)
                job.start()
                return finished(job, worker, stop)
            except StoppedError:
                return 130
            finally:
                stop_all([job, worker], stop)


def finished(job: Child, worker: Child, stop: Stop) -> int:
    """Wait for the main job and return its exit code."""
    while (code := job.exit_code()) is None:
        if stop.asked.wait(POLL_SECONDS):
            raise StoppedError
        if (ended := worker.exit_code()) is not None:
            raise CannotRunError(f"The worker ended by itself (exit code {ended}).")
    return code


def options_from(arguments: list[str]) -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(
        prog="deploy/run", description="Start Swathbook on this machine; Ctrl-C stops it."
    )
    parser.add_argument("--host", default="127.0.0.1", help="address to serve on (127.0.0.1)")
    parser.add_argument("--port", type=int, default=8000, help="port to serve on (8000)")
    parser.add_argument("--no-demo", action="store_true", help="do not load the demo season")
    parser.add_argument(
        "--once", action="store_true",
        help="no browser: have one demo test analysed by a worker, print the result, "
        "write the report as PDF and end. Uses a data folder of its own, SQLite and no broker.",
    )  # fmt: skip
    parser.add_argument(
        "--out", type=Path, metavar="FILE",
        help="with --once: where the report goes (default: the folder papers of the data folder)",
    )  # fmt: skip
    options = parser.parse_args(arguments)
    if not 1 <= options.port <= 65535:
        parser.error("a port is a number from 1 to 65535")
    if options.out and not options.once:
        parser.error("--out goes with --once")
    return options


def as_called(path: Path) -> Path:
    """Return a path that somebody gave, counted from where `deploy/run` was called."""
    return (Path(os.environ.get("SWATHBOOK_CALLED_IN", ".")) / path).resolve()


def main(arguments: list[str]) -> int:
    """Run as asked; return the exit status."""
    options = options_from(arguments)
    data = as_called(Path(os.environ.get("SWATHBOOK_DATA") or ROOT / ".data"))
    os.umask(0o077)  # what is kept here is for nobody else on this machine
    stop = Stop()
    try:
        return once(options, data, stop) if options.once else serve(options, data, stop)
    except CannotRunError as error:
        sys.stderr.write(f"deploy/run: {error}\n")
        return 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
