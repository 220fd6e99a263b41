"""Deposit of neighbouring swaths: the overlapped field and its coefficient of variation.

A field is flown in parallel lines one swath apart. *One way*: every line in the same direction,
so the left edge of a line laps the right edge of its neighbour. *Back and forth*: each line
opposite to its neighbours, so left laps left and right laps right, and the field repeats only
after two swaths.

The coefficient of variation (CV) is the population one (n, not n - 1) of the overlapped deposit
over one exact repeat. It follows without building the field. With d the deposit on an even grid
of step h, T = Σ d, n = swath / h, R[k] = Σ d[i]·d[i+k] and C[k] = Σ d[i]·d[j] over i + j = 2c + k
(c the index of the flight line)::

    one way         CV² = n·Σ R[m·n] / T² − 1                          over all whole m
    back and forth  CV² = n·(Σ R[2m·n] + Σ C[(2m+1)·n]) / T² − 1       over all whole m

because the sum of squares of an overlapped field is the sum of the products of every line with
every other. Both sums are quadratic forms in the weights of the passes that make up d, so the
correlations of the pairs of passes serve every weighting at once (own derivation).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations_with_replacement
from typing import Final, Literal, cast

import numpy as np
from numpy.typing import ArrayLike, NDArray

from patterns.correlation import comb_sums, correlations
from patterns.errors import InputError

Manner = Literal["one_way", "back_and_forth"]
MANNERS: Final[tuple[Manner, ...]] = ("one_way", "back_and_forth")
Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

# A swath counts as a whole number of steps when it is one within this share of a step: far above
# the rounding of metres in double precision, far below anything that would move a CV.
_STEP_TOLERANCE: Final = 1e-6


@dataclass(frozen=True, slots=True)
class LineProducts:
    """What the CV of every weighted mean of P passes is made of; see `line_products`.

    Attributes
    ----------
    first, second : (Q,) pass numbers of each pair, Q = P·(P + 1)/2, first <= second.
    one_way, back_and_forth : (K, Q). For each swath and pair the products of a line of the one
        pass with every line of the other, times the steps in the swath.
    totals : (P,) sum of each pass.
    """

    first: Indices
    second: Indices
    one_way: Floats
    back_and_forth: Floats
    totals: Floats


@dataclass(frozen=True, slots=True)
class Field:
    """Some neighbouring flight lines and their sum, for drawing; see `overlapped`.

    Attributes
    ----------
    position_m : (X,) place across the lines [m], 0 at the middle line.
    line_m : (L,) place of each flight line [m].
    mirrored : (L,) whether the line was flown in the opposite direction.
    lines : (L, X) deposit of each line alone, in the unit of the deposit given.
    total : (X,) their sum. It fades out beyond the outer lines, as the edge of a field does.
    """

    position_m: Floats
    line_m: Floats
    mirrored: NDArray[np.bool_]
    lines: Floats
    total: Floats


def cv_percent(
    deposit: ArrayLike, step_m: float, swath_m: float, centre_index: int, manner: Manner
) -> float:
    """Compute the CV of the overlapped deposit by the closed form.

    Parameters
    ----------
    deposit : (N,) deposit of one line on an even grid, any unit; finite, with a sum above zero.
    step_m : step of the grid. [m]
    swath_m : distance of neighbouring lines, a whole number of steps. [m]
    centre_index : index of the flight line in `deposit`, 0 … N − 1. Back and forth turns the
        pattern about it; one way does not depend on it.
    manner : "one_way" or "back_and_forth".

    Returns
    -------
    Population CV. [%] Rounding leaves up to about 1e-5 % where the true value is zero.

    Raises
    ------
    InputError
        For a deposit without a positive sum, an index outside it, a swath that is not a whole
        number of steps, or an unknown manner.
    """
    one = np.ones((1, 1))
    line = np.asarray(deposit, dtype=np.float64)
    return float(resampled_cv(line[None, ...], one, step_m, [swath_m], centre_index, manner)[0, 0])


def cv_by_folding(
    deposit: ArrayLike, step_m: float, swath_m: float, centre_index: int, manner: Manner
) -> float:
    """Compute the CV of the overlapped deposit by adding up the lines themselves.

    The slow truth that `cv_percent` is held against; parameters, result and errors are the same.
    """
    field = one_period(deposit, step_m, swath_m, centre_index, manner)
    return float(100.0 * np.std(field) / np.mean(field))


def line_products(
    passes: ArrayLike, step_m: float, swaths_m: ArrayLike, centre_index: int
) -> LineProducts:
    """Sum the products of all lines for every pair of passes and every swath, both ways.

    Parameters
    ----------
    passes, step_m, swaths_m, centre_index : as for `resampled_cv`.

    Returns
    -------
    LineProducts from which `resampled_cv_from` makes the CV of every weighted mean of the passes.

    Raises
    ------
    InputError
        As for `resampled_cv`.
    """
    stack = _checked(passes, centre_index)
    steps = steps_in_swath(swaths_m, step_m)
    first, second = np.array(
        list(combinations_with_replacement(range(stack.shape[0]), 2)), dtype=np.intp
    ).T
    auto, mirror, zero = correlations(stack, centre_index, first, second)
    period = 2 * steps
    alike = comb_sums(auto, np.zeros_like(steps), period, zero)
    one_way = comb_sums(auto, steps, period, zero)
    back_and_forth = comb_sums(mirror, steps, period, zero)
    both_sides = period[:, None]  # neighbours lie left and right, and the n of the formula
    for sums in (one_way, back_and_forth):
        sums += alike
        sums *= both_sides
    return LineProducts(first, second, one_way, back_and_forth, stack.sum(axis=1))


def resampled_cv(
    passes: ArrayLike,
    weights: ArrayLike,
    step_m: float,
    swaths_m: ArrayLike,
    centre_index: int,
    manner: Manner,
) -> Floats:
    """Compute the CV of many weighted means of the passes at many swaths.

    Parameters
    ----------
    passes : (P, N) deposits on one even grid, any unit; finite.
    weights : (W, P) weight of each pass in each mean; each mean must have a sum above zero.
    step_m : step of the grid. [m]
    swaths_m : (K,) distances of neighbouring lines, each a whole number of steps. [m]
    centre_index : index of the flight line, 0 … N − 1.
    manner : "one_way" or "back_and_forth".

    Returns
    -------
    (W, K) population CV. [%]

    Raises
    ------
    InputError
        As for `cv_percent`, and for weights that do not match the passes.
    """
    products = line_products(passes, step_m, swaths_m, centre_index)
    return resampled_cv_from(products, weights, manner)


def resampled_cv_from(products: LineProducts, weights: ArrayLike, manner: Manner) -> Floats:
    """Do the second half of `resampled_cv`, so that both manners share the products."""
    sums = products.one_way if _known(manner) == "one_way" else products.back_and_forth
    share = np.asarray(weights, dtype=np.float64)
    if share.ndim != 2 or share.shape[1] != products.totals.size:
        raise InputError(
            "weights",
            f"shape {share.shape} does not match {products.totals.size} passes",
            f"give one row for each mean and {products.totals.size} columns",
        )
    totals = share @ products.totals
    if not totals.min() > 0.0:
        raise InputError(
            "deposit",
            f"the sum of mean {int(np.argmin(totals)) + 1} is {totals.min():g}",
            "a CV needs a pattern whose deposit adds up to more than zero",
        )
    pairs = share[:, products.first] * share[:, products.second]
    pairs *= (1e4 / (totals * totals))[:, None]  # percent, squared
    # Off the diagonal a pair stands for (p, q) and (q, p).
    pairs[:, products.first != products.second] *= 2.0
    squares: Floats = pairs @ sums.T
    squares -= 1e4
    # A square cannot be negative: what lies below zero (about 1e-15 of 1e4) is rounding.
    np.maximum(squares, 0.0, out=squares)
    return np.sqrt(squares, out=squares)


def one_period(
    deposit: ArrayLike, step_m: float, swath_m: float, centre_index: int, manner: Manner
) -> Floats:
    """Add up endlessly many lines and return one exact repeat of the field.

    Parameters
    ----------
    deposit, step_m, swath_m, centre_index, manner : as for `cv_percent`.

    Returns
    -------
    (n,) one way, (2n,) back and forth, n = swath / step: the deposit from a flight line
    rightwards, in the unit of `deposit`. Its mean is the sum of the deposit over n.

    Raises
    ------
    InputError
        As for `cv_percent`.
    """
    line = _checked(np.asarray(deposit, dtype=np.float64)[None, ...], centre_index)[0]
    if not line.sum() > 0.0:
        raise InputError(
            "deposit",
            f"its sum is {line.sum():g}",
            "a CV needs a pattern whose deposit adds up to more than zero",
        )
    steps = int(steps_in_swath([swath_m], step_m)[0])
    if _known(manner) == "one_way":
        return _fold(line, centre_index, steps)
    straight = _fold(line, centre_index, 2 * steps)
    turned = _fold(line[::-1], line.size - 1 - centre_index, 2 * steps)
    return straight + np.roll(turned, steps)


def overlapped(
    deposit: ArrayLike,
    step_m: float,
    swath_m: float,
    centre_index: int,
    manner: Manner,
    lines: int,
) -> Field:
    """Lay some flight lines beside one another and add them up, for drawing.

    Parameters
    ----------
    deposit, step_m, swath_m, centre_index, manner : as for `cv_percent`.
    lines : number of lines, 1 or more. The middle one (the left of the two middle ones when the
        number is even) lies at 0 m and is flown as measured.

    Returns
    -------
    Field

    Raises
    ------
    InputError
        As for `cv_percent`, and for less than one line.
    """
    line = _checked(np.asarray(deposit, dtype=np.float64)[None, ...], centre_index)[0]
    if lines < 1:
        raise InputError("lines", f"{lines} is too few", "draw at least one flight line")
    steps = int(steps_in_swath([swath_m], step_m)[0])
    numbers = np.arange(lines) - (lines - 1) // 2
    turned = (numbers % 2 == 1) & (_known(manner) == "back_and_forth")
    reach = max(centre_index, line.size - 1 - centre_index)
    first = int(numbers[0]) * steps - reach
    last = int(numbers[-1]) * steps + reach
    alone = np.zeros((lines, last - first + 1))
    for row, number, turn in zip(alone, numbers, turned, strict=True):
        left = line.size - 1 - centre_index if turn else centre_index
        start = int(number) * steps - left - first
        row[start : start + line.size] = line[::-1] if turn else line
    return Field(
        position_m=np.arange(first, last + 1) * step_m,
        line_m=(numbers * steps).astype(np.float64) * step_m,
        mirrored=turned,
        lines=alone,
        total=alone.sum(axis=0),
    )


def steps_in_swath(swaths_m: ArrayLike, step_m: float) -> Indices:
    """Count the grid steps in each swath.

    Parameters
    ----------
    swaths_m : (K,) swaths, each a whole number of steps (within a millionth of a step). [m]
    step_m : step of the grid, above zero. [m]

    Returns
    -------
    (K,) steps, each 1 or more.

    Raises
    ------
    InputError
        Where a swath is not a whole number of steps; the text says which step would do.
    """
    swaths = np.asarray(swaths_m, dtype=np.float64)
    if not (np.isfinite(step_m) and step_m > 0.0):
        raise InputError("grid step", f"{step_m:g} m is no step", "give a step above zero")
    if swaths.ndim != 1 or not np.all(np.isfinite(swaths) & (swaths > 0.0)):
        raise InputError(
            "swath", "a swath is missing or not above zero", "give a row of swaths above zero"
        )
    exact = swaths / step_m
    steps = np.maximum(np.rint(exact), 1.0)
    wrong = np.abs(exact - steps) > _STEP_TOLERANCE
    if np.any(wrong):
        swath = float(swaths[np.argmax(wrong)])
        parts = int(np.ceil(swath / step_m - _STEP_TOLERANCE))
        raise InputError(
            "swath",
            f"{swath:.6g} m is not a whole number of grid steps of {step_m:.6g} m",
            f"use a step that divides it, such as {swath / parts:.6g} m ({parts} to the swath)",
        )
    return steps.astype(np.intp)


def _fold(line: Floats, centre_index: int, period: int) -> Floats:
    """Sum a line into one period of samples, the flight line first: (period,)."""
    lead = -centre_index % period
    rows = -(-(lead + line.size) // period)
    padded = np.zeros(rows * period)
    padded[lead : lead + line.size] = line
    return cast(Floats, padded.reshape(rows, period).sum(axis=0))


def _checked(passes: ArrayLike, centre_index: int) -> Floats:
    stack = np.asarray(passes, dtype=np.float64)
    if stack.ndim != 2 or stack.size == 0:
        raise InputError(
            "deposit",
            f"its shape is {stack.shape[1:] if stack.shape[:1] == (1,) else stack.shape}",
            "give one row of readings for each pass",
        )
    if not np.all(np.isfinite(stack)):
        raise InputError("deposit", "a value is not a number", "give a finite value at every place")
    if not 0 <= centre_index < stack.shape[1]:
        raise InputError(
            "flight line",
            f"index {centre_index} lies outside the pattern of {stack.shape[1]} places",
            f"give an index from 0 to {stack.shape[1] - 1}",
        )
    return stack


def _known(manner: str) -> Manner:
    if manner not in MANNERS:
        raise InputError(
            "way of flying", f"{manner!r} is not known", f"use {' or '.join(map(repr, MANNERS))}"
        )
    return manner
