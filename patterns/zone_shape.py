"""The smooth shape that the zones of a pattern are held against.

An own definition. The curve z makes Σ w·(d − z)² + λ·Σ (second difference of z)² smallest
(Whittaker's graduation; E. T. Whittaker, Proc. Edinburgh Math. Soc. 41, 1923, 63-75; from memory).

*Sizes.* They are taken from the general level, the median of the mean pattern over the stretch that
holds the middle 80 % of the deposit, and not from the peak: a heap twice as high as all the rest
moves it little.

*Weights.* They fall to zero where the mean pattern departs by a cut or more (Tukey's biweight,
repeated until it settles), so that a zone does not pull the curve along but is bridged from both
sides. The cut begins at four times its size and narrows from round to round: the largest departure
goes first, and what it had pulled along comes back. On the flanks only what lies below the curve
loses weight in these rounds: where a flank is steeper than the curve can follow, its foot is given
up and not the shoulder of the pattern.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

_FIRST_CUT: Final = 4.0
_FIRST_ROUNDS: Final = 10
_ROUNDS: Final = 40
_SETTLED: Final = 1e-4
_FLANK_SHARE: Final = 0.8


def general_level(mean: Floats) -> float:
    """Median of the mean pattern (M,) over the stretch with the middle 80 % of the deposit."""
    share = np.cumsum(mean) / mean.sum()
    return float(np.median(mean[(share >= 0.1) & (share <= 0.9)]))


def between(mean: Floats, least: float) -> Flags:
    """Flag the places between the outermost ones with `least` or more: (M,) to (M,)."""
    high = np.flatnonzero(mean >= least)
    flags = np.zeros(mean.size, dtype=np.bool_)
    flags[high[0] : high[-1] + 1] = True
    return flags


def half_width_m(mean: Floats, step_m: float) -> float:
    """Distance of the outermost places at half the general level or more [m]."""
    return float(between(mean, 0.5 * general_level(mean)).sum() - 1) * step_m


def stiffness_for(wavelength_m: float, step_m: float) -> float:
    """λ at which a wave of this length is halved: (wavelength / 2π·step)⁴."""
    return float((wavelength_m / (2.0 * np.pi * step_m)) ** 4)


def smooth_weights(mean: Floats, stiffness: float, floor: float, cut_percent: float) -> Floats:
    """Find the weights by which the curve of the mean bridges its zones.

    Parameters
    ----------
    mean : (M,) mean pattern.
    stiffness : λ.
    floor : least level that departures are measured by, in the unit of the mean.
    cut_percent : departure from which a place has no weight. [% of the curve]

    Returns
    -------
    (M,) weights, 0 … 1, to be given to `graduate`.
    """
    weights = np.ones_like(mean)
    middle = between(mean, _FLANK_SHARE * general_level(mean))
    for number in range(_ROUNDS):
        curve = graduate(mean[None, :], weights, stiffness)[0]
        share = 100.0 * (mean - curve) / np.maximum(curve, floor) / cut_percent
        if number < _FIRST_ROUNDS:
            share /= _FIRST_CUT ** (1.0 - number / _FIRST_ROUNDS)
            share = np.where(middle, share, np.minimum(share, 0.0))
        fresh = np.square(np.clip(1.0 - share * share, 0.0, None))
        settled = number >= _FIRST_ROUNDS and np.max(np.abs(fresh - weights)) < _SETTLED
        weights = fresh
        if settled:
            break
    return weights


def graduate(rows: Floats, weights: Floats, stiffness: float) -> Floats:
    """Whittaker's graduation of each row with common weights: (P, M) and (M,) to (P, M)."""
    size = weights.size
    bands = np.zeros((3, size))
    # Second differences D: the bands of DᵀD, upper form for solveh_banded.
    bands[2] = 6.0
    bands[2, [0, -1]] = 1.0
    bands[2, [1, -2]] = 5.0
    bands[1, 1:] = -4.0
    bands[1, [1, -1]] = -2.0
    bands[0, 2:] = 1.0
    bands *= stiffness
    bands[2] += weights
    solved = linalg.solveh_banded(bands, (weights * rows).T, check_finite=False)
    return np.ascontiguousarray(solved.T)
