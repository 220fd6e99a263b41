"""The whole analysis of one test, from its traces to the recommended swath: composition only."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from patterns.average import (
    Centring,
    JudgeParameters,
    MeanPattern,
    Overrule,
    Verdict,
    combine,
    judge,
)
from patterns.errors import InputError, PatternError
from patterns.grid import Grid, grid_for
from patterns.overlap import Manner
from patterns.parameters import PassParameters
from patterns.remarks import Remark
from patterns.resample import stands_on
from patterns.swath import SwathChoice, choose_swath
from patterns.trace import PreparedPass, prepare_pass
from patterns.tracefile import Trace
from patterns.uniformity import Uniformity, uniformity
from patterns.zones import Zone, ZoneParameters, find_zones

METHOD_VERSION: Final = "1"
"""Changes whenever the same inputs would give other numbers."""

AUTOMATIC_FIRST_M: Final = 4.0
AUTOMATIC_STEP_M: Final = 0.5
AUTOMATIC_LAST_M: Final = 80.0
"""The automatic sweep. 80 m is as far as the USDA Forest Service's "Swath Width Evaluation" (1990,
9034-2807-MTDC) plots lane separation; first swath and step are own choices."""


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
    band_percent : (float, float)
        Band around the mean outside of which the field is counted [% of the mean].
    one_pass, judge, zones
        Settings of the steps.
    """

    swaths_m: tuple[float, ...] | None = None
    cv_limit_percent: float = 25.0
    line_error_m: float = 1.0
    centring: Centring = "flight_line"
    coarsest_step_m: float = 0.1
    confidence: float = 0.90
    band_percent: tuple[float, float] = (80.0, 120.0)
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
    """Analyse the passes of one test, from their traces to the recommended swath.

    Parameters
    ----------
    inputs : sequence of PassInput
        At least one pass; a test is three or four (common practice, no source).
    parameters : Parameters, optional
        Settings; default as documented there.

    Returns
    -------
    Analysis
        Passes in the order given.

    Raises
    ------
    InputError
        For no pass at all, passes of unlike instruments, or a setting that makes no sense.
    PatternError
        Where no pass is accepted; it names each with its reason.
    """
    parameters = parameters or Parameters()
    if not inputs:
        raise InputError("passes", "there is none", "give the traces of at least one pass")
    if len({one.trace.kind for one in inputs}) > 1:
        raise InputError(
            "passes",
            "some hold readings and some spectra, which have no common mean",
            "give passes that were read by one instrument",
        )
    grid = grid_of([one.trace for one in inputs], parameters)
    prepared = [prepare_pass(one.trace, grid, parameters.one_pass) for one in inputs]
    verdicts = judge(
        prepared,
        [one.overrule for one in inputs],
        parameters.judge,
        [one.overrule_reason for one in inputs],
    )
    accepted = [one for one, v in zip(prepared, verdicts, strict=True) if v.accepted]
    if not accepted:
        raise PatternError(_nothing_accepted(prepared, verdicts))
    pattern = combine(accepted, grid, parameters.centring)
    swaths_m = parameters.swaths_m or automatic_sweep(accepted)
    curves = uniformity(
        pattern.passes, grid, swaths_m, parameters.confidence, parameters.band_percent
    )
    return Analysis(
        method_version=METHOD_VERSION,
        parameters=parameters,
        passes=tuple(_outcome(one, v) for one, v in zip(prepared, verdicts, strict=True)),
        pattern=pattern,
        uniformity=curves,
        recommended=Recommended(
            one_way=_choose(curves, "one_way", parameters),
            back_and_forth=_choose(curves, "back_and_forth", parameters),
        ),
        findings=find_zones(pattern, parameters.zones),
    )


def grid_of(traces: Sequence[Trace], parameters: Parameters) -> Grid:
    """Grid for these traces and this sweep.

    Its step divides every swath. Where every file holds separate collectors on the places of such
    a grid, that is the grid, and the collectors are added up as one would by hand; a finer grid
    would have to invent the deposit between them. Passes that are moved to their centre need the
    finer grid all the same.

    Parameters
    ----------
    traces : sequence of Trace
        At least one.
    parameters : Parameters
        Settings.

    Returns
    -------
    Grid
        Reaches over every string, twice as far where passes are moved to their centre.
    """
    reach_m = max(float(np.max(np.abs(trace.position_m))) for trace in traces)
    if parameters.centring == "deposition":
        reach_m *= 2
    swaths_m = parameters.swaths_m or (AUTOMATIC_STEP_M,)
    collector_m = _collector_step_m(traces, parameters)
    if collector_m is not None and parameters.centring == "flight_line":
        grid = grid_for(swaths_m, reach_m, collector_m + 1e-6)
        if abs(grid.step_m - collector_m) < 1e-6 and all(
            stands_on(trace.position_m, grid) for trace in traces
        ):
            return grid
    return grid_for(swaths_m, reach_m, parameters.coarsest_step_m)


def _collector_step_m(traces: Sequence[Trace], parameters: Parameters) -> float | None:
    """Step of separate collectors that all the traces share, or None."""
    step_m = float(np.median(np.diff(traces[0].position_m)))
    even = all(bool(np.all(np.abs(np.diff(trace.position_m) - step_m) < 1e-4)) for trace in traces)
    return step_m if even and step_m >= parameters.one_pass.collector_step_m else None


def automatic_sweep(accepted: Sequence[PreparedPass]) -> tuple[float, ...]:
    """Swaths from 4 m to twice the width of the widest accepted deposit, every 0.5 m.

    Parameters
    ----------
    accepted : sequence of PreparedPass
        At least one, each with deposit.

    Returns
    -------
    tuple of float
        Swaths [m]; the last is at least 8 and at most 80 m. Own definition.
    """
    width_m = max(one.extent_m[1] - one.extent_m[0] for one in accepted)
    last_m = min(max(2 * width_m, 2 * AUTOMATIC_FIRST_M), AUTOMATIC_LAST_M)
    count = math.floor((last_m - AUTOMATIC_FIRST_M) / AUTOMATIC_STEP_M + 1e-9) + 1
    return tuple(AUTOMATIC_FIRST_M + AUTOMATIC_STEP_M * i for i in range(count))


def _choose(curves: Uniformity, manner: Manner, parameters: Parameters) -> SwathChoice:
    return choose_swath(curves, manner, parameters.cv_limit_percent, parameters.line_error_m)


def _nothing_accepted(prepared: Sequence[PreparedPass], verdicts: Sequence[Verdict]) -> str:
    parts = []
    for one, verdict in zip(prepared, verdicts, strict=True):
        why = [
            remark.text
            for remark in verdict.remarks
            if remark.weight == "suspect" or remark.code == "overruled"
        ]
        parts.append(f"{one.source}: {' '.join(why)}")
    return "no pass is accepted: " + " ".join(parts)


def _outcome(one: PreparedPass, verdict: Verdict) -> PassOutcome:
    return PassOutcome(
        source=one.source,
        digest=one.digest,
        accepted=verdict.accepted,
        remarks=verdict.remarks,
        centre_m=one.centre_m,
        total=one.total,
        left_share=one.left_share,
        extent_m=one.extent_m,
        noise=one.noise,
        smoothing_m=one.smoothing_m,
        deposit=one.deposit,
    )
