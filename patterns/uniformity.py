"""Uniformity of the overlapped deposit against swath, with its uncertainty over the passes.

The uncertainty is a bootstrap over the passes (B. Efron, Annals of Statistics 7, 1979, 1-26; from
memory): P passes are drawn from the P flown, with replacement, and the mean of each draw gives a
CV. With few passes no drawing by chance is needed: the order of a draw does not change its mean,
so every distinct draw is listed once with its probability. The bounds are percentiles of the CVs.
A few passes say little about the spread between passes, and these bounds, like every percentile
bootstrap of so few values, are rather too narrow than too wide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations_with_replacement
from math import factorial, prod
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from patterns.errors import InputError
from patterns.grid import Grid
from patterns.overlap import (
    MANNERS,
    LineProducts,
    Manner,
    line_products,
    one_period,
    resampled_cv_from,
)

Floats = NDArray[np.float64]

# 7 passes have 1716 distinct draws, 8 have 6435: beyond 7, as many draws by chance say as much.
_MOST_LISTED: Final = 7
_DRAWS: Final = 2000


@dataclass(frozen=True, slots=True)
class ManneredCurve:
    """Uniformity against swath for one way of flying; every array is (K,), one value a swath.

    Attributes
    ----------
    manner : "one_way" or "back_and_forth".
    cv_percent : population CV of the mean of the passes. [%]
    low_percent, high_percent : bounds of the CV over all resamplings of the passes; NaN with
        fewer than two passes, which say nothing about the spread. [%]
    below_percent, above_percent : share of the field under the lower and over the upper edge of
        the band (80 % and 120 % of the mean unless told otherwise). [% of the field]
    lowest_percent, highest_percent : lowest and highest deposit. [% of the mean deposit]
    """

    manner: Manner
    cv_percent: Floats
    low_percent: Floats
    high_percent: Floats
    below_percent: Floats
    above_percent: Floats
    lowest_percent: Floats
    highest_percent: Floats


@dataclass(frozen=True, slots=True)
class Uniformity:
    """Both ways of flying over one sweep of swaths.

    Attributes
    ----------
    swath_m : (K,) strictly ascending. [m]
    one_way, back_and_forth : their curves.
    confidence : probability between the bounds, 0 … 1.
    band_percent : edges of the band around the mean deposit. [%]
    """

    swath_m: Floats
    one_way: ManneredCurve
    back_and_forth: ManneredCurve
    confidence: float
    band_percent: tuple[float, float] = (80.0, 120.0)


def resampling_weights(pass_count: int) -> tuple[Floats, Floats]:
    """List the resamplings of P passes: P drawn from P, with replacement.

    Parameters
    ----------
    pass_count : P, 1 or more.

    Returns
    -------
    weights : (W, P) share of each pass in the mean of each distinct draw; rows sum to 1.
    probability : (W,) of each distinct draw (multinomial); sums to 1.

    Notes
    -----
    Up to 7 passes W = (2P − 1)! / (P! (P − 1)!), every distinct draw: 1, 3, 10, 35, 126, 462,
    1716. Beyond, 2000 draws by chance of equal probability, made by a generator whose numbers are
    fixed for good (numpy's RandomState, NEP 19), so that the same passes give the same bounds.

    Raises
    ------
    InputError
        For less than one pass.
    """
    if pass_count < 1:
        raise InputError("passes", f"{pass_count} passes", "give at least one pass")
    if pass_count > _MOST_LISTED:
        shares = np.full(pass_count, 1.0 / pass_count)
        drawn = np.random.RandomState(pass_count).multinomial(pass_count, shares, size=_DRAWS)
        return drawn / pass_count, np.full(_DRAWS, 1.0 / _DRAWS)
    counts = np.array(
        [
            np.bincount(draw, minlength=pass_count)
            for draw in combinations_with_replacement(range(pass_count), pass_count)
        ]
    )
    ways = [factorial(pass_count) // prod(map(factorial, row)) for row in counts.tolist()]
    return counts / pass_count, np.array(ways) / pass_count**pass_count


def weighted_bounds(
    values: ArrayLike, probability: ArrayLike, confidence: float
) -> tuple[Floats, Floats]:
    """Find the bounds that leave out (1 − confidence) / 2 on either side.

    Parameters
    ----------
    values : (W, K) of each resampling.
    probability : (W,) of each resampling, summing to 1.
    confidence : probability between the bounds, above 0, below 1.

    Returns
    -------
    low, high : (K,) the smallest value reached with at least the wanted probability (the inverse
    of the step-shaped distribution; no interpolation between resamplings).
    """
    table = np.asarray(values, dtype=np.float64)
    order = np.argsort(table, axis=0)
    ranked = np.take_along_axis(table, order, axis=0)
    reached = np.cumsum(np.asarray(probability, dtype=np.float64)[order], axis=0)
    tail = (1.0 - confidence) / 2.0
    columns = np.arange(table.shape[1])
    low, high = (
        # The sum of the probabilities carries rounding of about 1e-16.
        ranked[np.argmax(reached >= level - 1e-12, axis=0), columns]
        for level in (tail, 1.0 - tail)
    )
    return low, high


def uniformity(
    passes: ArrayLike,
    grid: Grid,
    swaths_m: Sequence[float] | Floats,
    confidence: float = 0.90,
    band_percent: tuple[float, float] = (80.0, 120.0),
) -> Uniformity:
    """Compute uniformity against swath for the mean of the passes, with bounds, both ways.

    Parameters
    ----------
    passes : (P, N) deposits of the accepted passes on the grid, any unit; finite, each with a sum
        above zero. Each counts with the deposit it has: scale them before if it should not.
    grid : even grid with the flight line at its centre.
    swaths_m : (K,) strictly ascending, each a whole number of grid steps. [m]
    confidence : probability between the bounds, above 0, below 1.
    band_percent : edges of the band around the mean deposit (own default). [%]

    Returns
    -------
    Uniformity

    Raises
    ------
    InputError
        For passes that do not match the grid or add up to nothing, for swaths out of order or off
        the grid, for a confidence or a band that makes no sense.
    """
    stack = np.asarray(passes, dtype=np.float64)
    swaths = np.array(swaths_m, dtype=np.float64)
    _check(stack, grid, swaths, confidence, band_percent)
    products = line_products(stack, grid.step_m, swaths, grid.centre_index)
    mean = stack.mean(axis=0)
    one_way, back_and_forth = (
        _curve(manner, products, mean, grid, swaths, confidence, band_percent) for manner in MANNERS
    )
    return Uniformity(swaths, one_way, back_and_forth, confidence, band_percent)


def _curve(
    manner: Manner,
    products: LineProducts,
    mean: Floats,
    grid: Grid,
    swaths: Floats,
    confidence: float,
    band_percent: tuple[float, float],
) -> ManneredCurve:
    count = products.totals.size
    weights, probability = resampling_weights(count)
    # The mean of the passes goes in as one more row.
    rows = np.vstack([np.full(count, 1.0 / count), weights])
    cvs = resampled_cv_from(products, rows, manner)
    if count > 1:
        low, high = weighted_bounds(cvs[1:], probability, confidence)
    else:
        low, high = np.full((2, swaths.size), np.nan)
    below, above, lowest, highest = _companions(manner, mean, grid, swaths, band_percent)
    return ManneredCurve(manner, cvs[0], low, high, below, above, lowest, highest)


def _companions(
    manner: Manner, mean: Floats, grid: Grid, swaths: Floats, band_percent: tuple[float, float]
) -> Floats:
    """Share below and above the band, lowest and highest, all in percent: (4, K)."""
    # What lies on an edge of the band lies within it, whatever the rounding.
    lower, upper = band_percent[0] * (1.0 - 1e-9), band_percent[1] * (1.0 + 1e-9)
    figures = np.empty((4, swaths.size))
    for column, swath in enumerate(swaths.tolist()):
        field = one_period(mean, grid.step_m, swath, grid.centre_index, manner)
        field *= 100.0 / field.mean()
        figures[:, column] = (
            100.0 * np.count_nonzero(field < lower) / field.size,
            100.0 * np.count_nonzero(field > upper) / field.size,
            field.min(),
            field.max(),
        )
    return figures


def _check(
    stack: Floats,
    grid: Grid,
    swaths: Floats,
    confidence: float,
    band_percent: tuple[float, float],
) -> None:
    if stack.ndim != 2 or stack.shape[0] == 0 or stack.shape[1] != grid.position_m.size:
        raise InputError(
            "passes",
            f"their shape {stack.shape} does not fit a grid of {grid.position_m.size} places",
            "give one row for each pass and one column for each place of the grid",
        )
    if swaths.ndim != 1 or swaths.size == 0 or not np.all(np.diff(swaths) > 0.0):
        raise InputError("swaths", "they are not in ascending order", "give each once, ascending")
    if not 0.0 < confidence < 1.0:
        raise InputError("confidence", f"{confidence:g} is out of range", "give 0.5 to 0.99")
    if not 0.0 <= band_percent[0] < 100.0 < band_percent[1]:
        raise InputError(
            "band",
            f"{band_percent[0]:g} % to {band_percent[1]:g} % does not enclose the mean",
            "give a lower edge under 100 % and an upper edge over it",
        )
    totals = stack.sum(axis=1)
    if not np.all(totals > 0.0):
        raise InputError(
            "passes",
            f"the deposit of pass {int(np.argmin(totals)) + 1} adds up to {totals.min():g}",
            "leave out a pass without deposit",
        )
