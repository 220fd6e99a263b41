"""What a test report is asked for: the swath that was approved, and what the test recommends."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from typing import Final

from django.utils import timezone

from fleet.measures import number, said, show
from fleet.models import AnalysisRun, Approval, Manner
from patterns.overlap import MANNERS
from patterns.swath import SwathChoice


@dataclass(frozen=True, slots=True)
class Reason:
    """A paragraph with the words that lead it in."""

    lead: str
    text: str


@dataclass(frozen=True, slots=True)
class Answer:
    """One swath as it stands in the top third: figure, way of flying, what bounds it.

    `figure` is empty where there is no swath; `until` is the line that matters next; `ended` says
    in a word what became of an approval that no longer stands.
    """

    heading: str
    figure: str
    manner: str
    lines: tuple[str, ...]
    until: str = ""
    ended: str = ""


def day(moment: datetime.date | datetime.datetime) -> str:
    """Write a day as people do: 14 April 2026, in the service's own time zone."""
    if isinstance(moment, datetime.datetime):
        moment = timezone.localdate(moment)
    return f"{moment:%-d %B %Y}"


def answers(
    analysis: AnalysisRun, approval: Approval | None, usual: str, system: str
) -> tuple[Answer, ...]:
    """Return what is approved, then what is recommended, the set-up's way of flying first."""
    approved = _approved(approval, system) if approval else _nothing_approved()
    return (approved, *(_recommended(analysis, m, usual, system) for m in _in_order(usual)))


def _in_order(usual: str) -> list[str]:
    return sorted(MANNERS, key=lambda manner: manner != usual)


# --- Approved -------------------------------------------------------------------------------------


def _nothing_approved() -> Answer:
    return Answer(
        heading="Approved swath",
        figure="",
        manner="",
        lines=("No swath has been approved on this analysis.",),
    )


def _approved(approval: Approval, system: str) -> Answer:
    high = approval.cv_high_percent
    bound = "" if high is None else f", upper bound {high:.1f} %"
    ended = ended_word(approval)
    outside = ("Outside the evidence, see the reason below",) if approval.outside_reason else ()
    return Answer(
        heading="Approved swath",
        figure=show(approval.swath_m, "swath", system),
        manner=approval.get_manner_display(),
        lines=(
            f"Approved by {approval.approved_by.name}, {day(approval.created_at)}",
            f"CV there {approval.cv_percent:.1f} %{bound}",
            *outside,
        ),
        until=f"{'Was valid' if ended else 'Valid'} until {day(approval.valid_until)}",
        ended=ended,
    )


def ended_word(approval: Approval) -> str:
    """Say what ended an approval, in a word; "" while nothing has."""
    if hasattr(approval, "withdrawal"):
        return "Withdrawn"
    return "Superseded" if hasattr(approval, "superseded_by") else ""


def ending(approval: Approval, system: str) -> str:
    """Say when, by whom and why an approval ended; "" while it has not."""
    if hasattr(approval, "withdrawal"):
        taken = approval.withdrawal
        return (
            f"Withdrawn by {taken.withdrawn_by.name}, {day(taken.created_at)}: {taken.reason} "
            "Do not use this swath."
        )
    if hasattr(approval, "superseded_by"):
        newer = approval.superseded_by
        return (
            f"Superseded on {day(newer.created_at)} by the approval of "
            f"{show(newer.swath_m, 'swath', system)}, {newer.get_manner_display().lower()}, valid "
            f"until {day(newer.valid_until)}. Do not use this swath."
        )
    return ""


def stated_at(analysis: AnalysisRun, approval: Approval | None) -> datetime.datetime:
    """Return the moment of the latest statement that the report repeats."""
    moments = [analysis.created_at]
    if approval is not None:
        moments.append(approval.created_at)
        moments += [
            getattr(approval, end).created_at
            for end in ("withdrawal", "superseded_by")
            if hasattr(approval, end)
        ]
    return max(moments)


# --- Recommended ----------------------------------------------------------------------------------


def _recommended(analysis: AnalysisRun, manner: str, usual: str, system: str) -> Answer:
    choice: SwathChoice = getattr(analysis.result.recommended, manner)
    words = Manner(manner).label
    return Answer(
        heading="Recommended by the test",
        figure=show(choice.swath_m, "swath", system) if choice.swath_m is not None else "",
        manner=words,
        until="The set-up's way of flying" if manner == usual else "The other way of flying",
        lines=_bounds(choice, system),
    )


def _bounds(choice: SwathChoice, system: str) -> tuple[str, ...]:
    lines = []
    if choice.cv_percent is not None:
        low, high = choice.cv_low_percent, choice.cv_high_percent
        bounds = "" if low is None or high is None else f", {low:.1f} to {high:.1f} %"
        lines.append(f"CV there {choice.cv_percent:.1f} %{bounds}")
    if choice.swath_m is None:
        lines.append("No swath can be recommended.")
    if choice.widest_passing_m is not None:
        widest = show(choice.widest_passing_m, "swath", system)
        lines.append(f"Widest within the limit {widest}{_range(choice, system)}")
    return tuple(lines)


def _range(choice: SwathChoice, system: str) -> str:
    if choice.lowest_sure_m is None or choice.highest_sure_m is None:
        return ""
    low = number(choice.lowest_sure_m, "swath", system)
    return f", {low} to {number(choice.highest_sure_m, 'swath', system)}"


# --- Why ------------------------------------------------------------------------------------------

_LEADS: Final = {
    "one_way": "Why this swath, one-way.",
    "back_and_forth": "Why this swath, back-and-forth.",
}
_LEAD_BOTH: Final = "Why this swath, both ways of flying."


def reasons(
    analysis: AnalysisRun, approval: Approval | None, usual: str, system: str
) -> tuple[Reason, ...]:
    """Return why the swaths are what they are, what was approved against them, what ended it."""
    found = []
    if approval is not None:
        found += [
            Reason("The approval.", ending(approval, system)),
            Reason("Why outside the evidence.", approval.outside_reason),
            Reason("Note of the analyst.", approval.note),
        ]
    both = analysis.result.recommended
    if both.one_way.reason == both.back_and_forth.reason:
        found.append(Reason(_LEAD_BOTH, said(both.one_way.reason, system)))
    else:
        found += [
            Reason(_LEADS[manner], said(getattr(both, manner).reason, system))
            for manner in _in_order(usual)
        ]
    return tuple(reason for reason in found if reason.text)
