"""The certificate of test: one aircraft under one rule, with the reasons met line by line."""

from __future__ import annotations

import datetime
from typing import Any

from django.utils import timezone

from fleet.jobs import JobRefused
from fleet.models import Aircraft, PaperSlip, RequirementVersion
from fleet.queries.duties import Duty, duties
from reports.answer import day
from reports.paper import CAUTION, Draft
from reports.sheet import Box, Column, Sheet, Table, Words, rows, to_html

NOT_MET = "{aircraft} does not meet {rule} now, so there is nothing to certify. {why}"
NO_RULE = "{rule} binds {aircraft} no longer, so there is nothing to certify."
CAUTION_MET = (
    f"{CAUTION} This paper says that the rule named was met by what is on record here on the day "
    "it was issued, and nothing else. The authority whose rule it is has the last word."
)


def draft(slip: PaperSlip) -> Draft:
    """Return the certificate as of the day it was asked for.

    Raises JobRefused, with the reasons, where the rule is not met.
    """
    aircraft, requirement = slip.aircraft, slip.requirement
    assert aircraft is not None
    assert requirement is not None
    on = timezone.localdate(slip.created_at)
    found = [
        duty
        for duty in duties(slip.asked_by, aircraft=[aircraft])
        if duty.requirement.pk == requirement.pk
    ]
    if not found:
        raise JobRefused(NO_RULE.format(rule=requirement, aircraft=aircraft))
    duty = found[0]
    if duty.state not in ("met", "due_soon"):
        why = " ".join(duty.why)
        raise JobRefused(NOT_MET.format(aircraft=aircraft, rule=requirement, why=why))
    return drafted(duty, on, slip)


def drafted(duty: Duty, on: datetime.date, slip: PaperSlip) -> Draft:
    """Return the certificate of a duty that is met."""
    aircraft, version = duty.aircraft, duty.version
    assert version is not None
    sheet = Sheet(
        title=f"Certificate of test: {aircraft}",
        who=(
            f"{aircraft.make} {aircraft.model}, {aircraft.get_kind_display().lower()}".strip(),
            f"{aircraft.operator.name}, {aircraft.operator.base}",
            f"Under the rules of {duty.requirement.jurisdiction}: {duty.requirement.name}",
        ),
        subject=f"{aircraft} under {duty.requirement}",
        boxes=(_until(duty), Box("As of", day(on), ("By what is on record here.",))),
        words=(Words("Why", duty.why),),
        tables=(_rule(version), _lines(duty)),
        caution=CAUTION_MET,
    )
    return Draft(
        title=f"Certificate of test {aircraft}, {duty.requirement.name}",
        record=_record(duty, version, on),
        stated_at=slip.created_at,
        html=lambda foot: to_html(sheet, slip.page_size, foot),
        valid_until=duty.met_until,
    )


def _until(duty: Duty) -> Box:
    if duty.met_until is None:
        return Box(
            "The rule is met", "Met", ("Until a change of the set-up asks for another test.",)
        )
    return Box(
        "The rule is met until",
        day(duty.met_until),
        ("Or until a change of the set-up asks for another test before.",),
    )


def _rule(version: RequirementVersion) -> Table:
    """What the rule asks for, as it was recorded."""
    return Table(
        "What the rule says",
        (Column("Point", 24), Column("As recorded")),
        rows(
            ("In force since", day(version.effective_from)),
            ("Rhythm", _rhythm(version)),
            ("Must have been tested", version.get_covers_display()),
            ("Proof", version.get_evidence_display()),
            ("Accepted passes needed", str(version.minimum_passes)),
            ("Source", version.source),
        ),
    )


def _rhythm(version: RequirementVersion) -> str:
    if version.rhythm == "interval":
        return f"Every {version.interval_months} months"
    if version.rhythm == "season":
        return f"Once between {version.season_first} and {version.season_last} (month-day)"
    return str(version.get_rhythm_display())


def _lines(duty: Duty) -> Table:
    found = [
        (
            part.test.purpose_key.capitalize(),
            f"Revision {part.test.revision}",
            day(part.test.flown_on),
            str(part.test.analyses[-1].accepted_passes) if part.test.analyses else "–",
            ", ".join(one.signer for one in part.test.approvals if one.stands) or "–",
        )
        for part in duty.verdict.parts
        if part.test is not None
    ]
    return Table(
        "The tests it rests on",
        (
            Column("Set-up", 30),
            Column("Revision", 14),
            Column("Flown", 20),
            Column("Accepted passes", 16),
            Column("Approved by"),
        ),
        rows(*found),
    )


def _record(duty: Duty, version: RequirementVersion, on: datetime.date) -> dict[str, Any]:
    return {
        "aircraft": _aircraft(duty.aircraft),
        "jurisdiction": str(duty.requirement.jurisdiction),
        "requirement": {"id": str(duty.requirement.pk), "name": duty.requirement.name},
        "version": {
            "id": str(version.pk),
            "number": version.number,
            "effective_from": version.effective_from.isoformat(),
            "source": version.source,
        },
        "as_of": on.isoformat(),
        "state": duty.state,
        "met_until": duty.met_until.isoformat() if duty.met_until else None,
        "reasons": list(duty.why),
    }


def _aircraft(aircraft: Aircraft) -> dict[str, Any]:
    return {
        "id": str(aircraft.pk),
        "registration": aircraft.registration,
        "operator": aircraft.operator.name,
    }
