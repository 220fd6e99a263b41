"""Choosing the swath: the widest one that stays even when the lines are flown imperfectly."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from patterns.overlap import Manner
from patterns.uniformity import Uniformity

RULES: Final = (
    "line_error",
    "upper_bound",
    "mean_curve",
    "sweep_end",
    "one_pass",
    "none_passes",
    "none_sure",
    "none_steady",
)


@dataclass(frozen=True, slots=True)
class SwathChoice:
    """The recommended swath of one way of flying, and how it came about.

    Lengths are in metres, CVs in percent. The three figures of `recommended swath` are None
    together when no swath is recommended.
    """

    manner: Manner
    swath_m: float | None
    cv_percent: float | None
    cv_low_percent: float | None
    cv_high_percent: float | None
    lowest_sure_m: float | None
    highest_sure_m: float | None
    widest_passing_m: float | None
    first_failure_m: float | None
    rule: str
    reason: str
    cv_limit_percent: float
    line_error_m: float
    passes_again_m: float | None = None
    worst_swath_m: float | None = None
    worst_cv_percent: float | None = None
    sweep_from_m: float | None = None
    sweep_to_m: float | None = None


def choose_swath(
    uniformity: Uniformity,
    manner: Manner,
    cv_limit_percent: float = 25.0,
    line_error_m: float = 1.0,
) -> SwathChoice:
    """Recommend a swath for one way of flying."""
    raise NotImplementedError
