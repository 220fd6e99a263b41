"""Choosing the swath: the widest one that stays even when the lines are flown imperfectly.

The rule (own, in the order of its parts):

1. A swath *passes* when the CV of the mean pattern is within the limit. The default of 25 % is the
   one by which D. Martin, W. Woldt and M. Latheef define effective swath (Drones 3(4):83, 2019,
   doi 10.3390/drones3040083).
2. It passes *surely* when the upper bound of the CV over the passes is within the limit.
3. It is *steady* when every swath of the sweep within the line error on either side passes surely:
   nobody flies lines to the metre. In a sweep with steps longer than the line error the
   neighbouring swaths stand in for it. Where the sweep ends before the line error does, nothing
   is known of the swaths beyond, and the swath is not steady.

The recommended swath is the widest steady one. CV against swath need not rise all the way: it can
fail and pass again further out, so the widest passing swath and the first failing one are given
beside it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from patterns.errors import InputError
from patterns.overlap import Manner
from patterns.uniformity import ManneredCurve, Uniformity

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

RULES: Final = {
    "line_error": "The line error decided: a wider swath passes surely, but not steadily.",
    "upper_bound": "The spread between passes decided: a wider swath passes, but not surely.",
    "mean_curve": "The mean curve decided: no wider swath passes at all.",
    "sweep_end": "The end of the sweep decided: every wider swath lies too near to it to judge.",
    "one_pass": "One pass only: the mean curve with the line error, and no knowledge of spread.",
    "none_passes": "No swath: none passes by the mean of the passes.",
    "none_sure": "No swath: some pass by the mean, none by the upper bound.",
    "none_steady": "No swath: some pass, none over the whole line error on both sides.",
}

# CV and limit are compared with this share of slack, so that a swath exactly at the limit passes
# whatever the last digits of the sum (a triangle flown at 3/4 of its base has exactly 25 %).
_SLACK: Final = 1e-9
# The same for distances; the sweep comes from sums of steps. [m]
_SAME_PLACE_M: Final = 1e-6


@dataclass(frozen=True, slots=True)
class SwathChoice:
    """The recommended swath of one way of flying, and how it came about.

    Attributes
    ----------
    manner : "one_way" or "back_and_forth".
    swath_m : recommended swath; None when there is none. [m]
    cv_percent, cv_low_percent, cv_high_percent : CV of the mean there and its bounds over the
        passes; None when there is no swath, the bounds also with one pass. [%]
    lowest_sure_m, highest_sure_m : widest swath that passes by the upper and by the lower bound
        of the CV: the range of `widest_passing_m` over the passes. None where none does. [m]
    widest_passing_m : widest swath that passes by the mean; None where none does. [m]
    first_failure_m : first swath, going out, that fails by the mean; None where none does. [m]
    rule : key of `RULES`.
    reason : plain sentences that say which rule decided and why, in metres.
    cv_limit_percent, line_error_m : what was asked. [%], [m]
    passes_again_m : first swath beyond `first_failure_m` that passes by the mean again. [m]
    worst_swath_m, worst_cv_percent : where within the line error of the recommended swath the CV
        that decides (upper bound; mean with one pass) is highest, and that CV. [m], [%]
    sweep_from_m, sweep_to_m : ends of the sweep. [m]
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
    passes_again_m: float | None
    worst_swath_m: float | None
    worst_cv_percent: float | None
    sweep_from_m: float
    sweep_to_m: float


@dataclass(frozen=True, slots=True)
class _Sweep:
    """What each swath of the sweep does against the limit; arrays are (K,)."""

    swath_m: Floats
    passes: Flags  # by the mean
    sure: Flags  # by the curve that decides
    possible: Flags  # by the lower bound
    judged: Flags  # the line error lies within the sweep
    steady: Flags
    deciding: Floats  # the CV that decides: upper bound, or the mean with one pass
    bounded: bool
    limit_percent: float
    error_m: float


