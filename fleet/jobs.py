"""Work for the background: saved with the deed, hinted at on commit, done exactly once.

The row is the truth and whatever carries the hint is not: a hint may be lost, repeated or late.

* `enqueue` saves the row in the caller's transaction and sends the hint after its commit.
* `claim` takes a job by one conditional UPDATE, which gives it a token, a lease and an attempt.
* `run` claims, works outside any transaction while a thread renews the lease, and stores the
  result in the same transaction as the `done`, which only the holder of the token can write.
  Whoever lost the lease in between (a sleeping machine, a killed process that was none) writes
  nothing.
* `take_due` tells a sweeper which jobs need a (new) hint, `give_up_on_worn_out` ends the jobs
  that took their worker down with them time and again.

All moments are read from the clock of the database, so workers on several machines agree.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping
from datetime import timedelta
from functools import partial
from typing import Any
from uuid import UUID, uuid4

from django.conf import settings
from django.db import InterfaceError, OperationalError, connection, connections, models, transaction
from django.db.models import F, Q, QuerySet
from django.db.models.expressions import Combinable
from django.db.models.functions import Now
from django.utils.module_loading import import_string

from fleet import tenancy
from fleet.models import Job, JobState, Operator, Person
from patterns.errors import PatternError

logger = logging.getLogger(__name__)

OPEN = (JobState.QUEUED, JobState.RUNNING)
WORDS_LENGTH = 200

Store = Callable[[], None]
Handler = Callable[[Job, "Progress"], Store]

_handlers: dict[str, Handler] = {}


class JobRefused(Exception):  # noqa: N818 -- a verdict, not a fault
    """The work cannot be done, for a reason told in the user's words. It is not tried again."""


class TryLater(Exception):  # noqa: N818 -- a verdict, not a fault
    """Not now, for a reason that lies elsewhere and will pass, told in the user's words.

    The job rests for `pause_s` seconds and is taken up again; it does not count as an attempt.
    """

    def __init__(self, words: str, *, pause_s: float) -> None:
        super().__init__(words)
        self.pause_s = pause_s


class LeaseLostError(Exception):
    """Somebody else has the job by now; what was worked out here must not be written."""


class UnknownKindError(LookupError):
    """A kind of job that nobody has registered a handler for."""


# One retry policy for every kind of job:
#   VERDICTS  end it as failed, with their own words; doing it again would give the same.
#   PASSING   are troubles of the surroundings: tried again, one line in the log.
#   the rest  are faults of ours: tried again all the same, with the traceback in the log.
# Tried again means queued with a growing pause, until JOB_MAX_ATTEMPTS; then it is crashed.
VERDICTS = (JobRefused, PatternError)
PASSING = (OperationalError, InterfaceError, ConnectionError, TimeoutError)

REASON_PASSING = "The database or the network did not answer. Please ask for it again."
REASON_FAULT = (
    "Something went wrong on our side {times}. It has been noted in the service's log; "
    "please ask for it again, and tell the association if it happens again."
)
REASON_WORN_OUT = "The worker stopped {times} while doing this."
REASON_MIXED = "It was tried {times}; each time it broke down or the worker stopped."
WORDS_AGAIN = "Something went wrong; it will be tried again shortly"


# --- Asking for work ------------------------------------------------------------------------------


def handler(kind: str) -> Callable[[Handler], Handler]:
    """Register the function below as the one that does jobs of `kind`.

    It gets the job and its `Progress`, works outside any transaction, and returns a function that
    stores the result; that function is called inside the transaction that ends the job.
    """

    def register(function: Handler) -> Handler:
        _handlers[kind] = function
        return function

    return register


def _handler_of(kind: str) -> Handler:
    try:
        return _handlers[kind]
    except KeyError:
        known = ", ".join(sorted(_handlers)) or "none"
        raise UnknownKindError(f"No handler does jobs of kind {kind!r} (known: {known}).") from None


def enqueue(
    kind: str,
    *,
    subject: models.Model,
    operator: Operator | None,
    by: Person | None,
    parameters: Mapping[str, Any],
) -> Job:
    """Save a job within the caller's transaction and hint at it once that is committed.

    Raises UnknownKindError for a kind without a handler, before anything is saved.
    """
    _handler_of(kind)
    job: Job = Job.objects.create(
        kind=kind,
        subject_id=subject.pk,
        operator=operator,
        requested_by=by,
        parameters=dict(parameters),
    )
    transaction.on_commit(partial(_hint, job.pk), robust=True)
    return job


def enqueue_once(
    key: UUID,
    kind: str,
    *,
    subject_id: UUID,
    parameters: Mapping[str, Any],
) -> bool:
    """Save a job under a key that names its occasion, unless it is there; say whether it was saved.

    However often and from wherever it is asked for, there is one job for the occasion. It belongs
    to no operator. Raises UnknownKindError as `enqueue` does.
    """
    _handler_of(kind)
    values = {"kind": kind, "subject_id": subject_id, "parameters": dict(parameters)}
    with transaction.atomic():
        job, saved = Job.objects.get_or_create(pk=key, defaults=values)
        if saved:
            transaction.on_commit(partial(_hint, job.pk), robust=True)
    return bool(saved)


