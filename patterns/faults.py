"""What can be wrong with one pass, told from that pass alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from patterns.background import Background
from patterns.parameters import PassParameters
from patterns.remarks import Remark
from patterns.tracefile import Trace

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Dropout:
    """A stretch in which the instrument lost its signal [m]."""

    from_m: float
    to_m: float

    @property
    def width_m(self) -> float:
        """Length of the stretch [m]."""
        return self.to_m - self.from_m


def find_dropouts(
    position_m: Floats, reading: Floats, background: Background, parameters: PassParameters
) -> tuple[tuple[Dropout, ...], Mask]:
    """Find where the signal was lost inside the deposit.

    A dropout is a run of readings that falls from well above the background to it, or below it,
    within one step, and returns as suddenly. Air smears every edge of a deposit over more than
    that. A run at the background is one only up to `dropout_longest_m`, because a longer one may
    be string without deposit; a run clearly below the background can be nothing else. Positions
    that are missing from the file are remarked by the reader of the file. Own definition.

    Returns
    -------
    dropouts : tuple of Dropout
        From left to right.
    lost : (N,) ndarray of bool
        Readings that must not be used.
    """
    lost = np.zeros(position_m.size, dtype=np.bool_)
    found: list[Dropout] = []
    residual = reading - background.line
    floor = max(3 * background.noise, 0.02 * background.peak)
    shoulder = max(
        10 * background.noise, parameters.dropout_shoulder_percent / 100 * background.peak
    )
    for first, last in _runs(np.abs(residual) <= floor, residual < -2 * floor):
        if first == 0 or last == position_m.size - 1:
            continue
        edge_m = (position_m[first - 1], position_m[last + 1])
        steep = max(position_m[first] - edge_m[0], edge_m[1] - position_m[last])
        below = bool(np.all(residual[first : last + 1] < -2 * floor))
        short = edge_m[1] - edge_m[0] <= parameters.dropout_longest_m
        shoulders = min(residual[first - 1], residual[last + 1])
        if shoulders >= shoulder and steep <= parameters.dropout_step_m and (short or below):
            found.append(Dropout(float(edge_m[0]), float(edge_m[1])))
            lost[first : last + 1] = True
    return tuple(found), lost


def _runs(at: Mask, below: Mask) -> list[tuple[int, int]]:
    """First and last index of every run of readings at or below the background."""
    low = np.concatenate(([False], at | below, [False]))
    edges = np.flatnonzero(np.diff(low.astype(np.int8)))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def dropout_remarks(
    dropouts: tuple[Dropout, ...], background: Background, parameters: PassParameters
) -> list[Remark]:
    """One remark for all dropouts of a pass."""
    if not dropouts:
        return []
    width_m = sum(one.width_m for one in dropouts)
    share = 100 * width_m / _extent(background)
    first = dropouts[0]
    where = f"from {first.from_m:.2f} to {first.to_m:.2f} m"
    more = f" and in {len(dropouts) - 1} more places" if len(dropouts) > 1 else ""
    suspect = share > parameters.dropout_percent
    return [
        Remark(
            "dropout",
            f"The signal dropped out {where}{more}, over {share:.1f} % of the deposit's width; "
            "a straight line stands in its place.",
            "suspect" if suspect else "warning",
            first.from_m,
            dropouts[-1].to_m,
        )
    ]


def end_remarks(
    position_m: Floats, background: Background, raw_peak: float, parameters: PassParameters
) -> list[Remark]:
    """Whether the string was long enough, and whether the background could be told."""
    if background.basis == "no_clean_end":
        return _no_clean_end(background, raw_peak, parameters)
    if background.basis == "both_ends":
        return []
    end = 1 if background.basis == "left_end" else 0
    side, at_m = ("left", "right")[end], float(position_m[-end])
    standing = 100 * background.standing[end]
    if standing > _standing_limit(background, parameters):
        text = (
            f"The string is too short: {standing:.0f} % of the peak still stands at its {side} "
            f"end, {at_m:.2f} m."
        )
        return [Remark("string_too_short", text, "suspect", at_m, at_m)]
    text = (
        f"Only {background.clean_m[end]:.2f} m of clean string at the {side} end; the drift of the "
        "background cannot be told and is not taken off."
    )
    return [Remark("little_clean_string", text, "warning", at_m, at_m)]


def _standing_limit(background: Background, parameters: PassParameters) -> float:
    """Share of the peak [%] that may stand at an end, whose level the noise makes unsure."""
    noise = 100 * background.noise / background.peak if background.peak > 0 else 0.0
    return parameters.standing_percent + 2 * noise


def _no_clean_end(
    background: Background, raw_peak: float, parameters: PassParameters
) -> list[Remark]:
    level = float(background.line[0])
    ends = "; ".join(
        f"{100 * standing:.0f} % at the {side} end"
        for side, standing in zip(("left", "right"), background.standing, strict=True)
        if 100 * standing > _standing_limit(background, parameters)
    )
    if ends:
        return [
            Remark(
                "string_too_short",
                f"The string is too short: no end is clean, and of the peak still stands {ends}.",
                "suspect",
            )
        ]
    if raw_peak > 0 and 100 * level / raw_peak > parameters.unclear_percent:
        return [
            Remark(
                "string_too_short",
                "The string is too short: no end is clean, and the readings there are "
                f"{100 * level / raw_peak:.0f} % of the highest: whether that is background or "
                "deposit cannot be told.",
                "suspect",
            )
        ]
    return [
        Remark(
            "little_clean_string",
            "No end of the string is clean; the level at the ends is taken for the background, "
            "and its drift cannot be told.",
            "warning",
        )
    ]


def saturation_remarks(
    trace: Trace, background: Background, parameters: PassParameters
) -> list[Remark]:
    """Judge saturated readings by the share of the deposit's width that they take.

    What the reader of the file only guesses, or has remarked as heavily, is not repeated.
    """
    position_m = trace.position_m
    from_m, to_m = background.outermost_m
    inside = trace.saturated & (position_m >= from_m) & (position_m <= to_m)
    count = int(inside.sum())
    said = {remark.weight for remark in trace.remarks if remark.code == "saturated"}
    if count == 0 or any(remark.code == "plateau" for remark in trace.remarks):
        return []
    edges_m = (position_m[1:] + position_m[:-1]) / 2
    cells_m = np.diff(np.concatenate((position_m[:1], edges_m, position_m[-1:])))
    share = 100 * float(cells_m[inside].sum()) / _extent(background)
    where_m = position_m[inside]
    suspect = share > parameters.saturated_percent
    if "suspect" in said or (said and not suspect):
        return []
    verb = "reading is" if count == 1 else "readings are"
    return [
        Remark(
            "saturated",
            f"{count} {verb} saturated, over {share:.1f} % of the deposit's width: the deposit was "
            "higher there than the instrument could read.",
            "suspect" if suspect else "warning",
            float(where_m[0]),
            float(where_m[-1]),
        )
    ]


def side_remarks(left_share: float, parameters: PassParameters) -> list[Remark]:
    """Whether nearly all of the deposit lies on one side of the flight line."""
    percent = 100 * max(left_share, 1 - left_share)
    if not percent > parameters.one_side_warning_percent:
        return []
    side = "left" if left_share > 0.5 else "right"
    text = (
        f"{percent:.0f} % of the deposit lies {side} of the flight line: crosswind, a shut boom, "
        "or a wrong place of the flight line."
    )
    suspect = percent > parameters.one_side_percent
    return [Remark("one_sided", text, "suspect" if suspect else "warning")]


def _extent(background: Background) -> float:
    return max(background.outermost_m[1] - background.outermost_m[0], 1e-9)
