"""Starts a worker: `python -m deploy.worker`.

It stops on SIGTERM after the jobs at hand; killed in whatever way, its jobs are done again by the
next one. Readiness: `deploy.alive.worker_answers(data_folder, pid)`.
"""

from __future__ import annotations

import sys
import warnings
from uuid import uuid4

# Talk among workers, which nobody here listens to.
SILENT = ("--without-gossip", "--without-mingle", "--without-heartbeat")


def worker_command() -> list[str]:
    """Return the command line that starts a worker; run it in the checkout."""
    return [sys.executable, "-m", "deploy.worker"]


def main() -> None:
    """Run a worker in this process until it is told to stop."""
    from celery.platforms import SecurityWarning  # noqa: PLC0415
    from django.conf import settings  # noqa: PLC0415

    from deploy.celery import app  # noqa: PLC0415 -- who only wants the command needs no Celery

    # It warns of running as root because it could be told to unpickle; here it takes JSON only.
    warnings.filterwarnings("ignore", category=SecurityWarning)
    name = f"--hostname=swathbook-{uuid4().hex[:8]}@%h"
    # Over a broker the clock is Celery beat's, inside the worker: several workers mean several
    # beats, which ask for the same, and it is done once. Embedded it is the feeder's.
    beat = ["--beat"] if settings.CELERY_BROKER_URL else []
    # Processes, not threads: an analysis holds the interpreter, and a child that a library takes
    # down takes one job with it. In a trial threads did no more jobs a second.
    app.worker_main(
        ["--quiet", "worker", "--loglevel=WARNING", "--pool=prefork", name, *beat, *SILENT]
    )


if __name__ == "__main__":
    main()
