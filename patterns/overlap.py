"""Deposit of neighbouring swaths: the overlapped field and its coefficient of variation."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Manner = Literal["one_way", "back_and_forth"]
MANNERS: Final[tuple[Manner, ...]] = ("one_way", "back_and_forth")
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Correlations:
    """Correlations of all pairs of passes."""

    pairs: NDArray[np.intp]
    auto: Floats
    mirror: Floats
    totals: Floats
    centre_index: int


@dataclass(frozen=True, slots=True)
class Field:
    """Some neighbouring flight lines and their sum, for drawing."""

    position_m: Floats
    line_m: Floats
    mirrored: NDArray[np.bool_]
    lines: Floats
    total: Floats


def cv_percent(
    deposit: ArrayLike, step_m: float, swath_m: float, centre_index: int, manner: Manner
) -> float:
    """Population CV [%] by the closed form."""
    raise NotImplementedError


def cv_by_folding(
    deposit: ArrayLike, step_m: float, swath_m: float, centre_index: int, manner: Manner
) -> float:
    """Population CV [%] by direct summation."""
    raise NotImplementedError


def resampled_cv(
    passes: ArrayLike,
    weights: ArrayLike,
    step_m: float,
    swaths_m: ArrayLike,
    centre_index: int,
    manner: Manner,
) -> Floats:
    """CV [%] of weighted means of the passes, (W, K)."""
    raise NotImplementedError


def one_period(
    deposit: ArrayLike, step_m: float, swath_m: float, centre_index: int, manner: Manner
) -> Floats:
    """Return the overlapped deposit over one exact repeat, from a flight line rightwards."""
    raise NotImplementedError


def overlapped(
    deposit: ArrayLike,
    step_m: float,
    swath_m: float,
    centre_index: int,
    manner: Manner,
    lines: int,
) -> Field:
    """Lay several flight lines beside one another and add them up."""
    raise NotImplementedError
