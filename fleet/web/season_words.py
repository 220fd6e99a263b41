"""The figures of a season in sentences, each with what it is a share of."""

from __future__ import annotations

import datetime

from fleet import measures
from fleet.models import MembershipKind, Season
from fleet.queries.achieved import Change
from fleet.queries.participation import Figures

# What the words of the page mean; the long form stands in `fleet.queries.participation`.
MEANINGS = (
    (
        "Season",
        "A test belongs to the season in which the day it was flown lies. A test outside every "
        "season counts in none.",
    ),
    (
        "Member",
        "An operator with a membership in the season, of any kind, even if it lapsed or the "
        "operator left before the season was over.",
    ),
    (
        "Took part",
        "Flew at least one test in the season, analysed or not. Operators without a membership "
        "that flew are counted beside the members.",
    ),
    ("For the first time", "Took part in this season and in none before."),
    ("Came again", "Took part in this season and in an earlier one."),
    (
        "Lapsed",
        "Took part in the season before this one and not in this one, member or not.",
    ),
    (
        "With a valid approval",
        "Aircraft in service of members on the season's last day, or today while it runs, with a "
        "swath approved for any purpose that had neither expired nor been superseded, withdrawn "
        "or ended by a changed set-up on that day.",
    ),
    (
        "First test to last",
        "For an aircraft and purpose tested more than once in the season: what the first analysed "
        "test recommended against what was approved last, on a later test, for the same way of "
        "flying. The change is the median of the changes of each, which need not be the "
        "difference of the two medians. Those never approved on a later test, and those whose "
        "first test recommended no swath, cannot be compared and are left out; their number is "
        "given.",
    ),
)


def day(date: datetime.date) -> str:
    """Write a date as people say it."""
    return f"{date:%-d %B %Y}"


def counted(number: int, one: str, many: str = "") -> str:
    """Write a number with what it counts."""
    return f"{number} {one if number == 1 else many or f'{one}s'}"


def dates(season: Season) -> str:
    """Write from when to when a season runs."""
    return f"{day(season.starts_on)} to {day(season.ends_on)}"


def of_members(found: Figures) -> str:
    """Say of how many members a number is."""
    if not found.members:
        return "no members, so no share"
    kinds = [
        f"{number} {MembershipKind(kind).label.lower()}{'s' if number != 1 else ''}"
        for kind, (number, _) in found.members_of_kind.items()
        if number
    ]
    return f"of {counted(found.members, 'member')} of the season ({', '.join(kinds)})"


def beside_members(found: Figures) -> str:
    """Say who took part without being a member; "" where nobody did."""
    if not found.others_part:
        return ""
    others = counted(found.others_part, "operator")
    return f"{others} without a membership took part as well."


def of_fleet(found: Figures) -> str:
    """Say of how many aircraft a share is, whose, and on which day."""
    if found.as_of is None:
        return "the season has not begun"
    of = f"{counted(found.members_on_day, 'member')} on {day(found.as_of)}"
    if not found.fleet:
        return f"no aircraft in service of {of}: no share"
    return f"of {found.fleet} aircraft in service of {of}"


def of_tests(found: Figures) -> str:
    """Say what the tests were of."""
    if not found.tests:
        return "no test yet" if not found.is_over else "no test"
    return (
        f"of {found.aircraft_tested} aircraft of {counted(found.operators_part, 'operator')}, on "
        f"{counted(found.visits, 'visit')}; {found.analysed} of them analysed"
    )


def compared(change: Change) -> str:
    """Say on what the medians rest, and what they leave out."""
    if change.lines:
        words = f"Median of {change.aircraft} aircraft"
        if change.lines != change.aircraft:
            words += f" ({change.lines} set-up purposes)"
        words += " tested more than once and approved on a later test."
    else:
        words = "No aircraft was tested again and approved then: nothing to compare."
    left = []
    if change.not_approved_again:
        left.append(f"{change.not_approved_again} tested again and not approved then")
    if change.none_at_first:
        left.append(f"{change.none_at_first} whose first test recommended no swath")
    return f"{words} Left out: {', '.join(left)}." if left else words


def cv_change(change: Change) -> str:
    """Say how the median CV went; "" where there is nothing to compare."""
    if change.cv_change_percent is None:
        return ""
    # Beside two rounded figures stands their difference, or else people find fault with the sum;
    # a median of changes that is more than rounding away from it is itself.
    rounded = round(change.cv_last_percent, 1) - round(change.cv_first_percent, 1)
    changed = change.cv_change_percent
    changed = rounded if abs(changed - rounded) < 0.1 else changed
    by = _by(changed, f"{abs(changed):.1f} points")
    return f"CV {change.cv_first_percent:.1f} % at first, {change.cv_last_percent:.1f} % last: {by}"


def swath_change(change: Change, system: str) -> str:
    """Say how the median swath went; "" where there is nothing to compare."""
    if change.swath_change_m is None:
        return ""
    first, last, moved = (
        measures.show(value, "swath", system)
        for value in (change.swath_first_m, change.swath_last_m, abs(change.swath_change_m))
    )
    return f"Swath {first} at first, {last} last: {_by(change.swath_change_m, moved)}"


def _by(change: float, words: str) -> str:
    if abs(change) < 0.05:
        return "no change in the middle"
    return f"{'up' if change > 0 else 'down'} {words}"