def _hint(job_id: UUID) -> None:
    """Tell a worker. Whatever goes wrong here, the row stands and a sweeper will find it."""
    try:
        import_string(settings.JOB_HINT)(job_id)
    except Exception as trouble:
        logger.warning("No worker could be told about job %s (%s); it waits.", job_id, trouble)


# --- Taking and holding a job ---------------------------------------------------------------------


def _in(seconds: float) -> Combinable:
    return Now() + timedelta(seconds=seconds)


def _free() -> Q:
    """Open and held by nobody: never taken, its pause over, or its lease run out."""
    return Q(state__in=OPEN) & (Q(lease_until__isnull=True) | Q(lease_until__lte=Now()))


def _held(job: Job) -> QuerySet[Job]:
    """The row, as long as it is ours."""
    rows: QuerySet[Job] = Job.objects.filter(pk=job.pk, token=job.token, state=JobState.RUNNING)
    return rows


def claim(job_id: UUID) -> Job | None:
    """Take a job that nobody holds; None when it is held, ended, worn out or unknown."""
    token = uuid4()
    taken = Job.objects.filter(_free(), pk=job_id, attempts__lt=settings.JOB_MAX_ATTEMPTS).update(
        state=JobState.RUNNING,
        token=token,
        lease_until=_in(settings.JOB_LEASE_SECONDS),
        attempts=F("attempts") + 1,
        started_at=Now(),
        share=0.0,
        words="",
    )
    if not taken:
        return None
    # Filtered by the token again: on a very slow machine the lease may have run out since.
    claimed: Job | None = (
        Job.objects.select_related("operator", "requested_by")
        .filter(pk=job_id, token=token)
        .first()
    )
    return claimed


class Progress:
    """How far a job is, told to the person who waits. Telling it renews the lease."""

    def __init__(self, job: Job) -> None:
        self._job = job

    def __call__(self, share: float, words: str) -> None:
        """Say that `share` (0 to 1) is done, and what is being done in at most 200 characters.

        Raises LeaseLostError when the job is no longer ours: there is no use in going on.
        """
        told = _held(self._job).update(
            share=min(max(share, 0.0), 1.0),
            words=words[:WORDS_LENGTH],
            lease_until=_in(settings.JOB_LEASE_SECONDS),
        )
        if not told:
            raise LeaseLostError

    def stop_asked(self) -> bool:
        """Say whether somebody wants the best found so far, now. One query.

        Raises LeaseLostError when the job is no longer ours.
        """
        asked = _held(self._job).values_list("stop_asked_at", flat=True).first()
        if asked is None and not _held(self._job).exists():
            raise LeaseLostError
        return asked is not None


def ask_to_stop(job: Job) -> bool:
    """Ask an open job to stop and give the best so far; say whether it was asked only now.

    Only a kind of job that looks at `Progress.stop_asked` does.
    """
    still = Job.objects.filter(pk=job.pk, state__in=OPEN, stop_asked_at__isnull=True)
    return bool(still.update(stop_asked_at=Now()))


def remember(job: Job, **values: Any) -> None:
    """Put values into the parameters of a job that is ours, at once and for every later attempt.

    Raises LeaseLostError when it is no longer ours.
    """
    parameters = {**job.parameters, **values}
    if not _held(job).update(parameters=parameters):
        raise LeaseLostError
    job.parameters = parameters


class _Heartbeat(threading.Thread):
    """Renews the lease three times in its length, on a connection of its own."""

    def __init__(self, job: Job) -> None:
        super().__init__(name=f"heartbeat-{job.pk}", daemon=True)
        self._job = job
        self._over = threading.Event()

    def __enter__(self) -> None:
        self.start()

    def __exit__(self, *raised: object) -> None:
        self._over.set()
        self.join()

    def run(self) -> None:
        """Beat until the work is over or the job is somebody else's."""
        while not self._over.wait(settings.JOB_LEASE_SECONDS / 3):
            try:
                with tenancy.everyone():
                    held = _held(self._job).update(lease_until=_in(settings.JOB_LEASE_SECONDS))
                if not held:
                    return
            except PASSING as trouble:
                logger.warning("Lease of job %s not renewed (%s).", self._job.pk, trouble)
            finally:
                connections.close_all()


# --- Doing it -------------------------------------------------------------------------------------


