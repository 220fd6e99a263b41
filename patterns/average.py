"""The passes together: which of them count, their mean, and how far they differ."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from patterns.grid import Grid
from patterns.remarks import Remark
from patterns.trace import PreparedPass

Floats = NDArray[np.float64]

Overrule = Literal["include", "leave_out"]
"""The analyst's word over the rules: use a suspect pass, or leave a good one out."""

Centring = Literal["flight_line", "deposition"]
"""What stands at 0: the flight line as flown, or each pass's own centre of deposition."""

CENTRINGS: Final[tuple[Centring, ...]] = ("flight_line", "deposition")


@dataclass(frozen=True, slots=True)
class JudgeParameters:
    """When a pass does not fit the others.

    Parameters
    ----------
    total_warning_percent : float
        Totals that differ by more than this get a warning. Source: about 30 % is what release
        height, rate and wind alone change on one line (Thistle et al. 2005, abstract).
    total_suspect_percent : float
        Totals that differ by more than this make a pass suspect. Own definition.
    shape_suspect_percent : float
        Share of the deposit that lies elsewhere than in another pass above which two passes are
        unlike in shape. Own definition.
    shape_bin_m : float
        Width of the bins in which shapes are compared [m]. Own definition.
    scatter_m : float
        A centre of deposition further than this from the median of the passes gets a note [m].
        Own definition.
    """

    total_warning_percent: float = 30.0
    total_suspect_percent: float = 50.0
    shape_suspect_percent: float = 25.0
    shape_bin_m: float = 1.0
    scatter_m: float = 1.5


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether a pass counts, with every remark about it."""

    accepted: bool
    remarks: tuple[Remark, ...]


@dataclass(frozen=True, slots=True, eq=False)
class MeanPattern:
    """The accepted passes on one grid and their mean.

    Parameters
    ----------
    position_m : (M,) ndarray of float
        Places on the even grid [m], left wing negative, 0 = flight line (or the centre of
        deposition, where `centring` says so).
    passes : (P, M) ndarray of float
        Deposit of every accepted pass [counts], P >= 1.
    deposit : (M,) ndarray of float
        Mean of the passes [counts].
    spread : (M,) ndarray of float
        Standard deviation between the passes, n − 1 [counts]; zeros for one pass.
    repeatability_percent : float
        100 · Σ spread / Σ deposit [%]; nan for one pass. Own definition.
    centring : {"flight_line", "deposition"}
        What stands at 0.
    centre_m : float
        Centre of deposition of the mean [m].
    left_share : float
        Share of the mean left of 0, 0 to 1.
    """

    position_m: Floats
    passes: Floats
    deposit: Floats
    spread: Floats
    repeatability_percent: float
    centring: Centring
    centre_m: float
    left_share: float


def judge(
    prepared: Sequence[PreparedPass],
    overrules: Sequence[Overrule | None],
    parameters: JudgeParameters | None = None,
) -> tuple[Verdict, ...]:
    """Decide which passes count."""
    raise NotImplementedError


def combine(prepared: Sequence[PreparedPass], grid: Grid, centring: Centring) -> MeanPattern:
    """Lay the accepted passes over one another."""
    raise NotImplementedError
