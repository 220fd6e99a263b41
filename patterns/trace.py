"""One pass: background off, deposit trimmed, laid on the even grid, smoothed, judged by itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from patterns.grid import Grid
from patterns.remarks import Remark
from patterns.tracefile import Trace

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class PassParameters:
    """Settings for one pass; thresholds are own definitions unless a source is named.

    Parameters
    ----------
    edge_m : float
        Stretch at each end of the string that gives the first guess of the background [m].
    least_clean_m : float
        Clean string that an end needs to count as clean [m]; at least two readings are needed too.
    guard_m : float
        Stretch kept beyond the outermost deposit on either side, so that faint tails stay [m].
    onset_percent : float
        The deposit reaches out to where it falls below this share of its peak, or into the noise.
    core_percent : float
        Deposit is only begun where it stands above this share of the peak.
    noise_multiple : float
        Deposit begins at this many standard deviations of the smoothed noise above the background
        and reaches out to two fifths of that.
    most_drift_percent : float
        A difference between the ends larger than this share of the peak is standing deposit and
        not drift of the instrument.
    least_smoothing_m, most_smoothing_m : float
        Bounds of the smoothing window [m]; between them the window is as short as the noise allows.
    noise_target_percent : float
        Noise that smoothing should leave, as a share of the peak.
    standing_percent : float
        Deposit still standing at an end above this share of the peak makes the string too short.
    saturated_percent : float
        Saturated readings above this share of the deposit's width make the pass suspect.
    dropout_percent : float
        Dropouts above this share of the deposit's width make the pass suspect.
    one_side_percent : float
        More than this share of the deposit on one side of the flight line makes the pass suspect.
    """

    edge_m: float = 0.5
    least_clean_m: float = 1.0
    guard_m: float = 1.0
    onset_percent: float = 0.5
    core_percent: float = 3.0
    noise_multiple: float = 5.0
    most_drift_percent: float = 35.0
    least_smoothing_m: float = 0.5
    most_smoothing_m: float = 2.5
    noise_target_percent: float = 1.0
    standing_percent: float = 5.0
    saturated_percent: float = 2.0
    dropout_percent: float = 3.0
    one_side_percent: float = 80.0


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
    """Take the background off one pass and lay it on the grid."""
    raise NotImplementedError
