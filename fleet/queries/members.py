"""Seasons, who belongs to them, and who is invited."""

from __future__ import annotations

import datetime
from collections.abc import Collection
from dataclasses import dataclass
from uuid import UUID

from django.db.models import Count, Q, QuerySet
from django.utils import timezone

from fleet.models import (
    AuditRow,
    Invitation,
    Job,
    Membership,
    Person,
    Season,
    SheetImport,
)
from fleet.queries.work import last_of, under_way

MAIL_DEEDS = ("invitation_sent", "invitation_not_sent")
SHEET_LOOK, SHEET_APPLY = "sheet_look", "sheet_apply"  # kinds of jobs


def seasons_of(person: Person) -> QuerySet[Season]:
    """Seasons, the newest first, each with `member_count` and `lapsed_count` of those seen."""
    counted = Q() if person.sees_everyone else Q(memberships__operator=person.operator_id)
    return Season.objects.annotate(
        member_count=Count("memberships", filter=counted & Q(memberships__lapsed_on=None)),
        lapsed_count=Count("memberships", filter=counted & Q(memberships__lapsed_on__isnull=False)),
    ).order_by("-starts_on", "id")


def season_on(day: datetime.date | None = None) -> Season | None:
    """Return the season of a day (today): the one it lies in, else the last before, else the next.

    None when there is no season at all.
    """
    day = day or timezone.localdate()
    begun = Season.objects.filter(starts_on__lte=day).order_by("-starts_on").first()
    return begun or Season.objects.order_by("starts_on").first()


def joining_day(season: Season) -> datetime.date:
    """Return the day of the season that is today, or the nearest to it."""
    return max(season.starts_on, min(timezone.localdate(), season.ends_on))


def season_before(season: Season) -> Season | None:
    """Return the season before one, from which members are carried over."""
    return Season.objects.filter(starts_on__lt=season.starts_on).order_by("-starts_on").first()


def memberships_of(person: Person) -> QuerySet[Membership]:
    """Memberships a person may see, by season from the newest and by operator."""
    rows = Membership.objects.select_related("operator__jurisdiction", "season")
    if person.sees_everyone:
        return rows
    return rows.filter(operator=person.operator_id) if person.operator_id else rows.none()


def members_with_fleet(person: Person, season: Season) -> QuerySet[Membership]:
    """The memberships of a season that a person may see, each with `aircraft_count`."""
    in_service = Q(operator__aircraft__retired_on__isnull=True)
    counted = memberships_of(person).filter(season=season)
    return counted.annotate(
        aircraft_count=Count("operator__aircraft", filter=in_service, distinct=True)
    ).order_by("operator__name", "id")


def invitations_of(person: Person) -> QuerySet[Invitation]:
    """Invitations a person may see: staff and analysts all, an owner those of their operator."""
    rows = Invitation.objects.select_related("operator", "invited_by", "person")
    if person.sees_everyone:
        return rows
    if person.role != "owner":  # who is invited is the owner's business, not the pilots'
        return rows.none()
    return rows.filter(operator=person.operator_id)


def open_invitations_of(person: Person) -> QuerySet[Invitation]:
    """Invitations that nobody took up and nobody withdrew, expired ones too."""
    return invitations_of(person).filter(accepted_at=None, withdrawn_at=None)


@dataclass(frozen=True, slots=True)
class Posted:
    """What became of the latest letter: `problem` is why it did not go out, "" when it did."""

    at: datetime.datetime
    problem: str


@dataclass(frozen=True, slots=True)
class InvitationState:
    """How an invitation stands, in a code of `state`, in words, and why."""

    code: str
    words: str
    why: str


def posted(invitations: Collection[Invitation]) -> dict[UUID, Posted]:
    """Return the latest letter of each invitation that had one, from the audit trail."""
    rows = AuditRow.objects.filter(
        subject_kind="invitation",
        subject_id__in=[one.pk for one in invitations],
        deed__in=MAIL_DEEDS,
    ).order_by("created_at", "id")
    return {
        row.subject_id: Posted(row.created_at, str((row.after or {}).get("problem", "")))
        for row in rows
    }


def state_of(invitation: Invitation, letter: Posted | None) -> InvitationState:
    """Say how an invitation stands now."""
    if invitation.accepted_at:
        return InvitationState("done", "Taken up", f"On {_day(invitation.accepted_at)}.")
    if invitation.withdrawn_at:
        return InvitationState("withdrawn", "Withdrawn", f"On {_day(invitation.withdrawn_at)}.")
    if invitation.expires_at <= timezone.now():
        why = f"The link ended on {_day(invitation.expires_at)}. Send a new one."
        return InvitationState("expired", "Expired", why)
    if letter is None:
        return InvitationState("failed", "Not sent", "No letter has gone out. Send it again.")
    if letter.problem:
        return InvitationState("failed", "Not sent", f"{letter.problem} Send it again.")
    why = f"Sent on {_day(letter.at)}; the link is good until {_day(invitation.expires_at)}."
    return InvitationState("queued", "Waiting", why)


def imports_of(person: Person) -> QuerySet[SheetImport]:
    """Imports of members and fleet, for staff; what each would change is read when asked for."""
    rows = SheetImport.objects.select_related("brought_by", "season").defer("plan")
    return rows if person.is_staff_member else rows.none()


def last_import_job(sheet: SheetImport) -> Job | None:
    """Return the newest job that reads a spreadsheet or carries it out, whatever its state."""
    return last_of(sheet, SHEET_LOOK, SHEET_APPLY)


def import_under_way(sheet: SheetImport) -> Job | None:
    """Return the job that reads a spreadsheet or carries it out now, or None."""
    return under_way(sheet, SHEET_LOOK, SHEET_APPLY)


def _day(moment: datetime.datetime) -> str:
    return f"{timezone.localtime(moment):%-d %B %Y}"
