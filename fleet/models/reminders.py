"""Reminders by e-mail: what a person wants, what was sent, and why it is never sent twice."""

from __future__ import annotations

from typing import ClassVar

from django.db import models

from fleet.models.base import Record, Sealed


class ReminderKind(models.TextChoices):
    """What a person is reminded of."""

    DUE_SOON = "due_soon", "A test is due soon"
    OVERDUE = "overdue", "A test is overdue"
    VISIT = "visit", "A visit is tomorrow"
    PAPER = "paper", "A paper is missing"
    SETUP = "setup", "An approval ended because a set-up changed"


class ReminderChoice(Record):
    """What a person does not want to be reminded of; who wants everything needs no row.

    The link that stops all reminders names the row by its key. Whoever takes them up again gets a
    new row, so that links in older letters do nothing any more.
    """

    person = models.OneToOneField(
        "fleet.Person", on_delete=models.PROTECT, related_name="reminder_choice"
    )
    unwanted = models.JSONField(default=list, help_text="Kinds of reminder, as in ReminderKind.")
    stopped_at = models.DateTimeField(
        null=True, blank=True, help_text="Unsubscribed from all of them at this moment."
    )

    def __str__(self) -> str:
        return f"Reminders to {self.person}"


class ReminderMail(Sealed, Record):
    """A digest that was handed to the mail server. One a person and day at most."""

    person = models.ForeignKey(
        "fleet.Person", on_delete=models.PROTECT, related_name="reminder_mails"
    )
    day = models.DateField()
    email = models.EmailField()
    subject = models.CharField(max_length=200)
    body = models.TextField()
    message_id = models.CharField(max_length=200)

    class Meta:
        ordering: ClassVar = ["-created_at", "-id"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["person", "day"], name="reminder_mail_once_a_day"),
        ]

    def __str__(self) -> str:
        return f"{self.subject}, to {self.email}"


class Reminded(Sealed, Record):
    """One reason that a digest told; `reason` is a key that never comes twice for a person.

    Such as `overdue:AIRCRAFT:REQUIREMENT:2026-04-12`: due again on another day is another reason.
    """

    person = models.ForeignKey("fleet.Person", on_delete=models.PROTECT, related_name="+")
    mail = models.ForeignKey(ReminderMail, on_delete=models.PROTECT, related_name="reasons")
    kind = models.CharField(max_length=8, choices=ReminderKind.choices)
    reason = models.CharField(max_length=200)
    words = models.TextField()

    class Meta:
        ordering: ClassVar = ["created_at", "id"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["person", "reason"], name="reminded_once"),
        ]

    def __str__(self) -> str:
        return self.words
