"""Jurisdictions, their rules in versions, waivers, and under whose rules an aircraft works.

What was judged stays: a later version, an end, and the end of a waiver begin today at the
earliest. "Today" is that of the jurisdiction.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from typing import Any

from django.db import transaction
from django.db.models import Q

from fleet import audit, rules
from fleet.models import (
    Aircraft,
    Jurisdiction,
    Person,
    Requirement,
    RequirementVersion,
    Waiver,
    WorksUnder,
)
from fleet.queries.duties import today_in
from fleet.services.base import change, checked, refuse
from fleet.version_checks import SAYS, check_record_lists, check_says, check_time_zone

JURISDICTION_FIELDS = ("name", "time_zone", "note", "record_lists")
VERSION_FIELDS = ("number", "effective_from", "source", *SAYS)
EARLIEST = datetime.date(1900, 1, 1)
LONGEST_WAIVER_YEARS = 5


@transaction.atomic
def add_jurisdiction(
    *,
    by: Person,
    name: str,
    time_zone: str = "America/Chicago",
    note: str = "",
    record_lists: Sequence[str] = (),
) -> Jurisdiction:
    """Add a state or authority. Its days begin at midnight in its time zone.

    `record_lists` are the keys of the lists by which it asks for records of service.
    """
    rules.allow(rules.may_keep_rules, by)
    check_time_zone(time_zone)
    check_record_lists(record_lists)
    jurisdiction = Jurisdiction(
        name=" ".join(name.split()),
        time_zone=time_zone,
        note=note.strip(),
        record_lists=list(record_lists),
    )
    checked(jurisdiction)
    jurisdiction.save(force_insert=True)
    audit.record(
        "jurisdiction_added",
        jurisdiction,
        by=by,
        operator=None,
        after=audit.values(jurisdiction, JURISDICTION_FIELDS),
    )
    return jurisdiction


@transaction.atomic
def change_jurisdiction(jurisdiction: Jurisdiction, *, by: Person, **changes: Any) -> bool:
    """Change a jurisdiction's particulars. False when nothing differs."""
    rules.allow(rules.may_keep_rules, by)
    if "time_zone" in changes:
        check_time_zone(changes["time_zone"])
    if "record_lists" in changes:
        check_record_lists(changes["record_lists"])
    return change(
        jurisdiction,
        deed="jurisdiction_changed",
        by=by,
        operator=None,
        changes=changes,
        allowed=JURISDICTION_FIELDS,
    )


@transaction.atomic
def add_requirement(
    *,
    by: Person,
    jurisdiction: Jurisdiction,
    name: str,
    effective_from: datetime.date,
    source: str,
    **says: Any,
) -> Requirement:
    """Add a rule with its first version, which may have begun in the past."""
    rules.allow(rules.may_keep_rules, by)
    if effective_from < EARLIEST:
        refuse({"effective_from": [f"Must be a date from {EARLIEST} on."]})
    requirement = Requirement(jurisdiction=jurisdiction, name=" ".join(name.split()))
    checked(requirement)
    version = _version(requirement, 1, effective_from, source, says, by)
    requirement.save(force_insert=True)
    version.save(force_insert=True)
    audit.record(
        "rule_added",
        requirement,
        by=by,
        operator=None,
        after={"name": requirement.name, **audit.values(version, VERSION_FIELDS)},
    )
    return requirement


