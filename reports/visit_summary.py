"""The summary of a visit: who came, what was tested and found, what was used."""

from __future__ import annotations

from collections.abc import Sequence

from fleet.measures import show
from fleet.models import PaperSlip, Visit
from fleet.queries.gifts import Sum, gift_sums, gifts_of, supplies_of, supply_sums
from fleet.queries.progress import Progress, tests_on
from fleet.queries.records import approval_record
from reports.answer import day
from reports.paper import Draft
from reports.sheet import Box, Column, Sheet, Table, rows, to_html

STATES = {
    "running": "Being analysed",
    "approved": "Approved",
    "withdrawn": "Approval withdrawn",
    "superseded": "Approval superseded",
    "done": "Analysed, nothing approved",
    "queued": "Not analysed",
    "untested": "No passes",
}


def draft(slip: PaperSlip) -> Draft:
    """Return the summary of the slip's visit as it stands."""
    visit = slip.visit
    assert visit is not None
    found = tests_on(slip.asked_by, visit)
    supplies = supply_sums(supplies_of(slip.asked_by).filter(visit=visit))
    gifts = gift_sums(gifts_of(slip.asked_by).filter(visit=visit))
    approved = sum(one.state == "approved" for one in found)
    operators = {one.test.operator_id for one in found}
    aircraft = {one.test.setup.aircraft_id for one in found}
    sheet = Sheet(
        title=f"Visit to {visit.place}",
        who=(_days(visit), f"{visit.get_kind_display()}, analyst {visit.analyst.name}"),
        subject=str(visit),
        boxes=(
            Box(
                "Tests flown",
                str(len(found)),
                (f"{len(aircraft)} aircraft of {len(operators)} operators.",),
            ),
            Box("Swaths approved", f"{approved} of {len(found)}", ("Tests with an approval.",)),
        ),
        tables=(
            _tests(found, slip.unit_system),
            _sums("Used", supplies, "Nothing was entered as used."),
            _sums("Given for this visit", gifts, "Nothing was entered as given."),
        ),
    )
    return Draft(
        title=f"Visit summary {visit}",
        record={
            "visit": {
                "id": str(visit.pk),
                "kind": visit.kind,
                "place": visit.place,
                "starts_on": visit.starts_on.isoformat(),
                "ends_on": visit.ends_on.isoformat(),
                "analyst": visit.analyst.name,
            },
            "tests": [_record(one) for one in found],
            "used": [[one.what, one.amount, one.unit] for one in supplies],
            "given": [[one.what, one.amount, one.unit] for one in gifts],
        },
        stated_at=slip.created_at,
        html=lambda foot: to_html(sheet, slip.page_size, foot),
    )


def _days(visit: Visit) -> str:
    if visit.starts_on == visit.ends_on:
        return day(visit.starts_on)
    return f"{day(visit.starts_on)} to {day(visit.ends_on)}"


def _tests(found: list[Progress], system: str) -> Table:
    return Table(
        "Tests in the order in which they were flown",
        (
            Column("Aircraft", 9),
            Column("Operator", 19),
            Column("Set-up", 19),
            Column("Passes", 7),
            Column("Result", 14),
            Column("Swath", 8),
            Column("Way, CV"),
        ),
        rows(*(_row(one, system) for one in found)),
        "No test was flown on this visit.",
    )


def _row(one: Progress, system: str) -> tuple[str, ...]:
    test, approval = one.test, one.approval
    swath_m = approval.swath_m if approval else None
    return (
        test.setup.aircraft.registration,
        test.operator.name,
        str(test.setup),
        str(one.analysis.accepted_passes if one.analysis else one.file_count),
        STATES[one.state],
        show(swath_m, "swath", system),
        f"{approval.get_manner_display()}, {approval.cv_percent:.1f} %" if approval else "–",
    )


def _sums(heading: str, sums: Sequence[Sum], nothing: str) -> Table:
    found = [(one.what, f"{one.amount:g}", one.unit) for one in sums]
    columns = (Column("What", 40), Column("Amount", 15), Column("Unit"))
    return Table(heading, columns, rows(*found), nothing)


def _record(one: Progress) -> dict[str, object]:
    return {
        "id": str(one.test.pk),
        "aircraft": one.test.setup.aircraft.registration,
        "operator": one.test.operator.name,
        "setup": str(one.test.setup),
        "flown_on": one.test.flown_on.isoformat(),
        "state": one.state,
        "approval": approval_record(one.approval) if one.approval else None,
    }
