"""The audit trail: registered deeds, one row each, one request id for all rows of a request."""

from __future__ import annotations

import datetime
import uuid
from collections.abc import Iterable, Mapping
from contextvars import ContextVar
from dataclasses import dataclass
from typing import Any

from django.db import models
from uuid_utils.compat import uuid7

from fleet.models import AuditRow, Operator, Person

DEEDS: Mapping[str, str] = {
    "operator_added": "added the operator",
    "operator_changed": "changed the operator",
    "person_added": "gave access to",
    "person_changed": "changed the person",
    "aircraft_added": "added the aircraft",
    "aircraft_changed": "changed the aircraft",
    "setup_recorded": "recorded the set-up",
    "visit_planned": "planned the visit",
    "visit_changed": "changed the visit",
    "visit_called_off": "called off the visit",
    "visit_put_back": "put back on the visit",
    "signed_up": "signed up",
    "sign_up_cancelled": "called off the sign-up of",
    "sign_up_moved_up": "gave a free place to",
    "sign_up_moved": "moved to another day",
    "sign_up_waits": "put on the waiting list",
    "sign_up_absent": "noted as absent",
    "sign_up_flown": "noted as flown",
    "sign_up_put_back": "put back into the running order",
    "order_changed": "changed the running order of",
    "supply_recorded": "noted the use of",
    "supply_removed": "took back the use of",
    "gift_recorded": "noted the gift",
    "gift_changed": "changed the gift",
    "gift_removed": "took back the gift",
    "plan_made": "made the plan of return visits",
    "plan_changed": "changed the plan of return visits",
    "plan_word_said": "had a say in the plan",
    "plan_word_taken_back": "took a word back in the plan",
    "proposal_requested": "asked for tours for the plan",
    "proposal_stopped": "stopped the search for tours for the plan",
    "proposal_made": "finished",
    "visit_wished": "wished for a visit:",
    "wish_settled": "settled the wish for a visit:",
    "test_started": "started the test",
    "test_changed": "changed the conditions of",
    "pass_added": "added",
    "pass_changed": "changed",
    "pass_overruled": "overruled the judgement of",
    "analysis_requested": "asked for an analysis of",
    "analysis_finished": "finished",
    "cards_added": "added",
    "cards_confirmed": "confirmed the outlines of the cards on",
    "cards_placed": "entered where the cards lay on",
    "cards_requested": "asked to measure",
    "cards_measured": "finished",
    "approval_granted": "approved",
    "approval_withdrawn": "withdrew the approval",
    "report_requested": "asked for a report on",
    "paper_asked": "asked for",
    "papers_asked": "asked for",
    "paper_issued": "issued",
    "paper_withdrawn": "withdrew",
    "calendar_renewed": "made a new calendar address for",
    "calendar_dropped": "dropped the calendar address of",
    "webhook_added": "added the webhook",
    "webhook_stopped": "stopped the webhook",
    "paper_given_up": "gave up the number of",
    "filing_opened": "noted as to be filed:",
    "filing_prepared": "prepared",
    "filing_sent": "sent",
    "filing_acknowledged": "noted the answer to",
    "filing_rejected": "noted as sent back:",
    "filing_corrected": "corrected and sent again",
    "filing_dropped": "dropped",
    "service_recorded": "made the",
    "service_corrected": "corrected by a new one the",
    "service_struck": "said that nothing happened of the",
    "files_purged": "removed",
    "export_asked": "asked for all records of",
    "export_made": "exported all records of",
    "export_fetched": "fetched all records of",
    "operator_imported": "took in all records of",
    "reminders_set": "chose the reminders of",
    "reminder_sent": "sent the reminder",
    "place_told": "sent a letter about places on",
    "season_added": "added the season",
    "season_changed": "changed the season",
    "member_joined": "took in as a member",
    "member_changed": "changed the membership of",
    "members_carried_over": "carried members over into",
    "person_invited": "invited",
    "invitation_sent": "sent the invitation to",
    "invitation_not_sent": "could not send the invitation to",
    "invitation_renewed": "made a new link for",
    "invitation_withdrawn": "withdrew the invitation to",
    "invitation_accepted": "took up the invitation to",
    "sheet_brought": "brought the spreadsheet",
    "sheet_asked": "asked to carry out the spreadsheet",
    "sheet_applied": "carried out the spreadsheet",
    "sheet_not_applied": "could not carry out the spreadsheet",
    "sheet_discarded": "threw away the spreadsheet",
    "jurisdiction_added": "added the jurisdiction",
    "jurisdiction_changed": "changed the jurisdiction",
    "rule_added": "added the rule",
    "rule_version_recorded": "recorded a new version of",
    "rule_ended": "set an end to the rule",
    "waiver_granted": "granted the",
    "waiver_ended": "ended the",
    "put_under": "put under a further jurisdiction:",
    "under_ended": "set an end to the work of",
}

request_id: ContextVar[uuid.UUID | None] = ContextVar("audit_request_id", default=None)


class UnknownDeedError(LookupError):
    """A deed that is not registered in DEEDS."""


@dataclass(frozen=True, slots=True)
class Entry:
    """What an audit row is about, and what differed."""

    deed: str
    subject: models.Model
    operator: Operator | None
    before: Mapping[str, Any] | None
    after: Mapping[str, Any] | None


def record(
    deed: str,
    subject: models.Model,
    *,
    by: Person | None,
    operator: Operator | None,
    before: Mapping[str, Any] | None = None,
    after: Mapping[str, Any] | None = None,
) -> AuditRow:
    """Write one audit row within the caller's transaction. `by` is None for a worker's deed.

    Raises UnknownDeedError: a deed nobody registered must not pass silently.
    """
    row = _row(Entry(deed, subject, operator, before, after), by, request_id.get() or uuid7())
    row.save(force_insert=True)
    return row


def record_all(entries: Iterable[Entry], *, by: Person | None) -> None:
    """Write many audit rows at once, with one request id, within the caller's transaction."""
    request = request_id.get() or uuid7()
    AuditRow.objects.bulk_create([_row(one, by, request) for one in entries], batch_size=500)


def _row(entry: Entry, by: Person | None, request: uuid.UUID) -> AuditRow:
    if entry.deed not in DEEDS:
        raise UnknownDeedError(
            f"{entry.deed!r} is not a registered deed; add it to fleet.audit.DEEDS."
        )
    return AuditRow(
        operator=entry.operator,
        deed=entry.deed,
        person=by,
        person_name=by.name if by else "Worker",
        subject_kind=entry.subject._meta.model_name or "",
        subject_id=entry.subject.pk,
        subject_name=str(entry.subject)[:200],
        before=dict(entry.before) if entry.before is not None else None,
        after=dict(entry.after) if entry.after is not None else None,
        request_id=request,
    )


def values(row: models.Model, fields: Iterable[str]) -> dict[str, Any]:
    """Return the named fields of a row as JSON-able values, for `before` and `after`."""
    # A foreign key is written down as its key: `setup` as what `setup_id` holds.
    return {name: _plain(row.serializable_value(name)) for name in fields}


def _plain(value: Any) -> Any:
    if isinstance(value, uuid.UUID | datetime.date | datetime.datetime | datetime.time):
        return str(value)
    return value
