"""A jurisdiction's season return: every aircraft under its rules, and how each stands."""

from __future__ import annotations

from collections import Counter
from itertools import groupby

from django.utils import timezone

from fleet.jobs import JobRefused
from fleet.models import PaperSlip
from fleet.queries.duties import STATE_WORDS, Duty, duties
from reports.answer import day
from reports.paper import CAUTION, Draft
from reports.sheet import Box, Column, Sheet, Table, to_html

NOTHING_ASKED = "{jurisdiction} asked nothing of any aircraft on {on}; there is no return to make."
COLUMNS = (
    Column("Aircraft", 8),
    Column("Kind", 10),
    Column("Operator", 17),
    Column("State", 9),
    Column("Met until", 15),
    Column("Why"),
)


def draft(slip: PaperSlip) -> Draft:
    """Return the return as of the season's last day, or of today while the season runs."""
    jurisdiction, season = slip.jurisdiction, slip.season
    assert jurisdiction is not None
    assert season is not None
    asked_on = timezone.localdate(slip.created_at)
    on = min(season.ends_on, asked_on)
    found = [
        duty
        for duty in duties(slip.asked_by, today=None if on == asked_on else on)
        if duty.requirement.jurisdiction_id == jurisdiction.pk and duty.state != "not_covered"
    ]
    if not found:
        raise JobRefused(NOTHING_ASKED.format(jurisdiction=jurisdiction, on=day(on)))
    found.sort(key=lambda one: (one.requirement.name, one.aircraft.registration))
    tally: Counter[str] = Counter(one.state for one in found)
    met = tally["met"] + tally["due_soon"]
    words = [
        f"{tally[state]} {STATE_WORDS[state].lower()}" for state in STATE_WORDS if tally[state]
    ]
    sheet = Sheet(
        title=f"Season return to {jurisdiction}",
        who=(f"Season {season}, as of {day(on)}", "All aircraft on record here under its rules."),
        subject=f"{jurisdiction}, season {season}",
        boxes=(
            Box(
                "Duties met",
                f"{met} of {len(found)}",
                (f"Each aircraft under each rule counts once: {', '.join(words)}.",),
            ),
            Box("Aircraft", str(len({one.aircraft.pk for one in found})), ()),
        ),
        tables=tuple(
            _table(name, list(group))
            for name, group in groupby(found, key=lambda one: one.requirement.name)
        ),
        caution=CAUTION,
    )
    return Draft(
        title=f"Season return {jurisdiction}, {season}",
        record={
            "jurisdiction": str(jurisdiction),
            "season": season.name,
            "as_of": on.isoformat(),
            "duties": [_record(one) for one in found],
        },
        stated_at=slip.created_at,
        html=lambda foot: to_html(sheet, slip.page_size, foot),
    )


def _table(name: str, found: list[Duty]) -> Table:
    groups = tuple(
        (
            one.aircraft.registration,
            one.aircraft.get_kind_display(),
            one.aircraft.operator.name,
            one.words,
            day(one.met_until) if one.met_until else "–",
            " ".join(one.why),
        )
        for one in found
    )
    return Table(name, COLUMNS, (("", groups),))


def _record(duty: Duty) -> dict[str, object]:
    return {
        "aircraft": duty.aircraft.registration,
        "aircraft_id": str(duty.aircraft.pk),
        "operator": duty.aircraft.operator.name,
        "requirement": duty.requirement.name,
        "version": duty.version.number if duty.version else None,
        "state": duty.state,
        "met_until": duty.met_until.isoformat() if duty.met_until else None,
        "reasons": list(duty.why),
    }
