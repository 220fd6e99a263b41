"""The thank-you report for somebody who gave time or material in a season."""

from __future__ import annotations

from fleet.jobs import JobRefused
from fleet.models import Gift, PaperSlip, Test, Visit
from fleet.queries.gifts import gift_sums, gifts_of
from reports.answer import day
from reports.paper import Draft
from reports.sheet import Box, Column, Sheet, Table, rows, to_html

NOTHING_GIVEN = "Nothing is on record that {giver} gave in season {season}."


def draft(slip: PaperSlip) -> Draft:
    """Return the report for the slip's giver and season."""
    season, giver = slip.season, slip.giver
    assert season is not None
    found = list(gifts_of(slip.asked_by).filter(season=season, giver=giver).order_by("given_on"))
    if not found:
        raise JobRefused(NOTHING_GIVEN.format(giver=giver, season=season))
    sums = gift_sums(found)
    helped = _helped(found)
    sheet = Sheet(
        title=f"Thank you, {giver}",
        who=(f"For what you gave to the programme in season {season}",),
        subject=f"{giver}, season {season}",
        boxes=tuple(Box(one.what, f"{one.amount:g} {one.unit}") for one in sums[:3]),
        tables=(
            Table(
                "What you gave",
                (Column("Day", 20), Column("What", 40), Column("Amount", 15), Column("For")),
                rows(*(_row(one) for one in found)),
            ),
            Table(
                "What it helped to do",
                (
                    Column("Visit", 50),
                    Column("Tests flown", 20),
                    Column("Operators"),
                ),
                rows(*((str(v), str(tests), str(operators)) for v, tests, operators in helped)),
                "It was given to the season as a whole.",
            ),
        ),
        caution="",
    )
    return Draft(
        title=f"Thank-you report {giver}, {season}",
        record={
            "giver": giver,
            "season": season.name,
            "gifts": [
                {
                    "given_on": one.given_on.isoformat(),
                    "kind": one.kind,
                    "what": one.what,
                    "amount": one.amount,
                    "unit": one.unit,
                    "visit": str(one.visit_id) if one.visit_id else None,
                }
                for one in found
            ],
        },
        stated_at=slip.created_at,
        html=lambda foot: to_html(sheet, slip.page_size, foot),
    )


def _row(one: Gift) -> tuple[str, ...]:
    what = one.what or one.get_kind_display()
    return (day(one.given_on), what, f"{one.amount:g} {one.unit}", str(one.visit or "the season"))


def _helped(found: list[Gift]) -> list[tuple[Visit, int, int]]:
    """The visits the gifts were for, with the tests flown there."""
    visits = {one.visit_id: one.visit for one in found if one.visit}
    tests = Test.objects.filter(visit__in=visits).values_list("visit", "operator")
    flown = list(tests)
    return [
        (visit, sum(v == key for v, _ in flown), len({o for v, o in flown if v == key}))
        for key, visit in visits.items()
    ]
