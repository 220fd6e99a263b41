"""What a worker is asked to do: the job with this key; and by the clock, the day's reminders
and filings, and what is no longer kept.
"""

from __future__ import annotations

import logging
from uuid import UUID

from celery import shared_task
from django.utils import timezone

from fleet import audit, jobs, tenancy
from fleet.services import (  # noqa: F401 -- each registers its kind of job
    analyses,
    cards,
    exports,
    filings,
    hooks,
    imports,
    place_letters,
    plans,
    reminders,
)

logger = logging.getLogger(__name__)


def _run_job(job_id: str) -> None:
    key = UUID(job_id)
    told = audit.request_id.set(key)  # one id for all audit rows of a job
    try:
        jobs.run(key)
    except jobs.PASSING as trouble:
        logger.warning("Job %s stays as it is (%s); a sweeper brings it back.", key, trouble)
    finally:
        audit.request_id.reset(told)


def _send_reminders() -> None:
    now = timezone.now()
    try:
        with tenancy.everyone():
            if reminders.is_time(now):
                filings.look_on(timezone.localdate(now))
                reminders.send_digests(timezone.localdate(now))
            exports.drop_expired()
    except jobs.PASSING as trouble:
        logger.warning("The reminders are asked for again in a while (%s).", trouble)


run_job = shared_task(name="fleet.run_job", ignore_result=True)(_run_job)
send_reminders = shared_task(name="fleet.send_reminders", ignore_result=True)(_send_reminders)
