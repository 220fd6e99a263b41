"""The one task that a worker knows: do the job with this key."""

from __future__ import annotations

import logging
from uuid import UUID

from celery import shared_task

from fleet import audit, jobs
from fleet.services import analyses, cards, hooks  # noqa: F401 -- each registers its kind of job

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


run_job = shared_task(name="fleet.run_job", ignore_result=True)(_run_job)
