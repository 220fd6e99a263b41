"""What the browser needs to redraw the overlapped field while a swath is being chosen.

The browser lays the mean pattern side by side itself (`static/fleet/overlap.js`), by the rule of
`patterns.overlap`; the bounds over the passes it takes from the curve of the analysis.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from fleet import measures
from patterns.analyse import Analysis
from patterns.draw.passes import letter
from patterns.overlap import MANNERS, Manner

# One press of an arrow key, and one press of the − and + buttons, in the reader's unit.
FINE: Final = {"us": 0.5, "metric": 0.1}
COARSE: Final = {"us": 1.0, "metric": 0.5}


@dataclass(frozen=True, slots=True)
class Slider:
    """A range of swaths in the reader's unit, where it stands, and the reach of the picture."""

    unit: str
    least: float
    most: float
    fine: float
    coarse: float
    value: float
    swath_m: float
    manner: Manner
    half_width_m: float


def slider(analysis: Analysis, system: str, manner: str, asked: str = "") -> Slider:
    """Return the slider for an analysis, standing at the swath asked for or the recommended one.

    It reaches from the first swath of the sweep to a fifth beyond the widest that passes, since
    wider ones are of no use; the picture is as wide as three lines at the recommended swath.
    """
    way: Manner = "one_way" if manner == "one_way" else "back_and_forth"
    per_m = 1.0 / measures.entered(1.0, "swath", system)
    swaths = analysis.uniformity.swath_m
    start_m = _start_m(analysis, way)
    most_m = min(float(swaths[-1]), max(1.25 * start_m, 1.2 * _widest_m(analysis)))
    least = math.ceil(float(swaths[0]) * per_m - 1e-6)
    most = max(math.floor(most_m * per_m + 1e-6), least + 1)
    typed = _asked(asked, least, most)
    value = round(start_m * per_m, 1) if typed is None else typed
    return Slider(
        unit=measures.unit_of("swath", system),
        least=least,
        most=most,
        fine=FINE[system],
        coarse=COARSE[system],
        value=value,
        swath_m=start_m if typed is None else typed / per_m,
        manner=way,
        half_width_m=max(1.5 * start_m, 0.75 * most / per_m),
    )


def data(analysis: Analysis, shown: Slider, system: str) -> dict[str, Any]:
    """Return what the browser computes with: plain numbers, lengths in metres.

    `deposit` is the mean pattern about the flight line, which is its middle entry, out to the
    first place on either side where there is none; `stops_m` are the recommended swaths, on
    which the slider comes to rest exactly although its own steps are those of the reader's unit.
    """
    deposit = analysis.pattern.deposit
    middle = (deposit.size - 1) // 2
    there = np.flatnonzero(deposit)
    reach = min(int(np.max(np.abs(there - middle), initial=0)) + 1, middle)
    position = analysis.pattern.position_m
    choices = [getattr(analysis.recommended, manner) for manner in MANNERS]
    return {
        "step_m": float(position[1] - position[0]),
        "deposit": deposit[middle - reach : middle + reach + 1].tolist(),
        "swaths_m": analysis.uniformity.swath_m.tolist(),
        **{manner: _bounds(analysis, manner) for manner in MANNERS},
        "limit_percent": analysis.parameters.cv_limit_percent,
        "stops_m": [choice.swath_m for choice in choices if choice.swath_m is not None],
        "findings": [
            {
                "letter": letter(index),
                "kind": zone.kind,
                "from_m": zone.from_m,
                "to_m": zone.to_m,
                "centre_m": zone.centre_m,
            }
            for index, zone in enumerate(analysis.findings)
        ],
        "metres_per_unit": measures.entered(1.0, "swath", system),
        "unit": shown.unit,
        "fine": shown.fine,
    }


def _bounds(analysis: Analysis, manner: Manner) -> dict[str, list[float] | None]:
    curve = getattr(analysis.uniformity, manner)
    known = bool(np.all(np.isfinite(curve.low_percent) & np.isfinite(curve.high_percent)))
    return {
        "low_percent": curve.low_percent.tolist() if known else None,
        "high_percent": curve.high_percent.tolist() if known else None,
    }


def _start_m(analysis: Analysis, manner: Manner) -> float:
    """The recommended swath, or else one that is worth looking at."""
    choice = getattr(analysis.recommended, manner)
    swaths = analysis.uniformity.swath_m
    found = choice.swath_m or choice.widest_passing_m
    return float(found) if found else float(swaths[len(swaths) // 3])


def _widest_m(analysis: Analysis) -> float:
    widest = [getattr(analysis.recommended, manner).widest_passing_m for manner in MANNERS]
    return max([float(one) for one in widest if one is not None], default=0.0)


def _asked(asked: str, least: float, most: float) -> float | None:
    try:
        typed = float(asked)
    except ValueError:
        return None
    return typed if least <= typed <= most else None
