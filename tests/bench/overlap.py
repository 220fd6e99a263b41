"""The whole uncertainty curve by the closed form against folding with numpy.

Both sides compute the same numbers: the CV of every distinct resampling of 4 passes (35 of them;
the 256 ordered draws give the same 35 means, each counted with its probability) at 240 swaths, both
ways of flying, 1,000 positions. The folding side is what one writes first: for each resampling and
swath it sums the mean of the passes into one repeat with `reshape(...).sum` and takes std / mean.
For comparison it also prints the time of folding all resamplings of a swath in one call, which is
no longer straightforward but still folding. The ratio is the median of some rounds, in each of
which every side runs.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from patterns.overlap import MANNERS, line_products, resampled_cv_from
from patterns.uniformity import resampling_weights

Floats = NDArray[np.float64]

PASSES, POSITIONS, SWATHS = 4, 1000, 240
STEP_M = 0.05
CENTRE = POSITIONS // 2
SWATH_STEPS = np.arange(80, 80 + SWATHS)  # 4 m to 15.95 m in a pattern of 50 m
SWATHS_M = SWATH_STEPS * STEP_M
ROUNDS = 9
RUNS = {"by_closed_form": 50, "by_folding": 1, "by_folding_together": 1}


def drawn_passes() -> Floats:
    """Four passes of one pattern, each with its own waves and gain: (4, 1000)."""
    random = np.random.default_rng(20)
    x = (np.arange(POSITIONS) - CENTRE) * STEP_M
    shape = np.exp(-((x / 6.0) ** 2) / 2.0) * (1.0 + 0.2 * np.tanh(x / 3.0))
    phases, gains = random.uniform(0.0, 6.0, PASSES), random.normal(1.0, 0.1, PASSES)
    waves = 1.0 + 0.1 * np.sin(x[None, :] + phases[:, None])
    return gains[:, None] * shape[None, :] * waves


def by_closed_form(passes: Floats, weights: Floats) -> list[Floats]:
    """What the product does: the products of the lines once, then every resampling from them."""
    products = line_products(passes, STEP_M, SWATHS_M, CENTRE)
    return [resampled_cv_from(products, weights, manner) for manner in MANNERS]


def fold(line: Floats, phase: int, period: int) -> Floats:
    """Sum the last axis modulo the period, `phase` being the place that falls on 0."""
    lead = -phase % period
    rows = -(-(lead + POSITIONS) // period)
    padded = np.zeros((*line.shape[:-1], rows * period))
    padded[..., lead : lead + POSITIONS] = line
    return padded.reshape(*line.shape[:-1], rows, period).sum(axis=-2)


def fields(line: Floats, steps: int) -> tuple[Floats, Floats]:
    """One repeat of the field, one way and back and forth."""
    one_way = fold(line, CENTRE, steps)
    straight = fold(line, CENTRE, 2 * steps)
    turned = fold(line[..., ::-1], POSITIONS - 1 - CENTRE + steps, 2 * steps)
    return one_way, straight + turned


def by_folding(passes: Floats, weights: Floats) -> list[Floats]:
    """For each resampling and swath: sum the lines into one repeat, then std / mean."""
    found = np.empty((2, weights.shape[0], SWATHS))
    for row, weight in enumerate(weights):
        mean = weight @ passes
        for column, steps in enumerate(SWATH_STEPS.tolist()):
            for way, field in enumerate(fields(mean, steps)):
                found[way, row, column] = 100.0 * field.std() / field.mean()
    return list(found)


def by_folding_together(passes: Floats, weights: Floats) -> list[Floats]:
    """The same with all resamplings of a swath in one numpy call."""
    means = weights @ passes
    found = np.empty((2, weights.shape[0], SWATHS))
    for column, steps in enumerate(SWATH_STEPS.tolist()):
        for way, field in enumerate(fields(means, steps)):
            found[way, :, column] = 100.0 * field.std(axis=-1) / field.mean(axis=-1)
    return list(found)


def seconds(work: Callable[[], object], runs: int) -> float:
    """Mean processor time of a run; what else the machine does counts for neither side."""
    start = time.process_time()
    for _ in range(runs):
        work()
    return (time.process_time() - start) / runs


def largest_difference(one: list[Floats], other: list[Floats]) -> float:
    """Largest difference of the squared CVs as fractions."""
    return max(
        float(np.max(np.abs((a / 100.0) ** 2 - (b / 100.0) ** 2)))
        for a, b in zip(one, other, strict=True)
    )


def main() -> float:
    """Time both sides, check that they agree, and return how many times faster we are."""
    passes = drawn_passes()
    weights, probability = resampling_weights(PASSES)
    closed = by_closed_form(passes, weights)
    for other in (by_folding, by_folding_together):
        difference = largest_difference(closed, other(passes, weights))
        assert difference < 1e-12, f"{other.__name__} differs by {difference:g}"
        report(f"largest difference of CV² to {other.__name__}", f"{difference:.1e}")
    report("resamplings", f"{weights.shape[0]} distinct, {probability.sum():.6f} of 256 ordered")

    sides = (by_closed_form, by_folding, by_folding_together)
    taken = np.array(
        [
            [
                seconds(lambda side=side: side(passes, weights), RUNS[side.__name__])
                for side in sides
            ]
            for _ in range(ROUNDS)
        ]
    )
    for side, times in zip(sides, 1e3 * taken.T, strict=True):
        report(
            side.__name__,
            f"{np.median(times):.3f} ms ({times.min():.3f} to {times.max():.3f})",
        )
    ratios = taken[:, 1] / taken[:, 0]
    report("ratio over the rounds", f"{ratios.min():.0f} to {ratios.max():.0f}")
    report("ratio to folding together", f"{np.median(taken[:, 2] / taken[:, 0]):.0f}")
    return float(np.median(ratios))


def report(name: str, value: str) -> None:
    """Print one line."""
    print(f"{name}: {value}", flush=True)  # noqa: T201 -- a benchmark talks to a terminal
