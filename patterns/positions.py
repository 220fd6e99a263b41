"""Positions as a file counts them become places along the string, from left to right."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from patterns.errors import TraceFileError
from patterns.remarks import Remark
from patterns.units import from_si, to_si

Array = NDArray[np.float64]

LONGEST_STRING_M = 500.0
"""A longer string is taken as a wrong unit [m]; strings of 30 to 60 m are usual (from memory)."""
SHORTEST_STRING_M = 2.0
"""A shorter string is taken as a wrong unit [m]; no aircraft sprays so narrow (own choice)."""
FEWEST_POSITIONS = 8
"""Fewest different positions with a reading (own choice)."""
MANY_REPEATS = 0.2
"""Share of the rows that may repeat a position before the remark is a warning (own choice)."""
_LOPSIDED = 0.1  # share of the string beside 0 below which 0 is no flight line


@dataclass(frozen=True, slots=True)
class Place:
    """How positions in the file are turned into places beside the flight line.

    Parameters
    ----------
    origin : {"left", "right", "centre"}
        Where the file counts from.
    flight_line_m : float
        Place of the flight line as the file counts [m].
    remarks : tuple of Remark
        What was chosen for the user.
    """

    origin: str
    flight_line_m: float
    remarks: tuple[Remark, ...]

    def beside(self, position_m: Array) -> Array:
        """Place beside the flight line [m], left wing negative, of positions in the file [m]."""
        if self.origin == "right":
            return self.flight_line_m - position_m
        return position_m - self.flight_line_m


def check_positions(position: Array, lines: Sequence[int], unit: str, source: str) -> None:
    """Refuse positions that are missing, few or jump back, or make no string.

    Parameters
    ----------
    position : (N,) ndarray of float
        Positions in the order of the file [unit].
    lines : sequence of int
        The line of each.
    unit : str
        Their unit.
    source : str
        Name of the file, for errors.

    Raises
    ------
    TraceFileError
        With the line where a position is missing or jumps back; or when the string is shorter
        than `SHORTEST_STRING_M` or longer than `LONGEST_STRING_M`.
    """
    missing = np.flatnonzero(np.isnan(position))
    if len(missing):
        raise TraceFileError(
            source,
            "the row has a reading and no position",
            "write the position there, or remove the line",
            lines[int(missing[0])],
        )
    # The order first: a single slip of the pen is better named by its line than as a long string.
    _check_order(position, lines, unit, source)
    check_count(position, source)
    _check_length(position, unit, source)


def check_count(position: Array, source: str) -> None:
    """Refuse fewer than `FEWEST_POSITIONS` rows (N,)."""
    if len(position) < FEWEST_POSITIONS:
        rows = "1 position has" if len(position) == 1 else f"{len(position)} positions have"
        raise TraceFileError(
            source,
            f"only {rows} a reading",
            f"a trace needs at least {FEWEST_POSITIONS}; send the whole string",
        )


def _check_length(position: Array, unit: str, source: str) -> None:
    low, high = float(position.min()), float(position.max())
    if low == high and len(position) > 1:
        raise TraceFileError(
            source,
            f"every row has the same position, {low:g} {unit}",
            "check the counter of the reader, and which column is the position",
        )
    length_m = to_si(high, unit) - to_si(low, unit)
    spans = f"the positions span {high - low:g} {unit}"
    if unit != "m":
        spans += f" ({length_m:.4g} m)"
    remedy = f"check the unit, which is taken as {unit}, and that the file is one whole string"
    if length_m > LONGEST_STRING_M:
        problem = f"{spans}, more than the {LONGEST_STRING_M:g} m of the longest string"
        raise TraceFileError(source, problem, remedy)
    if length_m < SHORTEST_STRING_M:
        problem = f"{spans}, less than the {SHORTEST_STRING_M:g} m of the shortest string"
        raise TraceFileError(source, problem, remedy)


def _check_order(position: Array, lines: Sequence[int], unit: str, source: str) -> None:
    """Refuse positions that run neither up nor down throughout."""
    steps = np.diff(position)
    up, down = steps > 0, steps < 0
    if not up.any() or not down.any():
        return
    against = np.flatnonzero(down if up.sum() >= down.sum() else up) + 1
    direction = 1.0 if up.sum() >= down.sum() else -1.0
    stretches = np.split(direction * position, against)
    signs = np.sign(steps[steps != 0])
    turns = np.flatnonzero(np.diff(signs))
    remedy = "give them in one direction, each once"
    at = int(against[0])
    if all(len(stretch) >= FEWEST_POSITIONS for stretch in stretches) and all(
        after[0] < np.median(before) for before, after in pairwise(stretches)
    ):
        what = "the positions start again"
        remedy = "send one file for each pass, since this one holds more than one trace"
    elif len(turns) == 1 and min(turns[0] + 1, len(signs) - turns[0] - 1) >= FEWEST_POSITIONS - 1:
        what = "the positions turn back"
        remedy = "send one file for each direction, since the string was read out and back"
        at = int(np.flatnonzero(steps != 0)[turns[0] + 1]) + 1
    else:
        what = "the positions jump back and forth"
    raise TraceFileError(
        source,
        f"{what} ({position[at]:g} {unit} comes after {position[at - 1]:g} {unit})",
        remedy,
        lines[at],
    )


def order(
    position: Array, reading: Array, saturated: NDArray[np.bool_]
) -> tuple[Array, Array, NDArray[np.bool_], tuple[Remark, ...]]:
    """Sort by position and average the readings of one and the same position.

    Parameters
    ----------
    position, reading : (N,) ndarray of float
        Positions in any unit, running one way; readings without NaN.
    saturated : (N,) ndarray of bool
        Where the reading is saturated.

    Returns
    -------
    position, reading : (M,) ndarray of float
        Positions strictly ascending, M <= N.
    saturated : (M,) ndarray of bool
        Where any of the averaged readings is saturated.
    remarks : tuple of Remark
        Says how many readings were averaged.
    """
    distinct, place, count = np.unique(position, return_inverse=True, return_counts=True)
    mean = np.bincount(place, weights=reading) / count
    any_saturated = np.bincount(place, weights=saturated) > 0
    repeated = int((count > 1).sum())
    if not repeated:
        return distinct, mean, any_saturated, ()
    surplus = len(position) - len(distinct)
    remark = Remark(
        "repeated_positions",
        f"{repeated} position(s) stand in the file more than once; their readings were averaged.",
        "warning" if surplus > MANY_REPEATS * len(position) else "note",
    )
    return distinct, mean, any_saturated, (remark,)


def find_place(
    position_m: Array,
    origin: str | None,
    flight_line: float | None,
    unit: str,
    source: str,
) -> Place:
    """Decide where positions count from and where the flight line is.

    Parameters
    ----------
    position_m : (N,) ndarray of float
        All positions of the file [m].
    origin : {"left", "right", "centre"} or None
        None: positions of both signs count from the flight line, others from the left end.
    flight_line : float or None
        Place of the flight line as the file counts [unit]. None: 0 for "centre", else the middle.
    unit : str
        Unit of the file.
    source : str
        Name of the file, for errors.

    Raises
    ------
    TraceFileError
        When the flight line does not lie between the ends of the string.
    """
    low, high = float(position_m.min()), float(position_m.max())
    remarks: list[Remark] = []
    if origin is None:
        origin = _likely_origin(low, high, flight_line, remarks)
    if flight_line is not None:
        flight_line_m = to_si(flight_line, unit)
    elif origin == "centre":
        flight_line_m = 0.0
    else:
        flight_line_m = (low + high) / 2
        remarks.append(
            Remark(
                "flight_line_assumed",
                "The place of the flight line was not stated; the middle of the string was "
                f"taken, {flight_line_m:.2f} m as the file counts.",
                "note",
            )
        )
    if not low < flight_line_m < high:
        stated = flight_line is not None
        raise _flight_line_outside(flight_line_m, low, high, unit, stated, source)
    return Place(origin, flight_line_m, tuple(remarks))


def _flight_line_outside(
    flight_line_m: float, low_m: float, high_m: float, unit: str, stated: bool, source: str
) -> TraceFileError:
    at, low, high = (from_si(x_m, unit) for x_m in (flight_line_m, low_m, high_m))
    if not stated:
        return TraceFileError(
            source,
            f"positions run from {low:g} to {high:g} {unit}, all on one side, so they are not "
            "counted from the flight line",
            "state that they are counted from the left or the right end, or where the flight "
            "line is",
        )
    return TraceFileError(
        source,
        f"the flight line at {at:g} {unit} does not lie between the ends of the string, {low:g} "
        f"and {high:g} {unit}",
        f"state where on the string it is, in {unit}, as the file counts",
    )


def _likely_origin(
    low: float, high: float, flight_line: float | None, remarks: list[Remark]
) -> str:
    if not low < 0 < high:
        return "left"
    if flight_line is None and min(-low, high) < _LOPSIDED * (high - low):
        remarks.append(
            Remark(
                "origin_assumed",
                f"Positions run from {low:.2f} to {high:.2f} m; with so little on one side of 0 "
                "they were taken as counted from the left end, not from the flight line.",
                "warning",
            )
        )
        return "left"
    return "centre"
