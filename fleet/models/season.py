"""Programme years, who belongs to them, and invitations by e-mail."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.db.models.functions import Lower

from fleet.models.base import OperatorRecord, Record
from fleet.models.people import Role


class Season(Record):
    """A programme year. It may run across New Year; two seasons never share a day."""

    name = models.CharField(max_length=40, help_text="As people say it: 2026, 2026/27.")
    starts_on = models.DateField()
    ends_on = models.DateField()

    class Meta:
        ordering: ClassVar = ["-starts_on", "id"]
        constraints: ClassVar = [
            models.UniqueConstraint(Lower("name"), name="season_name_once"),
            models.CheckConstraint(
                name="season_ends_after_start",
                condition=models.Q(ends_on__gt=models.F("starts_on")),
            ),
        ]

    def __str__(self) -> str:
        return self.name


class MembershipKind(models.TextChoices):
    """How an operator belongs to the association in a season."""

    FULL = "full", "Full member"
    ASSOCIATE = "associate", "Associate member"
    GUEST = "guest", "Guest"


class Membership(OperatorRecord):
    """An operator in a season. Whoever lapsed keeps the row, and all history with it."""

    operator = models.ForeignKey(
        "fleet.Operator", on_delete=models.PROTECT, related_name="memberships"
    )
    season = models.ForeignKey(Season, on_delete=models.PROTECT, related_name="memberships")
    kind = models.CharField(max_length=9, choices=MembershipKind.choices)
    joined_on = models.DateField()
    lapsed_on = models.DateField(null=True, blank=True)
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering: ClassVar = ["-season__starts_on", "operator__name", "id"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["operator", "season"], name="membership_once"),
            models.CheckConstraint(
                name="membership_lapses_after_joining",
                condition=models.Q(lapsed_on__isnull=True)
                | models.Q(lapsed_on__gte=models.F("joined_on")),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.operator}, {self.season}"


class Invitation(OperatorRecord):
    """A link by e-mail that gives one person of an operator access, once.

    Only the SHA-256 of the link's token is kept: who reads the database cannot use it.
    """

    operator = models.ForeignKey("fleet.Operator", on_delete=models.PROTECT, related_name="+")
    email = models.EmailField()
    name = models.CharField(max_length=120)
    role = models.CharField(
        max_length=10, choices=[(r.value, r.label) for r in (Role.OWNER, Role.PILOT)]
    )
    may_change_setups = models.BooleanField(
        default=False, help_text="For a pilot: may record set-ups all the same."
    )
    token_digest = models.CharField(max_length=64, unique=True, editable=False)
    expires_at = models.DateTimeField()
    invited_by = models.ForeignKey("fleet.Person", on_delete=models.PROTECT, related_name="+")
    person = models.OneToOneField(
        "fleet.Person",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="invitation",
        help_text="Who took it up.",
    )
    accepted_at = models.DateTimeField(null=True, blank=True)
    withdrawn_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering: ClassVar = ["-created_at", "-id"]

    def __str__(self) -> str:
        return f"{self.name} <{self.email}>"


class ImportState(models.TextChoices):
    """Where an import stands."""

    READING = "reading", "Not read yet"
    REFUSED = "refused", "Cannot be read"
    PREVIEWED = "previewed", "Looked at, nothing changed yet"
    APPLIED = "applied", "Done"
    DISCARDED = "discarded", "Thrown away"


class SheetImport(Record):
    """A spreadsheet of members and fleet: kept by digest, looked at first, then all or nothing.

    A worker reads it and carries it out; `plan` is what it would change as of `looked_at`, and
    once it is done what it changed.
    """

    name = models.CharField(max_length=255)
    digest = models.CharField(max_length=64)
    size = models.PositiveIntegerField()
    season = models.ForeignKey(
        Season, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    state = models.CharField(max_length=9, choices=ImportState.choices, default=ImportState.READING)
    tally = models.JSONField(default=dict, help_text="What was added, changed, left as it was.")
    plan = models.JSONField(
        default=dict, editable=False, help_text="Row by row: `queries.import_plan.document`."
    )
    looked_at = models.DateTimeField(null=True, blank=True)
    trouble = models.TextField(
        blank=True, help_text="Why it cannot be read, or was not carried out when it was asked for."
    )
    brought_by = models.ForeignKey("fleet.Person", on_delete=models.PROTECT, related_name="+")
    applied_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering: ClassVar = ["-created_at", "-id"]
        verbose_name = "import"

    def __str__(self) -> str:
        return self.name