def choose_swath(
    uniformity: Uniformity,
    manner: Manner,
    cv_limit_percent: float = 25.0,
    line_error_m: float = 1.0,
) -> SwathChoice:
    """Recommend a swath for one way of flying, by the rule of this module.

    Parameters
    ----------
    uniformity : curves of the sweep.
    manner : "one_way" or "back_and_forth".
    cv_limit_percent : highest CV that passes, above zero; a CV higher by less than a billionth of
        it still passes. [%]
    line_error_m : how much too wide or too narrow the lines may be flown, zero or more. [m]

    Returns
    -------
    SwathChoice

    Raises
    ------
    InputError
        For a limit or a line error out of range, or an unknown manner.
    """
    curve = _curve_of(uniformity, manner)
    if not (np.isfinite(cv_limit_percent) and cv_limit_percent > 0.0):
        raise InputError("CV limit", f"{cv_limit_percent:g} % is no limit", "give one above zero")
    if not (np.isfinite(line_error_m) and line_error_m >= 0.0):
        raise InputError("line error", f"{line_error_m:g} m is no error", "give zero or more")
    sweep = _judge(uniformity.swath_m, curve, cv_limit_percent, line_error_m)
    at = _last(sweep.steady)
    first_failure = _first(~sweep.passes)
    again = None
    if first_failure is not None:
        again = _first(sweep.passes & (np.arange(sweep.passes.size) > first_failure))
    rule = _rule(sweep)
    worst = None if at is None else _worst(sweep, at)
    bounded_at = at if sweep.bounded else None
    return SwathChoice(
        manner=manner,
        swath_m=_value(sweep.swath_m, at),
        cv_percent=_value(curve.cv_percent, at),
        cv_low_percent=_value(curve.low_percent, bounded_at),
        cv_high_percent=_value(curve.high_percent, bounded_at),
        lowest_sure_m=_value(sweep.swath_m, _last(sweep.sure)) if sweep.bounded else None,
        highest_sure_m=_value(sweep.swath_m, _last(sweep.possible)) if sweep.bounded else None,
        widest_passing_m=_value(sweep.swath_m, _last(sweep.passes)),
        first_failure_m=_value(sweep.swath_m, first_failure),
        rule=rule,
        reason=_reason(sweep, rule, at, worst, first_failure, again),
        cv_limit_percent=cv_limit_percent,
        line_error_m=line_error_m,
        passes_again_m=_value(sweep.swath_m, again),
        worst_swath_m=_value(sweep.swath_m, worst),
        worst_cv_percent=_value(sweep.deciding, worst),
        sweep_from_m=float(sweep.swath_m[0]),
        sweep_to_m=float(sweep.swath_m[-1]),
    )


def _curve_of(uniformity: Uniformity, manner: str) -> ManneredCurve:
    if manner == "one_way":
        return uniformity.one_way
    if manner == "back_and_forth":
        return uniformity.back_and_forth
    raise InputError(
        "way of flying", f"{manner!r} is not known", "use 'one_way' or 'back_and_forth'"
    )


def _judge(swaths: Floats, curve: ManneredCurve, limit: float, error: float) -> _Sweep:
    highest = limit * (1.0 + _SLACK)
    bounded = bool(np.all(np.isfinite(curve.high_percent)))
    deciding = curve.high_percent if bounded else curve.cv_percent
    sure = deciding <= highest
    judged = (swaths - error >= swaths[0] - _SAME_PLACE_M) & (
        swaths + error <= swaths[-1] + _SAME_PLACE_M
    )
    near = np.array([_near(swaths, at, error) for at in range(swaths.size)])
    steady = judged & ~np.any(near & ~sure[None, :], axis=1)
    return _Sweep(
        swath_m=swaths,
        passes=curve.cv_percent <= highest,
        sure=sure,
        possible=curve.low_percent <= highest if bounded else sure,
        judged=judged,
        steady=steady,
        deciding=deciding,
        bounded=bounded,
        limit_percent=limit,
        error_m=error,
    )


def _near(swaths: Floats, at: int, error: float) -> Flags:
    """Flag the swaths within the line error of one, its neighbours at least: (K,)."""
    near: Flags = np.abs(swaths - swaths[at]) <= error + _SAME_PLACE_M
    if error > 0.0:
        near[max(at - 1, 0) : at + 2] = True
    return near


def _worst(sweep: _Sweep, at: int) -> int:
    near = _near(sweep.swath_m, at, sweep.error_m)
    return int(np.argmax(np.where(near, sweep.deciding, -np.inf)))


def _rule(sweep: _Sweep) -> str:
    at, sure, passing = _last(sweep.steady), _last(sweep.sure), _last(sweep.passes)
    if at is None:
        if passing is None:
            return "none_passes"
        return "none_sure" if sure is None else "none_steady"
    if not sweep.bounded:
        return "one_pass"
    if at == _last(sweep.judged) and at < sweep.swath_m.size - 1:
        return "sweep_end"
    if sure is not None and at < sure:
        return "line_error"
    if passing is not None and at < passing:
        return "upper_bound"
    return "sweep_end" if at == sweep.swath_m.size - 1 else "mean_curve"


