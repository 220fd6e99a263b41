"""Uniformity of the overlapped deposit against swath, with its uncertainty over the passes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from patterns.grid import Grid
from patterns.overlap import Manner

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ManneredCurve:
    """Uniformity against swath for one way of flying; every array is (K,), one value a swath."""

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
    """Both ways of flying over one sweep of swaths [m], (K,) strictly ascending."""

    swath_m: Floats
    one_way: ManneredCurve
    back_and_forth: ManneredCurve
    confidence: float
    band_percent: tuple[float, float] = (80.0, 120.0)


def resampling_weights(pass_count: int) -> tuple[Floats, Floats]:
    """List every resampling of the passes: weights (W, P) and probability (W,)."""
    raise NotImplementedError


def uniformity(
    passes: ArrayLike,
    grid: Grid,
    swaths_m: Sequence[float] | Floats,
    confidence: float = 0.90,
    band_percent: tuple[float, float] = (80.0, 120.0),
) -> Uniformity:
    """Compute the uniformity curves of the mean of the passes with their bounds."""
    raise NotImplementedError
