"""Celery, which runs the jobs. The rows are the truth; whatever Celery carries is a hint.

Embedded (no CELERY_BROKER_URL): the broker is `memory://` inside the worker process, and the
worker's feeder fills it from the rows. With CELERY_BROKER_URL the same task and the same feeder
work over Redis, where the feeder only sends again what got lost.
The worker is started by `python -m deploy.worker`.
"""

from __future__ import annotations

import os
from typing import Any
from uuid import UUID

from celery import Celery, signals

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "deploy.settings")

QUEUE = "swathbook"
MEMORY = "memory://localhost/"
LONGEST_JOB_SECONDS = 600
# How often Celery beat looks whether the reminders of the day are to be asked for.
CLOCK_SECONDS = 10.0
# A child is replaced now and then, so that what a library leaks is given back.
JOBS_PER_CHILD = 200
# A hint over the broker: one quick try and one more on a fresh connection, never a storm.
PUBLISH = {"max_retries": 1, "interval_start": 0, "interval_step": 0, "interval_max": 0}


def configuration(broker_url: str, processes: int) -> dict[str, Any]:
    """Return Celery's settings for a broker, or for the embedded default when it is empty."""
    settings: dict[str, Any] = {
        "broker_url": broker_url or MEMORY,
        "task_default_queue": QUEUE,
        "task_ignore_result": True,
        "task_acks_late": True,
        "task_reject_on_worker_lost": True,
        "task_time_limit": LONGEST_JOB_SECONDS,
        "task_publish_retry_policy": PUBLISH,
        "accept_content": ["json"],
        "timezone": "UTC",
        "broker_connection_timeout": 2,
        "broker_connection_retry_on_startup": True,
        "broker_connection_max_retries": None,  # a worker waits for its broker as long as it takes
        "worker_cancel_long_running_tasks_on_connection_loss": False,
        "worker_concurrency": processes,
        "worker_max_tasks_per_child": JOBS_PER_CHILD,
        "worker_proc_alive_timeout": 30,
        "worker_hijack_root_logger": False,
        "worker_redirect_stdouts": False,
    }
    return settings | (_redis() if broker_url else _embedded())


def _embedded() -> dict[str, Any]:
    return {
        "worker_prefetch_multiplier": 4,
        "worker_enable_remote_control": False,
        "broker_transport_options": {"polling_interval": 0.05},
    }


def _redis() -> dict[str, Any]:
    return {
        "worker_prefetch_multiplier": 1,
        # Often, and not at the hour itself: a beat that starts after the hour makes good for it,
        # and what was asked for before is not done again. Nothing is kept in a file, so that
        # several workers on a data folder may each have their beat.
        "beat_scheduler": "celery.beat:Scheduler",
        "beat_schedule": {
            "reminders": {
                "task": "fleet.send_reminders",
                "schedule": CLOCK_SECONDS,
                "options": {"expires": CLOCK_SECONDS},
            }
        },
        "broker_transport_options": {
            "visibility_timeout": LONGEST_JOB_SECONDS + 300,
            "unacked_restore_interval": 5,
            "unacked_restore_throttle": 1,
            "socket_connect_timeout": 2,
            "socket_timeout": 5,
            "socket_keepalive": True,
            **PUBLISH,
        },
    }


def make_app(broker_url: str, processes: int) -> Celery:
    """Return an app for a broker; the empty address stands for the embedded one."""
    made = Celery("swathbook", set_as_current=False)
    made.conf.update(configuration(broker_url, processes))
    return made


def _service_app() -> Celery:
    from django.conf import settings  # noqa: PLC0415 -- DJANGO_SETTINGS_MODULE is set above

    made = make_app(settings.CELERY_BROKER_URL, settings.WORKER_PROCESSES)
    made.set_default()
    made.autodiscover_tasks()
    return made


app = _service_app()


def send_hint(job_id: UUID) -> None:
    """Tell the workers about a job over the broker. Raises when the broker does not answer."""
    from fleet.tasks import run_job  # noqa: PLC0415 -- the apps are loaded only by now

    app.send_task(run_job.name, args=[str(job_id)], ignore_result=True)


# --- What lives and dies with the worker ----------------------------------------------------------

_feeders: list[Any] = []


def _load_engine(**_: Any) -> None:
    """Before the pool is forked, so that the children share what papers are set with."""
    import reports.pdf  # noqa: F401, PLC0415 -- slow to load, and only workers need it


def _make_feeder(sender: Any, **_: Any) -> None:
    """Before the pool is forked, so that the children inherit the way to wake the feeder."""
    from deploy.feeder import Feeder  # noqa: PLC0415 -- Django is set up only by now

    conf = sender.app.conf
    embedded = conf.broker_url == MEMORY
    _feeders.append(Feeder(sender.app, QUEUE, send_hint, embedded, conf.worker_concurrency))


def _start_feeder(sender: Any, **_: Any) -> None:
    for feeder in _feeders:
        feeder.watch(sender.pool._pool)
        feeder.start()


def _wake_feeder(**_: Any) -> None:
    for feeder in _feeders:
        feeder.job_ended()


def _stop_feeding(**_: Any) -> None:
    for feeder in _feeders:
        feeder.stop_soon()


def _stop_feeder(**_: Any) -> None:
    while _feeders:
        _feeders.pop().stop()


signals.worker_init.connect(_load_engine)
signals.worker_init.connect(_make_feeder)
signals.worker_ready.connect(_start_feeder)
signals.task_postrun.connect(_wake_feeder)
signals.worker_shutting_down.connect(_stop_feeding)
signals.worker_shutdown.connect(_stop_feeder)