def _reason(
    sweep: _Sweep,
    rule: str,
    at: int | None,
    worst: int | None,
    first_failure: int | None,
    again: int | None,
) -> str:
    """Put the rule into sentences."""
    sentences = [_refusal(sweep, rule) if worst is None else _verdict(sweep, worst)]
    if not sweep.bounded:
        sentences.append(
            "One pass says nothing about how much passes differ, so this cannot be sure: "
            "fly and read at least two more."
        )
    sentences.append(_comparison(sweep, at))
    sentences.append(_failures(sweep, first_failure, again))
    sentences.append(_edges(sweep, at))
    return " ".join(sentence for sentence in sentences if sentence)


def _verdict(sweep: _Sweep, worst: int) -> str:
    subject = "upper bound" if sweep.bounded else "mean CV"
    reached = f"{_number(sweep.deciding[worst])} %"
    limit = f"{_number(sweep.limit_percent)} %"
    if sweep.error_m == 0.0:
        return f"Widest swath whose {subject} ({reached}) stays within {limit}."
    return (
        f"Widest swath whose {subject} ({reached}) stays within {limit} when the lines are flown "
        f"{_number(sweep.error_m)} m too wide or too narrow."
    )


def _refusal(sweep: _Sweep, rule: str) -> str:
    limit = f"{_number(sweep.limit_percent)} %"
    span = f"from {_number(sweep.swath_m[0])} to {_number(sweep.swath_m[-1])} m"
    if rule == "none_passes":
        return f"No swath {span} has a CV within {limit}."
    if rule == "none_sure":
        return f"No swath {span} has its upper bound within {limit}."
    subject = "upper bound" if sweep.bounded else "mean CV"
    return (
        f"No swath {span} keeps its {subject} within {limit} when the lines are flown "
        f"{_number(sweep.error_m)} m too wide or too narrow."
    )


def _comparison(sweep: _Sweep, at: int | None) -> str:
    """Say what the simpler rules would allow, where they would allow more."""
    sure, passing = _last(sweep.sure), _last(sweep.passes)
    floor = -1 if at is None else at
    parts = []
    if sweep.bounded and sure is not None and sure > floor:
        parts.append(f"The upper bound without line error would allow {_metres(sweep, sure)}")
    if passing is not None and passing > floor and passing != (sure if sweep.bounded else None):
        parts.append(
            f"the mean curve alone {_metres(sweep, passing)}"
            if parts
            else f"The mean curve alone would allow {_metres(sweep, passing)}"
        )
    return f"{' and '.join(parts)}." if parts else ""


def _failures(sweep: _Sweep, first_failure: int | None, again: int | None) -> str:
    if first_failure is None:
        return "The mean curve fails nowhere in the sweep."
    if first_failure == 0 and again is None:
        return ""
    text = f"The mean curve first fails at {_metres(sweep, first_failure)}"
    if again is None:
        return f"{text}."
    return f"{text} and passes again from {_metres(sweep, again)}."


def _edges(sweep: _Sweep, at: int | None) -> str:
    """Say what the sweep could not tell."""
    start, end = _metres(sweep, 0), _metres(sweep, sweep.swath_m.size - 1)
    first, last = _first(sweep.judged), _last(sweep.judged)
    notes = []
    if first is None or last is None:
        notes.append(
            f"The sweep from {start} to {end} is shorter than twice the line error: widen it."
        )
    else:
        if at is None and np.any(sweep.sure[:first]):
            notes.append(
                f"The sweep starts at {start}, so nothing narrower than {_metres(sweep, first)} "
                "could be judged: start it at a narrower swath."
            )
        if np.any(sweep.sure[last + 1 :]) or at == sweep.swath_m.size - 1:
            notes.append(
                f"The sweep ends at {end}, so nothing wider than {_metres(sweep, last)} could be "
                "judged: a longer sweep may allow more."
            )
    gaps = np.diff(sweep.swath_m)
    if sweep.error_m > 0.0 and gaps.size and gaps.max() > sweep.error_m + _SAME_PLACE_M:
        notes.append(
            f"The sweep has steps of up to {_number(gaps.max())} m, longer than the line error, so "
            "the neighbouring swaths stood in for it: use a finer sweep."
        )
    return " ".join(notes)


def _first(flags: Flags) -> int | None:
    return int(np.argmax(flags)) if np.any(flags) else None


def _last(flags: Flags) -> int | None:
    return int(flags.size - 1 - np.argmax(flags[::-1])) if np.any(flags) else None


def _value(values: Floats, index: int | None) -> float | None:
    return None if index is None else float(values[index])


def _metres(sweep: _Sweep, index: int) -> str:
    return f"{sweep.swath_m[index]:.2f}".rstrip("0").rstrip(".") + " m"


def _number(value: float) -> str:
    """Write a number with one decimal, or none where it is whole."""
    return f"{value:.1f}".removesuffix(".0")
