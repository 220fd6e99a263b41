"""The curve of the cumulative volume over diameter, and the figures read off it.

The rules of interpolation stand in `patterns.cards.spectrum`. Weights and what comes of them have
one row a weighting, (R, M) for the same M diameters, so that all resamplings are done at once.
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from patterns.errors import InputError

Floats = NDArray[np.float64]

Rule = Literal["middle", "upper"]
"""Where a step of the cumulative volume counts as reached: half way up, or when it is over."""

SHARES: Final = (0.1, 0.5, 0.9)
_STEPS_PER_DECADE: Final = 20


def cumulative(step: Floats, rule: Rule) -> Floats:
    """Cumulative sum (R, M) of steps (R, M), as far as each diameter has reached."""
    up = np.cumsum(step, axis=1)
    return up - step / 2.0 if rule == "middle" else up


def diameter_at(target: Floats, diameter_um: Floats, reached: Floats) -> Floats:
    """Diameter (R,) at which each curve (R, M) reaches its target (R,), straight between steps."""
    rows = np.arange(reached.shape[0])
    if diameter_um.size == 1:
        return np.full(rows.size, diameter_um[0])
    after = np.clip((reached < target[:, None]).sum(axis=1), 1, diameter_um.size - 1)
    low, high = reached[rows, after - 1], reached[rows, after]
    part = np.clip((target - low) / np.where(high > low, high - low, 1.0), 0.0, 1.0)
    return np.asarray(diameter_um[after - 1] + part * np.diff(diameter_um)[after - 1])


def percent_below(cut_off_um: float, diameter_um: Floats, reached: Floats, total: Floats) -> Floats:
    """Share (R,) of each curve that lies below a diameter [%]; nothing beyond the ends."""
    after = int(np.searchsorted(diameter_um, cut_off_um))
    if after == diameter_um.size:
        return np.full(total.size, 100.0)
    if diameter_um[after] == cut_off_um:
        return np.asarray(100.0 * reached[:, after] / total)
    if after == 0:
        return np.zeros(total.size)
    part = (cut_off_um - diameter_um[after - 1]) / (diameter_um[after] - diameter_um[after - 1])
    between = reached[:, after - 1] * (1.0 - part) + reached[:, after] * part
    return np.asarray(100.0 * between / total)


def summed(weight: Floats, value: Floats) -> Floats:
    """Sum values (M,) under each weighting (R, M).

    Not by matrix product, whose last digit depends on how many processors share the work.
    """
    return np.asarray(np.einsum("rm,m->r", weight, value))


def figures_of(
    diameter_um: Floats, weight: Floats, cut_offs_um: tuple[float, ...], rule: Rule
) -> Floats:
    """Work out the figures (R, 8 + cut-offs) of R weightings (R, M) of diameters (M,), ascending.

    Columns: Dv0.1, Dv0.5, Dv0.9, relative span, number median, D10, D30, D32, shares below.
    """
    volume = weight * diameter_um**3
    total, many = volume.sum(axis=1), weight.sum(axis=1)
    reached = cumulative(volume, rule)
    dv10, dv50, dv90 = (diameter_at(share * total, diameter_um, reached) for share in SHARES)
    columns = [
        dv10,
        dv50,
        dv90,
        (dv90 - dv10) / dv50,
        diameter_at(0.5 * many, diameter_um, cumulative(weight, rule)),
        summed(weight, diameter_um) / many,
        np.cbrt(total / many),
        total / summed(weight, diameter_um**2),
        *(percent_below(cut, diameter_um, reached, total) for cut in cut_offs_um),
    ]
    return np.stack(columns, axis=1)


def sorted_drops(diameter_um: Floats, weight: Floats | None) -> tuple[Floats, Floats]:
    """Diameters (K,) ascending with their weights (K,); those of weight 0 left out.

    Raises
    ------
    InputError
        For numbers that cannot be, or where no drop is left.
    """
    drops = np.asarray(diameter_um, dtype=np.float64)
    weights = np.ones(drops.shape) if weight is None else np.asarray(weight, dtype=np.float64)
    if drops.ndim != 1 or weights.shape != drops.shape:
        raise InputError("drops", "diameters and weights do not pair up", "give one weight a drop")
    # Not "<= 0": what is not a number must not pass.
    if not np.all((drops > 0.0) & (drops < 1e6)):
        raise InputError("diameters", "one is not above 0 and under 1 m", "give micrometres")
    if not np.all((weights >= 0.0) & (weights < np.inf)):
        raise InputError("weights", "one is below 0 or not a number", "give 0 or more")
    order = np.argsort(drops, kind="stable")
    order = order[weights[order] > 0.0]
    if order.size == 0:
        raise InputError("drops", "there is not a single one", "give one at least")
    return drops[order], weights[order]


def merged(diameter_um: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Take drops of exactly one size together; diameters (K,) ascending."""
    first = np.flatnonzero(np.diff(diameter_um, prepend=-1.0))
    if first.size == diameter_um.size:
        return diameter_um, weight
    return diameter_um[first], np.add.reduceat(weight, first)


def edges_around(drops: Floats) -> Floats:
    """Ends of classes, 20 to a decade at fixed places, around drops (K,) ascending [µm]."""
    first = np.floor(np.log10(drops[0]) * _STEPS_PER_DECADE)
    last = np.floor(np.log10(drops[-1]) * _STEPS_PER_DECADE) + 1.0
    return np.asarray(10.0 ** (np.arange(first, last + 1.0) / _STEPS_PER_DECADE))


def percents_by_class(drops: Floats, amount: Floats, edge_um: Floats) -> Floats:
    """Share (C,) of an amount (K,) that falls to each class between edges (C + 1,) [%]."""
    place = np.clip(np.searchsorted(edge_um, drops, side="right") - 1, 0, edge_um.size - 2)
    in_class = np.bincount(place, weights=amount, minlength=edge_um.size - 1)
    return np.asarray(100.0 * in_class / amount.sum())
