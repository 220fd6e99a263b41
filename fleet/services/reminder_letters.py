"""What a digest says, its headers, and the link that stops all reminders.

Plain text only: it reads the same everywhere, and there is nothing in it that loads or counts.

The link's token is signed, does not expire, and needs no sign-in (RFC 8058, section 3.1: the URI
holds all that is needed and is hard to forge). It names the row of the person's choice; taking
reminders up again makes a new row, so links in older letters do nothing from then on.
"""

from __future__ import annotations

import base64
import binascii
import datetime
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from urllib.parse import urlsplit
from uuid import UUID

from django.conf import settings
from django.core.mail import EmailMessage
from django.core.signing import BadSignature, Signer
from django.urls import reverse

from fleet.models import Person, ReminderChoice, ReminderKind
from fleet.queries.reminders import Reason, said

MOST_LINES = 40  # of one kind; a long list is read on the page
HEADINGS: dict[str, str] = {
    ReminderKind.OVERDUE: "Overdue",
    ReminderKind.SETUP: "Approval ended, set-up changed",
    ReminderKind.DUE_SOON: "Due soon",
    ReminderKind.VISIT: "Visit tomorrow",
    ReminderKind.PAPER: "Paper missing",
}
PAGES: dict[str, str] = {ReminderKind.VISIT: "visits"}  # all others are on the page Due
_SIGNER = Signer(salt="fleet.reminders.stop")


@dataclass(frozen=True, slots=True)
class Letter:
    """A digest as it is handed to the mail server."""

    email: str
    subject: str
    body: str
    message_id: str
    stop_address: str

    def message(self) -> EmailMessage:
        """Return it with its headers.

        One-click unsubscribing needs an HTTPS address (RFC 8058, section 3.1); without one the
        header that announces it is left out and the plain link stays (RFC 2369, section 3.2).
        """
        headers = {
            "Message-ID": self.message_id,
            "Auto-Submitted": "auto-generated",  # RFC 3834, section 5: no robot answers it
            "List-Unsubscribe": f"<{self.stop_address}>",
        }
        if self.stop_address.startswith("https://"):
            headers["List-Unsubscribe-Post"] = "List-Unsubscribe=One-Click"
        return EmailMessage(self.subject, self.body, to=[self.email], headers=headers)


def compose(
    person: Person, choice: ReminderChoice, reasons: Sequence[Reason], day: datetime.date, key: UUID
) -> Letter:
    """Write the digest of a person for a day; `key` names it among all others."""
    stop = stop_address(choice)
    return Letter(
        email=person.email,
        subject=_subject(reasons),
        body=_body(person, reasons, day, stop),
        message_id=message_id(key),
        stop_address=stop,
    )


def choice_for(person: Person) -> ReminderChoice:
    """Return the person's choice, which the link to stop names; made where there is none."""
    choice, _ = ReminderChoice.objects.get_or_create(person=person)
    return choice


def message_id(key: UUID) -> str:
    """Return the name of a letter among all letters."""
    return f"<{key.hex}@{urlsplit(settings.PUBLIC_ADDRESS).hostname or 'localhost'}>"


def stop_address(choice: ReminderChoice) -> str:
    """Return the address that stops a person's reminders."""
    return address(reverse("reminders-stop", args=[stop_token(choice)]))


def address(path: str) -> str:
    """Return the whole address of a page."""
    return f"{settings.PUBLIC_ADDRESS}{path}"


def stop_token(choice: ReminderChoice) -> str:
    """Return the token of the link that stops a person's reminders."""
    return _SIGNER.sign(base64.urlsafe_b64encode(choice.pk.bytes).decode().rstrip("="))


def choice_of_token(token: str) -> UUID | None:
    """Return the key of the choice that a token names; None for a token not made here."""
    try:
        return UUID(bytes=base64.urlsafe_b64decode(_SIGNER.unsign(token) + "=="))
    except (BadSignature, binascii.Error, ValueError):
        return None


def _by_kind(reasons: Iterable[Reason]) -> list[tuple[str, list[Reason]]]:
    order = list(HEADINGS)
    ordered = sorted(reasons, key=lambda reason: order.index(reason.kind))
    return [(kind, list(some)) for kind, some in groupby(ordered, key=lambda one: one.kind)]


def _subject(reasons: Sequence[Reason]) -> str:
    """Say what is in it, the most urgent first: "2 overdue, 1 due soon"."""
    counts = ", ".join(_counted(kind, len(some)) for kind, some in _by_kind(reasons))
    return f"Swathbook: {counts}"


def _counted(kind: str, count: int) -> str:
    words = HEADINGS[kind].lower()
    if kind == ReminderKind.VISIT:
        return words
    if count > 1:  # the first word is what is counted: "3 papers missing"
        words = re.sub(r"^(paper|approval)\b", r"\1s", words)
    return f"{count} {words}"


def _body(person: Person, reasons: Sequence[Reason], day: datetime.date, stop: str) -> str:
    whose = f" about {person.operator}" if person.operator else ""
    lines = [f"Hello {person.name},", "", f"new{whose} on {day:%A}, {said(day)}:"]
    for kind, some in _by_kind(reasons):
        lines += ["", HEADINGS[kind].upper()]
        for reason in some[:MOST_LINES]:
            lines += ["", f"* {reason.words}", f"  {address(reason.path)}"]
        if len(some) > MOST_LINES:
            page = address(reverse(PAGES.get(kind, "due")))
            lines += ["", f"* and {len(some) - MOST_LINES} more: {page}"]
    lines += [
        "",
        "Each of these is told once. What is due on any day stands here:",
        address(reverse("due")),
        "",
        "An approved swath is a test finding, not permission to spray. The product label and local",
        "rules decide.",
    ]
    return "\n".join([*lines, *foot(stop)])


def foot(stop: str) -> list[str]:
    """Return the last lines of a letter: where to choose what is told, and how to stop it."""
    return [
        "",
        "-- ",
        f"Choose what you are reminded of: {address(reverse('me-reminders'))}",
        f"No more reminders: {stop}",
        "",
    ]