@transaction.atomic
def record_version(
    requirement: Requirement, *, by: Person, effective_from: datetime.date, source: str, **says: Any
) -> RequirementVersion:
    """Record what a rule says from a day on: today at the earliest, and after the last version."""
    rules.allow(rules.may_keep_rules, by)
    requirement = _locked(requirement)
    today = today_in(requirement.jurisdiction)
    if requirement.ended_on is not None:
        refuse({"requirement": [f"The rule ends {_day(requirement.ended_on)}; add a new one."]})
    last = requirement.versions.order_by("-number")[0]
    errors = []
    if effective_from < today:
        errors.append(f"Must not lie before today, {_day(today)}: what was judged stays.")
    if effective_from <= last.effective_from:
        errors.append(
            f"Must come after {_day(last.effective_from)}, from when version {last.number} holds."
        )
    refuse({"effective_from": errors} if errors else {})
    version = _version(requirement, last.number + 1, effective_from, source, says, by)
    if all(getattr(version, name) == getattr(last, name) for name in ("source", *SAYS)):
        refuse({"source": [f"Nothing differs from version {last.number}."]})
    version.save(force_insert=True)
    audit.record(
        "rule_version_recorded",
        requirement,
        by=by,
        operator=None,
        before=audit.values(last, VERSION_FIELDS),
        after=audit.values(version, VERSION_FIELDS),
    )
    return version


def _version(
    requirement: Requirement,
    number: int,
    effective_from: datetime.date,
    source: str,
    says: dict[str, Any],
    by: Person,
) -> RequirementVersion:
    clean = check_says(says)
    if not source.strip():
        refuse({"source": ["Say where this is written: law, rule or letter, with its date."]})
    return RequirementVersion(
        requirement=requirement,
        number=number,
        effective_from=effective_from,
        source=source.strip(),
        recorded_by=by,
        **clean,
    )


@transaction.atomic
def end_requirement(requirement: Requirement, *, by: Person, ended_on: datetime.date) -> None:
    """Say which is the last day of a rule: today or later, so that what was judged stays."""
    rules.allow(rules.may_keep_rules, by)
    requirement = _locked(requirement)
    today = today_in(requirement.jurisdiction)
    if requirement.ended_on is not None and requirement.ended_on < today:
        refuse({"ended_on": [f"The rule ended {_day(requirement.ended_on)}."]})
    if ended_on < today:
        refuse({"ended_on": [f"Must not lie before today, {_day(today)}: what was judged stays."]})
    change(
        requirement,
        deed="rule_ended",
        by=by,
        operator=None,
        changes={"ended_on": ended_on},
        allowed=("ended_on",),
    )


@transaction.atomic
def grant_waiver(
    *,
    by: Person,
    aircraft: Aircraft,
    requirement: Requirement,
    from_on: datetime.date,
    until_on: datetime.date,
    reason: str,
) -> Waiver:
    """Say that a rule does not bind an aircraft for a while, and why."""
    rules.allow(rules.may_keep_rules, by)
    aircraft = Aircraft.objects.select_for_update().get(pk=aircraft.pk)  # one at a time
    waiver = Waiver(
        operator=aircraft.operator,
        aircraft=aircraft,
        requirement=requirement,
        from_on=from_on,
        until_on=until_on,
        reason=reason.strip(),
        granted_by=by,
    )
    refuse(_waiver_errors(waiver))
    checked(waiver)
    waiver.save(force_insert=True)
    audit.record(
        "waiver_granted",
        waiver,
        by=by,
        operator=aircraft.operator,
        after=audit.values(waiver, ("requirement", "from_on", "until_on", "reason")),
    )
    return waiver


def _waiver_errors(waiver: Waiver) -> dict[str, list[str]]:
    errors: dict[str, list[str]] = {}
    today = today_in(waiver.requirement.jurisdiction)
    latest = today + datetime.timedelta(days=366 * LONGEST_WAIVER_YEARS)
    if not waiver.reason:
        errors["reason"] = ["Say why; it stands beside the aircraft."]
    if waiver.until_on < max(today, waiver.from_on):
        errors["until_on"] = ["Must not lie before its first day, nor before today."]
    elif waiver.until_on > latest:
        errors["until_on"] = [f"At most {LONGEST_WAIVER_YEARS} years ahead."]
    if not is_under(waiver.aircraft, waiver.requirement.jurisdiction):
        errors["requirement"] = [f"{waiver.aircraft} does not work under this rule."]
    same = Waiver.objects.filter(
        Q(ended_on__isnull=True) | Q(ended_on__gt=waiver.from_on),
        aircraft=waiver.aircraft,
        requirement=waiver.requirement,
        from_on__lte=waiver.until_on,
        until_on__gte=waiver.from_on,
    ).first()
    if same is not None:
        errors["from_on"] = [f"A waiver until {_day(same.until_on)} is there already."]
    return errors