def run(job_id: UUID) -> None:
    """Do a job if nobody else does, and write down how it ended.

    Never raises for what happens in the job itself. Trouble with writing it down is raised; the
    lease then runs out and the job is done again.
    """
    with tenancy.everyone():
        job = claim(job_id)
        if job is None:
            logger.info("Job %s is held, ended or resting; nothing to do.", job_id)
            return
        try:
            with _Heartbeat(job):
                store = _handler_of(job.kind)(job, Progress(job))
            _finish(job, store)
        except LeaseLostError:
            logger.warning("Job %s was taken over by another worker; nothing written.", job_id)
        except VERDICTS as verdict:
            _end(job, JobState.FAILED, str(verdict))
        except TryLater as wait:
            _rest(job, wait)
        except Exception as fault:
            _again(job, fault)


def _finish(job: Job, store: Store) -> None:
    with transaction.atomic():
        # First the fence, then the result: from here on the row is locked until the commit.
        ours = _held(job).update(
            state=JobState.DONE, share=1.0, words="", reason="", lease_until=None, ended_at=Now()
        )
        if not ours:
            raise LeaseLostError
        store()


def _end(job: Job, state: JobState, reason: str) -> None:
    _refresh_connection()
    _held(job).update(state=state, reason=reason, words="", lease_until=None, ended_at=Now())


def _refresh_connection() -> None:
    """Let go of a connection that a fault broke, unless somebody's transaction is open on it."""
    if not connection.in_atomic_block:
        connection.close_if_unusable_or_obsolete()


def _again(job: Job, fault: Exception) -> None:
    """Queue a job for another attempt after a pause, or end it when there were enough."""
    if isinstance(fault, PASSING):
        logger.warning("Job %s, attempt %d: %s", job.pk, job.attempts, fault)
        reason = REASON_PASSING
    else:
        logger.error("Job %s, attempt %d", job.pk, job.attempts, exc_info=fault)
        reason = REASON_FAULT.format(times=_times(job.attempts))
    if job.attempts >= settings.JOB_MAX_ATTEMPTS:
        _end(job, JobState.CRASHED, reason)
        return
    _refresh_connection()
    # For a queued row the lease is the pause: nobody may take it before.
    _held(job).update(
        state=JobState.QUEUED,
        lease_until=_in(pause_s(job.attempts)),
        share=0.0,
        words=WORDS_AGAIN,
        reason=reason,  # kept until the job ends, so that the end can tell what went before
    )


def _rest(job: Job, wait: TryLater) -> None:
    _refresh_connection()
    _held(job).update(
        state=JobState.QUEUED,
        lease_until=_in(wait.pause_s),
        attempts=F("attempts") - 1,
        share=0.0,
        words=str(wait)[:WORDS_LENGTH],
        reason=str(wait),
    )


def pause_s(attempts: int) -> float:
    """Return the pause after an attempt that broke down: a third of the lease, doubling. [s]"""
    pause: float = settings.JOB_LEASE_SECONDS / 3 * 2 ** (attempts - 1)
    return pause


def _times(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


# --- Sweeping -------------------------------------------------------------------------------------


def take_due(limit: int, *, unhinted_s: float, stale_s: float) -> list[UUID]:
    """Return up to `limit` jobs that a worker must be told about now, oldest first.

    That is: free to be taken, and by a sweeper either never hinted at (and older than
    `unhinted_s`), or hinted at before its lease or pause ran out, or more than `stale_s` ago.
    Each is marked as hinted at, so several sweepers share them out among themselves.
    """
    hint_is_void = (
        Q(hinted_at__isnull=True, created_at__lte=_in(-unhinted_s))
        | Q(hinted_at__lt=F("lease_until"))
        | Q(hinted_at__lte=_in(-stale_s))
    )
    due = Job.objects.filter(_free(), hint_is_void, attempts__lt=settings.JOB_MAX_ATTEMPTS)
    seen = list(due.order_by("created_at", "id").values_list("pk", flat=True)[: max(limit, 0)])
    if not seen:  # the usual case, which must not ask for the write lock
        return []
    with transaction.atomic():
        return [job_id for job_id in seen if due.filter(pk=job_id).update(hinted_at=Now())]


def forget_hints(job_ids: list[UUID] | None = None) -> None:
    """Call the sweepers' hints at these jobs lost (at all that wait, when none are named)."""
    hinted = Job.objects.filter(state__in=OPEN, hinted_at__isnull=False)
    if job_ids is not None:
        hinted = hinted.filter(pk__in=job_ids)
    hinted.update(hinted_at=None)


def give_up_on_worn_out() -> None:
    """End the jobs whose last allowed attempt ended with a worker that fell silent."""
    worn_out = Job.objects.filter(_free(), attempts__gte=settings.JOB_MAX_ATTEMPTS)
    for job_id, attempts, before in list(worn_out.values_list("pk", "attempts", "reason")):
        reason = REASON_MIXED if before else REASON_WORN_OUT
        ended = worn_out.filter(pk=job_id).update(
            state=JobState.CRASHED,
            reason=reason.format(times=_times(attempts)),
            words="",
            lease_until=None,
            ended_at=Now(),
        )
        if ended:
            logger.error("Job %s was given up: its worker fell silent.", job_id)
