"""From uneven readings to the even grid, and smoothing there; both keep the total."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from patterns.grid import Grid

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_ON_GRID_M = 1e-4  # positions are told apart to 0.1 mm


def integral_to(position_m: Floats, value: Floats, places_m: Floats) -> Floats:
    """Integral of the piecewise linear reading from its first position up to each place.

    Parameters
    ----------
    position_m, value : (N,) ndarray of float
        Strictly ascending positions [m] and values there [counts], N >= 2.
    places_m : (K,) ndarray of float
        [m]; places off the string are taken to its end.

    Returns
    -------
    (K,) ndarray of float
        [counts · m].
    """
    places_m = np.clip(places_m, position_m[0], position_m[-1])
    steps = np.diff(position_m)
    sums = np.concatenate(([0.0], np.cumsum((value[1:] + value[:-1]) / 2 * steps)))
    index = np.clip(np.searchsorted(position_m, places_m, side="right") - 1, 0, steps.size - 1)
    part_m = places_m - position_m[index]
    slope = (value[index + 1] - value[index]) / steps[index]
    upto: Floats = sums[index] + part_m * (value[index] + slope * part_m / 2)
    return upto


def stands_on(position_m: Floats, grid: Grid) -> bool:
    """Whether the positions are neighbouring places of the grid themselves, to 0.1 mm."""
    places = position_m / grid.step_m
    near = np.round(places)
    return bool(
        np.all(np.abs(places - near) * grid.step_m <= _ON_GRID_M) and np.all(np.diff(near) == 1)
    )


def cover(position_m: Floats, grid: Grid, from_m: float, to_m: float) -> Floats:
    """Share of each cell of the grid that lies on the string between two places.

    Where the readings stand on the grid, each stands for its whole cell.

    Returns
    -------
    (M,) ndarray of float
        0 to 1.
    """
    centres_m = grid.position_m
    if stands_on(position_m, grid):
        inside = (centres_m >= from_m - _ON_GRID_M) & (centres_m <= to_m + _ON_GRID_M)
        return inside.astype(np.float64)
    low = np.maximum(centres_m - grid.step_m / 2, max(from_m, float(position_m[0])))
    high = np.minimum(centres_m + grid.step_m / 2, min(to_m, float(position_m[-1])))
    share: Floats = np.clip((high - low) / grid.step_m, 0.0, 1.0)
    return share


def to_grid(position_m: Floats, value: Floats, grid: Grid, from_m: float, to_m: float) -> Floats:
    """Lay a stretch of the piecewise linear reading on the grid so that its integral is kept.

    Each place gets the integral over its cell divided by the step. Where the readings already
    stand on neighbouring places of the grid they are taken as they are: averaging between them
    would only blur.

    Parameters
    ----------
    position_m, value : (N,) ndarray of float
        Strictly ascending positions [m] and values there [counts], N >= 2.
    grid : Grid
        The even grid.
    from_m, to_m : float
        Stretch that counts [m]; outside it the result is 0.

    Returns
    -------
    (M,) ndarray of float
        [counts].
    """
    places_m = grid.position_m
    if stands_on(position_m, grid):
        laid = np.zeros(grid.size)
        index = np.round(position_m / grid.step_m).astype(np.intp) + grid.centre_index
        on = (index >= 0) & (index < grid.size)
        laid[index[on]] = value[on]
        return np.asarray(laid * cover(position_m, grid, from_m, to_m))
    edges_m = np.append(places_m - grid.step_m / 2, places_m[-1] + grid.step_m / 2)
    upto = integral_to(position_m, value, np.clip(edges_m, from_m, to_m))
    cells: Floats = np.diff(upto) / grid.step_m
    return cells


def kernel(window_m: float, step_m: float) -> Floats:
    """Symmetric smoothing weights that sum to 1 and have no second moment.

    The least-squares parabola of Savitzky & Golay (1964, Analytical Chemistry 36:1627–1639):
    total, centre and second moment of a pattern are kept, so that it gets neither wider nor
    flatter, unlike under a moving mean.

    Returns
    -------
    (2k + 1,) ndarray of float
        ``[1.0]`` where the window holds fewer than five places.
    """
    half = math.floor(window_m / step_m / 2 + 1e-9)
    if half < 2:
        return np.ones(1)
    offset = np.arange(-half, half + 1, dtype=np.float64)
    second = float(np.mean(offset**2))
    fourth = float(np.mean(offset**4))
    weights: Floats = (fourth - second * offset**2) / (fourth - second**2) / offset.size
    return weights


def smooth(value: Floats, weights: Floats) -> Floats:
    """Spread every value by symmetric weights; what falls over an end is folded back.

    Parameters
    ----------
    value : (K,) ndarray of float
        [any].
    weights : (2k + 1,) ndarray of float
        Symmetric, summing to 1.

    Returns
    -------
    (K,) ndarray of float
        Same sum as `value`.
    """
    half = weights.size // 2
    if half == 0 or value.size <= weights.size:
        return value.copy()
    wide = np.convolve(value, weights)
    inner = wide[half : half + value.size].copy()
    inner[:half] += wide[:half][::-1]
    inner[-half:] += wide[half + value.size :][::-1]
    return inner
