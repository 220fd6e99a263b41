"""How far measured stains are from those drawn."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fixtures.cards import DrawnCard
from patterns.cards.stains import Stains

Floats = NDArray[np.float64]


def volume_median(diameter: Floats, weight: Floats) -> float:
    """Diameter under which half of the volume lies, each stain half below its own size."""
    order = np.argsort(diameter)
    volume = (weight * diameter**3)[order]
    reached = np.cumsum(volume) - volume / 2.0
    return float(np.interp(0.5 * volume.sum(), reached, diameter[order]))


def errors(drawn: DrawnCard, stains: Stains) -> tuple[float, float, float]:
    """Errors of Dv0.5, cover and count of the stains above the stated smallest. [%]"""
    counted = stains.counted
    seen = volume_median(stains.diameter_um[counted], stains.weight[counted])
    true = volume_median(drawn.diameter_um, np.ones(drawn.diameter_um.size))
    count = np.count_nonzero(drawn.diameter_um >= stains.smallest_um)
    return (
        100.0 * (seen / true - 1.0),
        100.0 * (stains.coverage_percent / drawn.coverage_percent - 1.0),
        100.0 * (float(stains.weight.sum()) / count - 1.0),
    )
