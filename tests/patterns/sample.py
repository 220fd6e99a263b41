"""A finished analysis of seeded, made-up passes, for the tests of the charts."""

import hashlib

import numpy as np

from patterns.analyse import METHOD_VERSION, Analysis, Parameters, PassOutcome, Recommended
from patterns.average import MeanPattern
from patterns.grid import grid_for
from patterns.overlap import MANNERS
from patterns.remarks import Remark
from patterns.swath import choose_swath
from patterns.trace import PreparedPass
from patterns.tracefile import Trace
from patterns.uniformity import uniformity
from patterns.zones import Zone

SWATHS_M = tuple(float(s) for s in np.round(np.arange(20, 101, 1) * 0.3048, 6))


def one_pass(position_m, rng, *, dip=True, shift_m=0.0):
    """Deposit [counts] of one pass: a broad hump with shoulders, a dip right of the middle."""
    x = position_m - shift_m
    shape = 620 * np.exp(-((np.abs(x) / 10.5) ** 3.2)) + 90 * np.exp(-(((x + 5.5) / 1.6) ** 2))
    if dip:
        shape = shape - 210 * np.exp(-(((x - 2.1) / 1.1) ** 2))
    wave = np.convolve(rng.normal(0, 1, x.size), np.hanning(25), "same")
    deposit = shape * (1 + 0.035 * wave) * rng.uniform(0.93, 1.07)
    return np.where(np.abs(x) < 16.0, np.maximum(deposit, 0.0), 0.0)


def sample_analysis(count=4, *, out=0, findings=True, seed=7, source="pass {n}.csv"):
    """Make an analysis of `count` accepted passes and `out` that were left out."""
    rng = np.random.default_rng(seed)
    grid = grid_for(SWATHS_M, 24.0)
    x = grid.position_m
    rows = np.array([one_pass(x, rng, shift_m=rng.normal(0.3, 0.35)) for _ in range(count)])
    lost = [one_pass(x, rng, shift_m=5.0) * 0.5 for _ in range(out)]
    mean = rows.mean(axis=0)
    spread = rows.std(axis=0, ddof=1) if count > 1 else np.zeros_like(mean)
    pattern = MeanPattern(
        position_m=x,
        passes=rows,
        deposit=mean,
        spread=spread,
        repeatability_percent=float(100 * spread.sum() / mean.sum()) if count > 1 else np.nan,
        centring="flight_line",
        centre_m=float((x * mean).sum() / mean.sum()),
        left_share=float(mean[x < 0].sum() / mean.sum()),
    )
    curves = uniformity(rows, grid, SWATHS_M)
    zones = (
        Zone("high", -7.0, -4.2, -5.6, 2.8, 13.0, 0.97, True),
        Zone("low", 1.0, 3.2, 2.1, 2.2, -31.0, 0.99, True),
    )
    return Analysis(
        method_version=METHOD_VERSION,
        parameters=Parameters(swaths_m=SWATHS_M),
        passes=tuple(
            _outcome(source.format(n=n + 1), row, x, n < count)
            for n, row in enumerate([*rows, *lost])
        ),
        pattern=pattern,
        uniformity=curves,
        recommended=Recommended(*(choose_swath(curves, manner) for manner in MANNERS)),
        findings=zones if findings else (),
    )


def _outcome(source, row, x, accepted):
    step = x[1] - x[0]
    there = np.flatnonzero(row > 0.005 * row.max())
    return PassOutcome(
        source=source,
        digest=hashlib.sha256(source.encode()).hexdigest(),
        accepted=accepted,
        remarks=()
        if accepted
        else (Remark("total_far_off", "The total is far from the other passes.", "suspect"),),
        centre_m=float((x * row).sum() / row.sum()),
        total=float(row.sum() * step),
        left_share=float(row[x < 0].sum() / row.sum()),
        extent_m=(float(x[there[0]]), float(x[there[-1]])),
        noise=3.0,
        smoothing_m=0.6,
        deposit=row,
    )


def sample_trace(*, saturated=True, seed=11, source="pass 2.csv"):
    """Make the raw trace of one pass and what preparing it gave, with the step of its grid."""
    rng = np.random.default_rng(seed)
    grid = grid_for(SWATHS_M, 24.0)
    x = grid.position_m
    deposit = one_pass(x, rng)
    at = np.arange(-22.0, 22.01, 0.07)
    floor = 60 + 0.9 * (at + 22)
    reading = np.interp(at, x, deposit) + floor + rng.normal(0, 6, at.size)
    over = (at > -6.0) & (at < -5.2) if saturated else np.zeros(at.size, bool)
    reading[over] = 800.0
    gap = (at > 6.5) & (at < 7.3)
    reading[gap] = floor[gap] * 0.2
    there = np.flatnonzero(deposit > 3.0)
    remarks = (
        Remark(
            "saturated", "The instrument was saturated from −6.0 to −5.2 m.", "warning", -6, -5.2
        ),
        Remark("dropout", "The reading dropped out from 6.5 to 7.3 m.", "warning", 6.5, 7.3),
    )
    trace = Trace(
        source=source,
        digest="0" * 64,
        kind="counts",
        position_m=at,
        reading=reading,
        saturated=over,
        unit="m",
        origin="centre",
        flight_line_m=0.0,
        remarks=(),
    )
    covered = np.abs(x) <= 22.0
    prepared = PreparedPass(
        source=source,
        digest="0" * 64,
        deposit=np.where(covered, deposit, 0.0),
        background=np.where(covered, 60 + 0.9 * (x + 22), 0.0),
        raw=np.where(covered, np.interp(x, at, reading), 0.0),
        covered=covered,
        centre_m=0.1,
        total=1.0,
        left_share=0.5,
        extent_m=(float(x[there[0]]), float(x[there[-1]])),
        noise=6.0,
        smoothing_m=0.6,
        remarks=remarks if saturated else remarks[1:],
    )
    return trace, prepared, grid.step_m
