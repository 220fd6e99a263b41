"""Resampling of stains: how far a figure would wander if the same spray fell on another card.

Every stain is drawn a Poisson number of times with mean 1 (the Poisson bootstrap, which for many
stains is the usual drawing with replacement, with a number of stains that varies as it would from
card to card). Stains within one per cent of diameter go into one cell, whose draws then are one
Poisson number with the mean of their count: some hundred draws a round instead of one for each
stain, for a rounding far below the scatter itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Wholes = NDArray[np.int64]

CELL_RATIO: Final = 1.01
# Any number: the same stains shall always give the same bounds.
_SEED: Final = 20_110_455


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Stains of nearly the same size taken together.

    Attributes
    ----------
    diameter_um : (M,) float64, ascending; of the mean volume of the cell's stains. [µm]
    weight : (M,) float64, mean weight of the cell's stains.
    stains : (M,) float64, how many stains the cell holds; not whole for counts given by classes.
    """

    diameter_um: Floats
    weight: Floats
    stains: Floats


def cells_of(diameter_um: Floats, weight: Floats) -> Cells:
    """Take stains of nearly the same size together.

    Parameters
    ----------
    diameter_um : (K,) ndarray of float
        Ascending, above 0 [µm].
    weight : (K,) ndarray of float
        Above 0.
    """
    step = np.floor(np.log(diameter_um) / np.log(CELL_RATIO))
    first = np.flatnonzero(np.diff(step, prepend=step[0] - 1.0))
    stains = np.diff(first, append=diameter_um.size).astype(np.float64)
    total = np.add.reduceat(weight, first)
    volume = np.add.reduceat(weight * diameter_um**3, first)
    return Cells(np.cbrt(volume / total), total / stains, stains)


def draw(cells: Cells, rounds: int) -> Floats:
    """Draw the cells' weights anew, the same for the same cells.

    Returns
    -------
    (rounds, M) ndarray of float
    """
    random = np.random.default_rng(_SEED)
    drawn: Floats = random.poisson(cells.stains, (rounds, cells.stains.size)) * cells.weight
    return drawn[drawn.any(axis=1)]
