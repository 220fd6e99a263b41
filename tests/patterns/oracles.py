"""Exact overlap values, as data for any test that flies a pattern.

No published table of deposit by position together with its CV by swath could be read, so these are
computed from the stated formulas (mark COMPUTED: exact unless rounded to the digits shown).
CV is the population CV [%] of the overlapped deposit over one repeat.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Oracle:
    """CV by swath for one drawn pattern.

    `base` holds the corners (place, deposit) of a pattern of straight lines. Places and swaths are
    in one unit of length. A pattern without `back_and_forth` is symmetric: both ways are equal.
    `tolerance_percent` is half of the last digit shown.
    """

    name: str
    source: str
    mark: str
    corners: tuple[tuple[float, float], ...]
    one_way: dict[float, float]
    tolerance_percent: float
    back_and_forth: dict[float, float] | None = None

    def cv(self, manner: str) -> dict[float, float]:
        """CV [%] by swath for one way of flying."""
        if manner == "one_way" or self.back_and_forth is None:
            return self.one_way
        return self.back_and_forth


TRIANGLE = Oracle(
    name="triangle, base 1, unit peak",
    source="CV² = 2s/3 + s(2 − s)³/3 − 1 with s = 2S/B, 1 <= s <= 2; below that by the same sum",
    mark="COMPUTED",
    corners=((-0.5, 0.0), (0.0, 1.0), (0.5, 0.0)),
    one_way={
        1 / 3: 6.4150,
        0.40: 5.1640,
        0.45: 2.2361,
        0.50: 0.0,
        0.55: 2.5166,
        0.60: 6.9282,
        0.65: 12.3693,
        0.70: 18.4752,
        0.75: 25.0000,
        0.80: 31.7490,
        0.90: 45.2548,
        1.00: 57.7350,
    },
    tolerance_percent=5e-5,
)

RECTANGLE = Oracle(
    name="rectangle, width 1",
    source=(
        "W/2 < S < W: a = (W − S)/S, CV = √(a(1 − a))/(1 + a); S > W: CV = √(S/W − 1); "
        "edges drawn as steps"
    ),
    mark="COMPUTED",
    corners=((-0.5, 1.0), (0.5, 1.0)),
    one_way={
        0.6: 28.2843,
        0.7: 34.6410,
        0.8: 34.6410,
        0.9: 28.2843,
        1.0: 0.0,
        1.1: 31.6228,
        1.2: 44.7214,
    },
    tolerance_percent=5e-5,
)

TRAPEZOID = Oracle(
    name="trapezoid, base 100, flat top 40",
    source="direct integration of the overlapped straight lines; zero at the half-peak width 70",
    mark="COMPUTED",
    corners=((-50.0, 0.0), (-20.0, 1.0), (20.0, 1.0), (50.0, 0.0)),
    one_way={
        60.0: 12.599,
        65.0: 7.306,
        70.0: 0.0,
        75.0: 8.333,
        80.0: 16.723,
        85.0: 25.000,
        90.0: 32.991,
    },
    tolerance_percent=5e-4,
)

SKEWED_TRIANGLE = Oracle(
    name="skewed triangle, 0 at -40, peak at +10, 0 at +40",
    source="direct integration of the overlapped straight lines",
    mark="COMPUTED",
    corners=((-40.0, 0.0), (10.0, 1.0), (40.0, 0.0)),
    one_way={
        30.0: 2.887,
        40.0: 11.547,
        45.0: 12.930,
        50.0: 14.434,
        55.0: 18.980,
        60.0: 25.820,
        70.0: 41.999,
        80.0: 57.735,
    },
    back_and_forth={
        30.0: 18.634,
        40.0: 23.413,
        45.0: 22.719,
        50.0: 21.409,
        55.0: 22.790,
        60.0: 27.487,
        70.0: 42.153,
        80.0: 57.735,
    },
    tolerance_percent=5e-4,
)

STRAIGHT_LINED = (TRIANGLE, RECTANGLE, TRAPEZOID, SKEWED_TRIANGLE)

# Gaussian of standard deviation σ: CV = √(2 Σ exp(−4π²n²σ²/S²)). COMPUTED.
GAUSSIAN_CV_BY_SWATH_IN_SIGMA = {
    2.0: 1.017,
    2.5: 6.010,
    3.0: 15.776,
    3.5: 28.231,
    4.0: 41.196,
    5.0: 64.492,
}
GAUSSIAN_WIDEST_IN_SIGMA_BY_CV = {
    10.0: 2.7297,
    15.0: 2.9661,
    20.0: 3.1767,
    25.0: 3.3751,
    30.0: 3.5679,
}


@dataclass(frozen=True, slots=True)
class TableRow:
    """One swath of the table to check by hand; CVs with n and with n − 1."""

    swath_ft: int
    one_way_sums: tuple[int, ...]
    one_way: tuple[float, float]
    back_and_forth: tuple[float, float]


# The table to check by hand, −40 … +40 ft by 5 ft. COMPUTED.
TABLE_POSITION_FT: Floats = np.arange(-40.0, 41.0, 5.0)
TABLE_DEPOSIT: Floats = np.array(
    [0.0, 0, 1, 2, 4, 7, 9, 10, 8, 9, 12, 11, 6, 3, 1, 0, 0], dtype=np.float64
)
TABLE_STEP_FT = 5
TABLE_CENTRE = 8
TABLE_ROWS = (
    TableRow(25, (13, 14, 19, 20, 17), (16.4315, 18.3710), (20.3753, 21.4775)),
    TableRow(30, (10, 11, 16, 18, 15, 13), (20.1965, 22.1241), (25.1862, 26.3061)),
    TableRow(35, (8, 10, 14, 15, 13, 12, 11), (18.8199, 20.3278), (24.0361, 24.9434)),
    TableRow(40, (8, 9, 13, 13, 10, 10, 10, 10), (15.9383, 17.0387), (19.8338, 20.4843)),
    TableRow(45, (8, 9, 12, 12, 8, 7, 8, 9, 10), (18.2720, 19.3804), (19.6500, 20.2197)),
    TableRow(50, (8, 9, 12, 11, 7, 5, 5, 7, 9, 10), (26.9675, 28.4262), (27.2353, 27.9428)),
    TableRow(55, (8, 9, 12, 11, 6, 4, 3, 4, 7, 9, 10), (38.0616, 39.9194), (38.0616, 38.9573)),
)
TABLE_BACK_AND_FORTH_AT_40_FT = (8, 9, 13, 14, 12, 14, 13, 9, 8, 10, 10, 9, 8, 9, 10, 10)


def sampled(corners: tuple[tuple[float, float], ...], half_count: int, step: float) -> Floats:
    """Sample a pattern of straight lines at −half_count … +half_count steps: (2·half_count + 1,).

    A place on the edge of a pattern that ends in a step gets half of the step, as a sum over
    samples asks for.
    """
    x = np.arange(-half_count, half_count + 1) * step
    place, height = (np.array(column) for column in zip(*corners, strict=True))
    tiny = 1e-9 * step
    inner = np.interp(x, place, height, left=0.0, right=0.0)
    edge = (np.abs(x - place[0]) < tiny) | (np.abs(x - place[-1]) < tiny)
    inside = (x > place[0] + tiny) & (x < place[-1] - tiny)
    return np.where(edge, np.where(inner > 0, inner, 0.0) / 2.0, np.where(inside, inner, 0.0))
