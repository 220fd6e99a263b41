"""Kinds of job for the tests of the engine: one that takes a moment, one that kills its worker."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable

from django.apps import AppConfig


class KindsConfig(AppConfig):
    """Makes the kinds known to a real worker process."""

    name = "tests.deploy.kinds"
    label = "test_kinds"

    def ready(self) -> None:
        register()


def register() -> None:
    """Register both kinds, in a worker or in the test process."""
    from fleet import audit, jobs

    @jobs.handler("test_sleep")
    def sleep(job: jobs.Job, progress: jobs.Progress) -> Callable[[], None]:
        progress(0.5, "Half way")
        until = time.monotonic() + job.parameters["seconds"]
        while time.monotonic() < until:
            time.sleep(0.02)
        # The result is a row of a write-once table: done twice it would be there twice.
        return lambda: _result(job)

    def _result(job: jobs.Job) -> None:
        audit.record("analysis_finished", job, by=None, operator=None)

    @jobs.handler("test_poison")
    def poison(job: jobs.Job, progress: jobs.Progress) -> Callable[[], None]:
        progress(0.5, "About to take the worker down")
        os.kill(os.getpid(), signal.SIGKILL)
        raise AssertionError("nobody survives this")