def is_under(aircraft: Aircraft, jurisdiction: Jurisdiction) -> bool:
    """Whether an aircraft works under a jurisdiction: at home, or besides, now or later."""
    if aircraft.operator.jurisdiction_id == jurisdiction.pk:
        return True
    rows = WorksUnder.objects.filter(aircraft=aircraft, jurisdiction=jurisdiction)
    open_ = Q(until_on__isnull=True) | Q(until_on__gte=today_in(jurisdiction))
    return bool(rows.filter(open_).exists())


@transaction.atomic
def end_waiver(waiver: Waiver, *, by: Person, reason: str) -> Waiver:
    """End a waiver before its last day: from today on the rule binds again."""
    rules.allow(rules.may_keep_rules, by)
    waiver = Waiver.objects.select_for_update().get(pk=waiver.pk)
    today = today_in(waiver.requirement.jurisdiction)
    if not reason.strip():
        refuse({"reason": ["Say why; it stands beside the waiver for good."]})
    if waiver.ended_on is not None or waiver.until_on < today:
        refuse({"waiver": ["It is over already."]})
    waiver.ended_on, waiver.ended_reason = today, reason.strip()
    waiver.save(update_fields=["ended_on", "ended_reason"])
    audit.record(
        "waiver_ended",
        waiver,
        by=by,
        operator=waiver.operator,
        after=audit.values(waiver, ("ended_on", "ended_reason")),
    )
    return waiver


@transaction.atomic
def put_under(
    *, by: Person, aircraft: Aircraft, jurisdiction: Jurisdiction, from_on: datetime.date
) -> WorksUnder:
    """Say that an aircraft works under a jurisdiction besides that of its operator's home."""
    rules.allow(rules.may_keep_rules, by)
    aircraft = Aircraft.objects.select_for_update().get(pk=aircraft.pk)
    if is_under(aircraft, jurisdiction):
        refuse({"jurisdiction": [f"{aircraft} works under {jurisdiction} already."]})
    row = WorksUnder(
        operator=aircraft.operator, aircraft=aircraft, jurisdiction=jurisdiction, from_on=from_on
    )
    checked(row)
    row.save(force_insert=True)
    audit.record(
        "put_under",
        row,
        by=by,
        operator=aircraft.operator,
        after=audit.values(row, ("aircraft", "jurisdiction", "from_on")),
    )
    return row


@transaction.atomic
def end_under(row: WorksUnder, *, by: Person, until_on: datetime.date) -> None:
    """Say which is the last day an aircraft works under a further jurisdiction: today or later."""
    rules.allow(rules.may_keep_rules, by)
    row = WorksUnder.objects.select_for_update().get(pk=row.pk)
    today = today_in(row.jurisdiction)
    if row.until_on is not None and row.until_on < today:
        refuse({"until_on": [f"It ended {_day(row.until_on)}."]})
    if until_on < max(today, row.from_on):
        refuse({"until_on": ["Must not lie before today, nor before its first day."]})
    change(
        row,
        deed="under_ended",
        by=by,
        operator=row.operator,
        changes={"until_on": until_on},
        allowed=("until_on",),
    )


def _locked(requirement: Requirement) -> Requirement:
    """Whoever changes the same rule at the same moment waits here."""
    found: Requirement = (
        Requirement.objects.select_for_update(of=("self",))
        .select_related("jurisdiction")
        .get(pk=requirement.pk)
    )
    return found


def _day(day: datetime.date) -> str:
    return f"{day:%-d %B %Y}"
