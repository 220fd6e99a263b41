"""The whole analysis of one test, from its traces to the recommended swath: composition only."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from patterns.average import Centring, JudgeParameters, MeanPattern, Overrule
from patterns.remarks import Remark
from patterns.swath import SwathChoice
from patterns.trace import PassParameters
from patterns.tracefile import Trace
from patterns.uniformity import Uniformity
from patterns.zones import Zone, ZoneParameters

METHOD_VERSION: Final = "1"
"""Changes whenever the same inputs would give other numbers."""


@dataclass(frozen=True, slots=True)
class Parameters:
    """Every setting of an analysis.

    Parameters
    ----------
    swaths_m : tuple of float, optional
        Swaths to be swept [m], ascending, each a whole number of 0.1 mm. None: automatic.
    cv_limit_percent : float
        Widest coefficient of variation that passes [%]. Source of 25 %: Martin, Woldt & Latheef
        2019, Drones 3(4):83.
    line_error_m : float
        How much too wide or too narrow the lines may be flown [m].
    centring : {"flight_line", "deposition"}
        What stands at 0. Aircraft are guided along lines and not along centres of deposition, and
        in back-and-forth flying the shift of the deposit against the line matters.
    coarsest_step_m : float
        Longest step of the grid [m].
    confidence : float
        Confidence of the bounds over the resampled passes, 0 to 1.
    one_pass, judge, zones
        Settings of the steps.
    """

    swaths_m: tuple[float, ...] | None = None
    cv_limit_percent: float = 25.0
    line_error_m: float = 1.0
    centring: Centring = "flight_line"
    coarsest_step_m: float = 0.1
    confidence: float = 0.90
    one_pass: PassParameters = field(default_factory=PassParameters)
    judge: JudgeParameters = field(default_factory=JudgeParameters)
    zones: ZoneParameters = field(default_factory=ZoneParameters)


@dataclass(frozen=True, slots=True)
class PassInput:
    """One pass handed in, with the analyst's word over the rules where there is one."""

    trace: Trace
    overrule: Overrule | None = None
    overrule_reason: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class PassOutcome:
    """What became of one pass.

    `deposit` is (M,) [counts] on the grid of the pattern, 0 = flight line; the other figures are
    those of `patterns.trace.PreparedPass`.
    """

    source: str
    digest: str
    accepted: bool
    remarks: tuple[Remark, ...]
    centre_m: float
    total: float
    left_share: float
    extent_m: tuple[float, float]
    noise: float
    smoothing_m: float
    deposit: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Recommended:
    """The recommended swath for each way of flying."""

    one_way: SwathChoice
    back_and_forth: SwathChoice


@dataclass(frozen=True, slots=True, eq=False)
class Analysis:
    """The result of one analysis."""

    method_version: str
    parameters: Parameters
    passes: tuple[PassOutcome, ...]
    pattern: MeanPattern
    uniformity: Uniformity
    recommended: Recommended
    findings: tuple[Zone, ...]


def analyse(inputs: Sequence[PassInput], parameters: Parameters | None = None) -> Analysis:
    """Analyse the passes of one test."""
    raise NotImplementedError
