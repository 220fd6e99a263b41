"""The lists of the pages as tables, in the reader's units, for CSV and XLSX.

Headings of members and fleet are such that the same table can be imported again.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable
from typing import Any

from fleet import audit
from fleet.models import Aircraft, Membership, Operator, Person, Visit
from fleet.paper_codes import grouped
from fleet.queries.endings import ENDINGS
from fleet.queries.papers import slip_state
from fleet.queries.progress import Progress
from fleet.queries.standing import Standing, standings
from fleet.tables import Column, Table, measure

WORDS_OF_PROGRESS = {
    "running": "Being analysed",
    "approved": "Approved",
    "withdrawn": "Withdrawn",
    "superseded": "Superseded",
    "done": "Analysed",
    "queued": "Passes in",
    "untested": "No passes yet",
}
_PARTICULARS = (
    Column("Operator"),
    Column("Home base"),
    Column("Base latitude", "number", 5),
    Column("Base longitude", "number", 5),
    Column("Jurisdiction"),
    Column("Operator e-mail"),
    Column("Phone"),
)


def _particulars(one: Operator) -> tuple[Any, ...]:
    return (
        one.name,
        one.base,
        one.base_latitude_deg,
        one.base_longitude_deg,
        one.jurisdiction and one.jurisdiction.name,
        one.email,
        one.phone,
    )


def fleet_table(person: Person, fleet: Iterable[Aircraft]) -> Table:
    """Aircraft with what is known of their operators, and how each stands."""
    fleet = list(fleet)
    held: dict[Any, list[Standing]] = defaultdict(list)
    for standing in standings(person, aircraft=[one for one in fleet if not one.retired_on]):
        held[standing.aircraft.pk].append(standing)
    columns = [
        *_PARTICULARS,
        Column("Registration"),
        Column("Make"),
        Column("Model"),
        Column("Kind"),
        measure("Wingspan or rotor diameter", "length", person.unit_system),
        Column("Out of service since", "date"),
        measure("Widest swath approved now", "swath", person.unit_system),
        Column("Way of flying of that swath"),
        Column("Standing"),
    ]
    return Table("Fleet", columns, (_aircraft_row(one, held[one.pk]) for one in fleet))


def _aircraft_row(one: Aircraft, held: list[Standing]) -> tuple[Any, ...]:
    approved = [s.approval for s in held if s.in_force and s.approval]
    widest = max(approved, key=lambda approval: approval.swath_m, default=None)
    return (
        *_particulars(one.operator),
        one.registration,
        one.make,
        one.model,
        one.get_kind_display(),
        one.span_m,
        one.retired_on,
        widest and widest.swath_m,
        widest and widest.get_manner_display(),
        "; ".join(f"{s.setup.purpose}: {s.words}" if s.setup else s.words for s in held),
    )


def operators_table(rows: Iterable[Operator]) -> Table:
    """Operators, with the size of their fleets."""
    columns = [
        *_PARTICULARS,
        Column("Aircraft in service", "whole"),
        Column("People", "whole"),
        Column("Left the association on", "date"),
    ]
    return Table(
        "Operators",
        columns,
        ((*_particulars(o), o.aircraft_count, o.people_count, o.left_on) for o in rows),
    )


def people_table(rows: Iterable[Person]) -> Table:
    """People who sign in."""
    columns = [
        Column("Name"),
        Column("E-mail"),
        Column("Role"),
        Column("Operator"),
        Column("May record set-ups", "yes"),
        Column("Open", "yes"),
        Column("Last signed in", "moment"),
    ]
    return Table(
        "People",
        columns,
        (
            (
                one.name,
                one.email,
                one.get_role_display(),
                one.operator and one.operator.name,
                one.role != "checker" and (one.role != "pilot" or one.may_change_setups),
                one.is_active,
                one.last_login,
            )
            for one in rows
        ),
    )


def members_table(season: Any, rows: Iterable[Membership]) -> Table:
    """Members of a season, with the size of their fleets."""
    columns = [
        *_PARTICULARS,
        Column("Membership kind"),
        Column("Joined on", "date"),
        Column("Lapsed on", "date"),
        Column("Note"),
        Column("Aircraft in service", "whole"),
    ]
    return Table(
        f"Members of {season}",
        columns,
        (
            (
                *_particulars(one.operator),
                one.get_kind_display(),
                one.joined_on,
                one.lapsed_on,
                one.note,
                one.aircraft_count,
            )
            for one in rows
        ),
    )


def visits_table(rows: Iterable[Visit]) -> Table:
    """Visits."""
    columns = [
        Column("Place"),
        Column("First day", "date"),
        Column("Last day", "date"),
        Column("Kind"),
        Column("Operator visited"),
        Column("Analyst"),
        Column("Tests", "whole"),
        Column("Cancelled on", "date"),
        Column("Note"),
    ]
    return Table(
        "Visits",
        columns,
        (
            (
                one.place,
                one.starts_on,
                one.ends_on,
                "Private" if one.host else "Clinic",
                one.host and one.host.name,
                one.analyst.name,
                one.test_count,
                one.cancelled_on,
                one.note,
            )
            for one in rows
        ),
    )


def tests_table(visit: Visit, rows: Iterable[Progress], system: str) -> Table:
    """The tests of a visit: conditions, passes, and what came of them."""
    columns = [
        Column("Aircraft"),
        Column("Operator"),
        Column("Purpose"),
        Column("Revision", "whole"),
        Column("Flown on", "date"),
        measure("Wind", "wind", system),
        Column("Wind from (°)", "number", 0),
        Column("Flight line (°)", "number", 0),
        measure("Temperature", "temperature", system),
        Column("Humidity (%)", "number", 0),
        Column("Passes with a file", "whole"),
        Column("Passes broken off", "whole"),
        Column("State"),
        measure("Swath recommended", "swath", system),
        measure("Swath approved", "swath", system),
    ]
    return Table(
        f"Tests at {visit.place} {visit.starts_on}",
        columns,
        (
            (
                row.test.setup.aircraft.registration,
                row.test.operator.name,
                row.test.setup.purpose,
                row.test.setup.number,
                row.test.flown_on,
                row.test.wind_speed_m_s,
                row.test.wind_from_deg,
                row.test.line_heading_deg,
                row.test.temperature_c,
                row.test.humidity_percent,
                row.file_count,
                row.aborted_count,
                WORDS_OF_PROGRESS[row.state],
                row.swath_m,
                row.approval and row.approval.swath_m,
            )
            for row in rows
        ),
    )


def approvals_table(rows: Iterable[Any], system: str) -> Table:
    """Approvals, and whether each stands today."""
    columns = [
        Column("Aircraft"),
        Column("Operator"),
        Column("Purpose"),
        Column("Revision", "whole"),
        measure("Swath", "swath", system),
        Column("Way of flying"),
        Column("CV (%)", "number", 1),
        Column("State"),
        Column("Approved", "moment"),
        Column("By"),
        Column("Until", "date"),
        Column("Note"),
    ]
    return Table(
        "Approvals",
        columns,
        (
            (
                one.aircraft.registration,
                one.operator.name,
                one.setup.purpose,
                one.setup.number,
                one.swath_m,
                one.get_manner_display(),
                one.cv_percent,
                ENDINGS[one.state],
                one.created_at,
                one.approved_by.name,
                one.valid_until,
                one.note,
            )
            for one in rows
        ),
    )


def trail_table(rows: Iterable[Any]) -> Table:
    """The audit trail, before and after as JSON."""
    columns = [
        Column("When", "moment"),
        Column("Who"),
        Column("Did"),
        Column("What"),
        Column("Operator"),
        Column("Before"),
        Column("After"),
    ]
    return Table(
        "Trail",
        columns,
        (
            (
                row.created_at,
                row.person_name,
                audit.DEEDS.get(row.deed, row.deed),
                row.subject_name,
                row.operator and row.operator.name,
                row.before and json.dumps(row.before, ensure_ascii=False),
                row.after and json.dumps(row.after, ensure_ascii=False),
            )
            for row in rows
        ),
    )


def papers_table(rows: Iterable[Any]) -> Table:
    """Numbers of papers, and what became of each."""
    columns = [
        Column("Number"),
        Column("Kind"),
        Column("Paper"),
        Column("Operator"),
        Column("Code"),
        Column("Asked for", "moment"),
        Column("By"),
        Column("Issued", "moment"),
        Column("Valid until", "date"),
        Column("State"),
        Column("SHA-256"),
    ]
    return Table("Papers", columns, (_paper_row(slip) for slip in rows))


def _paper_row(slip: Any) -> tuple[Any, ...]:
    paper = getattr(slip, "paper", None)
    return (
        slip.name,
        slip.get_kind_display(),
        paper and paper.title,
        slip.operator and slip.operator.name,
        grouped(slip.code),
        slip.created_at,
        slip.asked_by.name,
        paper and paper.created_at,
        paper and paper.valid_until,
        slip_state(slip, None).words,
        paper and paper.digest,
    )
