"""The participation report for the board: who took part, of how many, and what it achieved."""

from __future__ import annotations

from typing import cast

from fleet.measures import number, unit_of
from fleet.models import MembershipKind, PaperSlip
from fleet.queries.participation import Figures, all_seasons, figures
from patterns.draw import System
from patterns.draw.tally import (
    ChangeBar,
    PartBar,
    SharePoint,
    change_chart,
    part_chart,
    share_chart,
)
from patterns.plain import plain
from reports.answer import day
from reports.figures import Figure, column, figure
from reports.paper import Draft
from reports.sheet import Box, Column, Sheet, Table, rows, to_html

SEASONS_SHOWN = 6
PLOT_PX = 150.0


def draft(slip: PaperSlip) -> Draft:
    """Return the report on a season, beside those before it."""
    season, system = slip.season, cast(System, slip.unit_system)
    assert season is not None
    until = [one for one in all_seasons() if one.starts_on <= season.starts_on]
    found = figures(slip.asked_by, seasons=until[-SEASONS_SHOWN:])
    now = found[-1]
    sheet = Sheet(
        title=f"Participation, season {season}",
        who=(f"{day(season.starts_on)} to {day(season.ends_on)}, as on record {_asked(slip)}",),
        subject=f"Season {season}",
        boxes=_boxes(now),
        figures=_charts(found, system),
        tables=(_side_by_side(found, system), _kinds(now)),
        caution="",
    )
    return Draft(
        title=f"Participation {season}",
        record={"season": season.name, "seasons": [_record(one) for one in found]},
        stated_at=slip.created_at,
        html=lambda foot: to_html(sheet, slip.page_size, foot),
    )


def _asked(slip: PaperSlip) -> str:
    return f"on {day(slip.created_at)}"


def _percent(value: float | None) -> str:
    return "–" if value is None else f"{value:.0f} %"


def _boxes(now: Figures) -> tuple[Box, ...]:
    as_of = f" on {day(now.as_of)}" if now.as_of else ""
    return (
        Box(
            "Members that took part",
            f"{now.members_part} of {now.members}",
            (f"{_percent(now.part_percent)} of the members of the season.",),
        ),
        Box(
            "Fleet with a valid approval",
            f"{now.approved} of {now.fleet}",
            (
                f"{_percent(now.approved_percent)} of the aircraft in service of "
                f"{now.members_on_day} members{as_of}.",
            ),
        ),
        Box(
            "Tests flown",
            str(now.tests),
            (f"{now.aircraft_tested} aircraft on {now.visits} visits.",),
        ),
    )


def _charts(found: list[Figures], system: System) -> tuple[Figure, ...]:
    size = column(PLOT_PX)
    names = [one.season.name for one in found]
    parts = [
        PartBar(n, f.first_timers, f.returners, f.no_part)
        for n, f in zip(names, found, strict=True)
    ]
    shares = [SharePoint(n, f.approved, f.fleet) for n, f in zip(names, found, strict=True)]
    changes = [
        ChangeBar(n, f.change.cv_first_percent, f.change.cv_last_percent, f.change.lines)
        for n, f in zip(names, found, strict=True)
    ]
    return (
        figure(part_chart(parts, what="operators", size=size)),
        figure(
            share_chart(
                shares,
                title="Fleet with a valid approval",
                name="Share",
                of_what="aircraft in service",
                size=size,
            )
        ),
        figure(change_chart(changes, quantity="cv", system=system, size=size)),
    )


def _side_by_side(found: list[Figures], system: str) -> Table:
    names = tuple(Column(one.season.name) for one in found)
    unit = unit_of("swath", system)

    def line(name: str, *cells: str) -> tuple[str, ...]:
        return (name, *cells)

    return Table(
        "Seasons side by side",
        (Column("Count", 38), *names),
        rows(
            line("Members", *(str(f.members) for f in found)),
            line("of them took part", *(str(f.members_part) for f in found)),
            line("Others that took part", *(str(f.others_part) for f in found)),
            line("First-timers", *(str(f.first_timers) for f in found)),
            line("Returners", *(str(f.returners) for f in found)),
            line(
                "Lapsed (flew the season before, not this one)",
                *("–" if f.lapsed is None else str(f.lapsed) for f in found),
            ),
            line("Tests", *(str(f.tests) for f in found)),
            line("Aircraft tested", *(str(f.aircraft_tested) for f in found)),
            line("Aircraft in service on the day counted", *(str(f.fleet) for f in found)),
            line("of them with a valid approval", *(str(f.approved) for f in found)),
            line(
                "Median CV, first test to last approved, %",
                *(
                    _pair(f.change.cv_first_percent, f.change.cv_last_percent, "{:.1f}")
                    for f in found
                ),
            ),
            line(
                f"Median swath, first test to last approved, {unit}",
                *(
                    f"{number(f.change.swath_first_m, 'swath', system)} to "
                    f"{number(f.change.swath_last_m, 'swath', system)}"
                    for f in found
                ),
            ),
            line("Set-ups these medians rest on", *(str(f.change.lines) for f in found)),
        ),
        notes=(
            "Medians are of aircraft and purposes tested more than once in the season and approved "
            "again; the others are left out.",
        ),
    )


def _pair(first: float | None, last: float | None, form: str) -> str:
    shown = ["–" if one is None else form.format(one) for one in (first, last)]
    return " to ".join(shown)


def _kinds(now: Figures) -> Table:
    found = [
        (MembershipKind(kind).label, str(whole), str(part))
        for kind, (whole, part) in sorted(now.members_of_kind.items())
    ]
    return Table(
        f"Members of season {now.season} by kind",
        (
            Column("Kind", 50),
            Column("Members", 20),
            Column("Took part"),
        ),
        rows(*found),
        "No members.",
    )


def _record(one: Figures) -> dict[str, object]:
    values: dict[str, object] = plain(one)
    values["season"] = one.season.name
    values["as_of"] = one.as_of.isoformat() if one.as_of else None
    return values
