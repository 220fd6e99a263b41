"""Readings that are lost, far apart or saturated, and what to remark about them."""

import numpy as np
from numpy.typing import NDArray

from patterns.remarks import Remark, Weight

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# The limits below are own choices; no source says how much of a string may be lost.
PLATEAU_READINGS = 4
"""Equal highest readings side by side that make a plateau."""
FULL_SCALE_READINGS = 2
"""The same, where the highest reading is a full scale of a converter (2ⁿ − 1)."""
FULL_SCALES = frozenset(2.0**bits - 1 for bits in (8, 10, 11, 12, 13, 14, 15, 16, 18, 20, 24))
SATURATED_SUSPECT = 0.05
"""Share of the positions that may be saturated before the pass is suspect."""
LOST_NOTE = (0.02, 0.5)
"""Share of the positions and longest stretch [m] that may be lost with only a note."""
LOST_WARNING = (0.10, 2.0)
"""Share of the positions and longest stretch [m] that may be lost with only a warning."""
GAP_STEPS = 10.0
"""A step this many times the usual one is a gap, if it is also longer than `GAP_M`."""
GAP_M = 0.5
"""Shortest gap [m]."""
LISTED = 4
"""Stretches that get a remark of their own; where there are more, one remark stands for all."""


def runs_of(mask: Mask) -> list[tuple[int, int]]:
    """First and last place of every run of True, in order."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], mask.astype(np.int8), [0]))))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def plateau(reading: Array) -> Mask:
    """Find saturated readings where nobody says at which reading the instrument saturates.

    The rule (own definition): the highest reading is taken as saturated where it stands
    `PLATEAU_READINGS` times or more side by side and then breaks off by more than the finest step
    between readings, so that a rounded summit is none; or where it stands `FULL_SCALE_READINGS`
    times side by side and is the full scale of a converter, 2ⁿ − 1. A reading that is the same
    everywhere is no plateau.

    Parameters
    ----------
    reading : (N,) or (M, N) ndarray of float
        In order along the last axis, NaN for none [instrument counts].

    Returns
    -------
    (N,) or (M, N) ndarray of bool
        True on the plateaus, and on every other reading as high when there is one.
    """
    rows = np.atleast_2d(reading)
    nothing = np.zeros(reading.shape, dtype=np.bool_)
    if np.isnan(rows).all():
        return nothing
    highest = float(np.nanmax(rows))
    at_highest = rows == highest
    full_scale = highest in FULL_SCALES
    needed = FULL_SCALE_READINGS if full_scale else PLATEAU_READINGS
    if highest <= 0 or at_highest.sum() == (~np.isnan(rows)).sum():
        return nothing
    for place in np.flatnonzero(at_highest.sum(axis=1) >= needed):
        for first, last in runs_of(at_highest[place]):
            long_enough = last - first + 1 >= needed
            if long_enough and (full_scale or _ends_sharply(rows, int(place), first, last)):
                return np.asarray(reading == highest)
    return nothing


def _ends_sharply(rows: Array, place: int, first: int, last: int) -> bool:
    """Whether a run of highest readings breaks off, as a rounded summit of fine steps does not."""
    row, distinct = rows[place], np.unique(rows[~np.isnan(rows)])
    finest = float(np.diff(distinct).min())
    beside = [row[i] for i in (first - 1, last + 1) if 0 <= i < len(row)]
    return any(row[first] - reading > 1.5 * finest for reading in beside)


def saturated_remarks(
    x_m: Array, saturated: Mask, detail: str, guessed: bool = False
) -> tuple[Remark, ...]:
    """Remark where the instrument could not count higher.

    Parameters
    ----------
    x_m : (N,) ndarray of float
        Places beside the flight line, ascending [m].
    saturated : (N,) ndarray of bool
        Where the reading is saturated.
    detail : str
        How it was told, a whole sentence.
    guessed : bool
        Whether nobody said at which reading the instrument saturates.

    Returns
    -------
    tuple of Remark
        A guess: code ``plateau``, always "warning", for an even deposit has a level top too.
        Otherwise code ``saturated``: "warning" up to `SATURATED_SUSPECT` of the positions, else
        "suspect".
    """
    share = float(saturated.mean())
    if guessed:
        text = "The highest reading stands still {where} and may be saturated. " + detail
        return _by_stretch("plateau", text, "warning", x_m, saturated)
    weight: Weight = "suspect" if share > SATURATED_SUSPECT else "warning"
    return _by_stretch(
        "saturated",
        "The reading is saturated {where}, so the true deposit there is higher. " + detail,
        weight,
        x_m,
        saturated,
    )


def dropout_remarks(x_m: Array, lost: Mask) -> tuple[Remark, ...]:
    """Remark where the file has a position and no reading.

    Parameters
    ----------
    x_m : (N,) ndarray of float
        Places beside the flight line of all rows, ascending [m].
    lost : (N,) ndarray of bool
        Rows without reading.

    Returns
    -------
    tuple of Remark
        Code ``dropout``: "note" within `LOST_NOTE`, "warning" within `LOST_WARNING`, else
        "suspect"; a stretch counts from the reading before it to the reading after it.
    """
    if not lost.any():
        return ()
    last = len(x_m) - 1
    longest = max(float(x_m[min(to + 1, last)] - x_m[max(at - 1, 0)]) for at, to in runs_of(lost))
    share = float(lost.mean())
    text = f"No reading {{where}}; {lost.sum()} of {len(lost)} positions are without."
    return _by_stretch("dropout", text, _lost_weight(share, longest), x_m, lost)


def _lost_weight(share: float, longest_m: float) -> Weight:
    if share <= LOST_NOTE[0] and longest_m <= LOST_NOTE[1]:
        return "note"
    if share <= LOST_WARNING[0] and longest_m <= LOST_WARNING[1]:
        return "warning"
    return "suspect"


def filled_remarks(
    x_m: Array, filled: Mask, filled_nm: tuple[float, float] | None
) -> tuple[Remark, ...]:
    """Remark where single wavelengths [nm] of a spectrum were filled in by their neighbours."""
    if filled_nm is None:
        return ()
    text = (
        f"Wavelengths between {filled_nm[0]:g} and {filled_nm[1]:g} nm are missing {{where}} and "
        "were filled in from their neighbours."
    )
    return _by_stretch("wavelength_filled", text, "note", x_m, filled)


def gap_remarks(x_m: Array) -> tuple[Remark, ...]:
    """Remark where the file has no rows over a stretch much longer than the usual step.

    Code ``gap``: "warning" up to the longest stretch of `LOST_WARNING`, else "suspect".
    """
    steps = np.diff(x_m)
    wide = np.flatnonzero(steps > max(GAP_STEPS * float(np.median(steps)), GAP_M))
    return tuple(
        Remark(
            "gap",
            f"The file has no rows from {x_m[i]:.2f} to {x_m[i + 1]:.2f} m.",
            "suspect" if steps[i] > LOST_WARNING[1] else "warning",
            float(x_m[i]),
            float(x_m[i + 1]),
        )
        for i in wide
    )


def _by_stretch(code: str, text: str, weight: Weight, x_m: Array, mask: Mask) -> tuple[Remark, ...]:
    """Make a remark for each stretch where the mask is True, or one for all if they are many."""
    runs = runs_of(mask)
    if len(runs) > LISTED:
        ends = (float(x_m[runs[0][0]]), float(x_m[runs[-1][1]]))
        where = f"in {len(runs)} stretches between {ends[0]:.2f} and {ends[1]:.2f} m"
        return (Remark(code, text.format(where=where), weight, *ends),)
    remarks = []
    for first, last in runs:
        from_m, to_m = float(x_m[first]), float(x_m[last])
        where = f"at {from_m:.2f} m" if first == last else f"from {from_m:.2f} to {to_m:.2f} m"
        remarks.append(Remark(code, text.format(where=where), weight, from_m, to_m))
    return tuple(remarks)
