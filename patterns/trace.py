"""One pass: background off, deposit trimmed, laid on the even grid, smoothed, judged by itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from patterns.background import Background, find_background, roughness
from patterns.errors import InputError
from patterns.faults import (
    dropout_remarks,
    end_remarks,
    find_dropouts,
    saturation_remarks,
    side_remarks,
)
from patterns.grid import Grid
from patterns.parameters import PassParameters
from patterns.remarks import Remark
from patterns.resample import cover, kernel, smooth, stands_on, to_grid
from patterns.tracefile import Trace

__all__ = ["PassParameters", "PreparedPass", "prepare_pass", "share_left"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_ENOUGH: Final = 40  # readings across the deposit from which its roughness tells the noise


@dataclass(frozen=True, slots=True, eq=False)
class PreparedPass:
    """One pass on the grid.

    Parameters
    ----------
    source, digest : str
        Name and SHA-256 of the file.
    deposit : (M,) ndarray of float
        Reading with the background taken off and smoothed, 0 outside `extent_m` [counts]. Noise
        keeps its sign inside, so that it adds nothing to the total on average.
    background, raw : (M,) ndarray of float
        Background and reading as laid on the grid [counts]; 0 where the string was not.
    covered : (M,) ndarray of bool
        Where the string was.
    centre_m : float
        Centre of deposition Σ x·d / Σ d [m]; nan where no deposit was found.
    total : float
        Σ d · step [counts · m].
    left_share : float
        Share of the total left of the flight line, 0 to 1; nan where no deposit was found.
    extent_m : (float, float)
        From and to of the stretch kept as deposit [m]; (nan, nan) where none was found.
    noise : float
        Standard deviation of a single reading [counts].
    smoothing_m : float
        Length of the smoothing window that was used [m]; 0 for none.
    remarks : tuple of Remark
        Those of the trace and those of this step.
    """

    source: str
    digest: str
    deposit: Floats
    background: Floats
    raw: Floats
    covered: Mask
    centre_m: float
    total: float
    left_share: float
    extent_m: tuple[float, float]
    noise: float
    smoothing_m: float
    remarks: tuple[Remark, ...]


def prepare_pass(
    trace: Trace, grid: Grid, parameters: PassParameters | None = None
) -> PreparedPass:
    """Take the background off one pass, trim it, lay it on the grid, smooth it and judge it.

    Parameters
    ----------
    trace : Trace
        Readings along the string, N >= 8, 0 = flight line.
    grid : Grid
        Must reach over the whole string.
    parameters : PassParameters, optional
        Settings; default as documented there.

    Returns
    -------
    PreparedPass
        Always; what is wrong with the pass stands in its remarks.

    Raises
    ------
    InputError
        Where the grid is shorter than the string.
    """
    parameters = parameters or PassParameters()
    _check_room(trace, grid)
    first_look = find_background(trace.position_m, trace.reading, parameters)
    dropouts, lost = find_dropouts(trace.position_m, trace.reading, first_look, parameters)
    if not first_look.found:
        return _nothing(trace, grid, first_look)
    position_m, reading = trace.position_m[~lost], trace.reading[~lost]
    background = find_background(position_m, reading, parameters) if lost.any() else first_look
    deposit, smoothing_m = _deposit(position_m, reading, background, grid, parameters)
    total = float(deposit.sum()) * grid.step_m
    if not (background.found and total > 0):
        return _nothing(trace, grid, background)
    left_share = share_left(deposit, grid.centre_index)
    remarks = (
        *trace.remarks,
        *end_remarks(position_m, background, float(np.max(reading)), parameters),
        *saturation_remarks(trace, background, parameters),
        *dropout_remarks(dropouts, background, parameters),
        *side_remarks(left_share, parameters),
        *_coarse_remarks(position_m, grid, parameters),
    )
    raw, line, covered = _as_read(position_m, reading, background.line, grid)
    return PreparedPass(
        source=trace.source,
        digest=trace.digest,
        deposit=deposit,
        background=line,
        raw=raw,
        covered=covered,
        centre_m=float(grid.position_m @ deposit) * grid.step_m / total,
        total=total,
        left_share=left_share,
        extent_m=background.kept_m,
        noise=background.noise,
        smoothing_m=smoothing_m,
        remarks=remarks,
    )


def share_left(deposit: Floats, centre_index: int) -> float:
    """Share of the deposit left of the flight line, whose own cell counts half to either side."""
    left = float(deposit[:centre_index].sum()) + float(deposit[centre_index]) / 2
    return left / float(deposit.sum())


def _check_room(trace: Trace, grid: Grid) -> None:
    reach_m = float(np.max(np.abs(trace.position_m)))
    if reach_m > (grid.half_count + 0.5) * grid.step_m + 1e-6:
        raise InputError(
            "grid",
            f"it reaches {grid.half_count * grid.step_m:.2f} m, the string {reach_m:.2f} m",
            "make the grid with the reach of the longest string",
        )


def _deposit(
    position_m: Floats,
    reading: Floats,
    background: Background,
    grid: Grid,
    parameters: PassParameters,
) -> tuple[Floats, float]:
    """Deposit on the grid, smoothed within its own reach, and the window used [m]."""
    residual = reading - background.line
    laid = to_grid(position_m, residual, grid, *background.kept_m)
    inside = np.flatnonzero(cover(position_m, grid, *background.kept_m) > 0)
    weights = kernel(_window_m(position_m, residual, background, parameters), grid.step_m)
    stretch = slice(int(inside[0]), int(inside[-1]) + 1)
    deposit = np.zeros(grid.size)
    deposit[stretch] = smooth(laid[stretch], weights)
    return deposit, (weights.size * grid.step_m if weights.size > 1 else 0.0)


def _window_m(
    position_m: Floats, residual: Floats, background: Background, parameters: PassParameters
) -> float:
    """Shortest window that brings the noise down to its target.

    A parabola over n readings leaves 9 / (4 n) of their variance (Savitzky & Golay 1964).
    """
    inside = (position_m >= background.kept_m[0]) & (position_m <= background.kept_m[1])
    step_m = float(np.median(np.diff(position_m[inside]))) if inside.sum() > 2 else 0.0
    noise = background.noise
    if inside.sum() >= _ENOUGH:
        noise = max(noise, roughness(residual[inside]))
    excess = noise / (parameters.noise_target_percent / 100 * background.peak)
    needed_m = 9 / 4 * step_m * excess**2
    return min(max(needed_m, parameters.least_smoothing_m), parameters.most_smoothing_m)


def _as_read(
    position_m: Floats, reading: Floats, line: Floats, grid: Grid
) -> tuple[Floats, Floats, Mask]:
    """Reading and background on the grid, for drawing, and where the string was."""
    ends = float(position_m[0]), float(position_m[-1])
    share = cover(position_m, grid, *ends)
    scale = np.where(share > 1e-6, np.maximum(share, 1e-6), np.inf)
    raw = to_grid(position_m, reading, grid, *ends) / scale
    background = to_grid(position_m, line, grid, *ends) / scale
    return raw, background, share >= 0.5


def _coarse_remarks(position_m: Floats, grid: Grid, parameters: PassParameters) -> list[Remark]:
    step_m = float(np.median(np.diff(position_m)))
    if step_m < parameters.collector_step_m or stands_on(position_m, grid):
        return []
    text = (
        f"The readings stand {step_m:.2f} m apart, and a straight line is laid between them, which "
        "makes the deposit look a little more even than sums over the collectors do; a sweep in "
        f"whole multiples of {step_m:.4g} m takes the readings as they stand."
    )
    return [Remark("coarse_readings", text, "note")]


def _nothing(trace: Trace, grid: Grid, background: Background) -> PreparedPass:
    raw, line, covered = _as_read(trace.position_m, trace.reading, background.line, grid)
    remark = Remark(
        "no_deposit",
        "No deposit was found: nothing stands above the level of the string's ends and its noise.",
        "suspect",
    )
    return PreparedPass(
        source=trace.source,
        digest=trace.digest,
        deposit=np.zeros(grid.size),
        background=line,
        raw=raw,
        covered=covered,
        centre_m=float("nan"),
        total=0.0,
        left_share=float("nan"),
        extent_m=(float("nan"), float("nan")),
        noise=background.noise,
        smoothing_m=0.0,
        remarks=(*trace.remarks, remark),
    )
