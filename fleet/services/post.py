"""Handing a job's letter to the mail server: lost rather than sent twice.

The letter is committed to the job before the server gets it. An attempt that finds one there does
not send again but notes that nobody knows whether it arrived.
"""

from __future__ import annotations

import logging
import smtplib
from dataclasses import asdict
from typing import Any

from django.core.mail import get_connection
from django.db.models.functions import Now

from fleet import jobs
from fleet.models import Job, JobState
from fleet.services.reminder_letters import Letter

logger = logging.getLogger(__name__)

PAUSE_S = 900.0

SILENT = "The mail server does not answer or lets nobody in; tried again in a while."
LATER = "The mail server asks to be tried again later: {says}"
REFUSED = "The mail server refused the letter: {says}"
UNKNOWN = (
    "The work broke off while the letter was handed to the mail server. Whether it arrived is not "
    "known; it is not sent again, so that nobody gets it twice."
)


def handed_over_before(job: Job) -> bool:
    """Whether an earlier attempt got as far as the mail server."""
    return bool(job.parameters.get("letter"))


def wait_for_the_server(job: Job) -> None:
    """Raise TryLater while another letter found the server silent just now.

    One finger on the bell is enough.
    """
    resting = Job.objects.filter(state=JobState.QUEUED, words=SILENT, lease_until__gt=Now())
    if resting.exclude(pk=job.pk).exists():
        raise jobs.TryLater(SILENT, pause_s=PAUSE_S)


def hand_over(job: Job, letter: Letter, **remembered: Any) -> None:
    """Give a letter to the mail server; it and what is `remembered` stay in the job.

    Raises TryLater or JobRefused when it certainly was not taken. Any other trouble on the way is
    raised as it is and leaves the letter in the job, as one that may have arrived.
    """
    message = letter.message()
    try:
        message.message().as_bytes()  # an address that no header can hold is found here
    except ValueError as error:
        raise jobs.JobRefused(f"{letter.email} is no address a letter can go to.") from error
    connection = get_connection()
    try:
        connection.open()
    except (OSError, smtplib.SMTPException) as trouble:
        logger.warning("The mail server cannot be reached (%s).", trouble)
        raise jobs.TryLater(SILENT, pause_s=PAUSE_S) from trouble
    try:
        jobs.remember(job, letter=asdict(letter), **remembered)
        try:
            connection.send_messages([message])
        except (smtplib.SMTPResponseException, smtplib.SMTPRecipientsRefused) as refusal:
            jobs.remember(job, letter=None, **dict.fromkeys(remembered))
            code, says = _answer(refusal)
            if code < 500:
                raise jobs.TryLater(LATER.format(says=says), pause_s=PAUSE_S) from refusal
            raise jobs.JobRefused(REFUSED.format(says=says)) from refusal
    finally:
        _close(connection)


def note_doubt(job: Job) -> None:
    """Write down that nobody knows whether the letter of a job arrived."""
    Job.objects.filter(pk=job.pk).update(reason=UNKNOWN)


def _close(connection: Any) -> None:
    try:
        connection.close()
    except (OSError, smtplib.SMTPException) as trouble:  # the letter is taken, or not, by now
        logger.warning("The mail server did not say goodbye (%s).", trouble)


def _answer(
    refusal: smtplib.SMTPResponseException | smtplib.SMTPRecipientsRefused,
) -> tuple[int, str]:
    """Return the server's code and words (RFC 5321, section 4.2: 4yz passes, 5yz stays)."""
    if isinstance(refusal, smtplib.SMTPRecipientsRefused):
        code, said = next(iter(refusal.recipients.values()), (550, b""))
    else:
        code, said = refusal.smtp_code, refusal.smtp_error  # type: ignore[assignment]
    words = said.decode("utf-8", "replace") if isinstance(said, bytes) else str(said)
    return code, f"{code} {' '.join(words.split())}"
