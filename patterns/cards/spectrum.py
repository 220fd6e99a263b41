"""The spectrum of the drops: sizes, shares of fines, bounds.

Interpolation, stated because a median depends on it. **Single drops**: sorted by diameter, half of
a drop's own volume counts as below it (mid-step), and between neighbouring drops the cumulative
volume runs on a straight line over diameter. A drop of the sample stands for those a little smaller
and a little larger alike, so counting it whole, or not at all, would push every size one way; and
turning the order of sizes round gives the same median. Drops of one size go into one step. Below
the middle of the smallest drop and above that of the largest nothing is extrapolated. **Counts by
class**: the class mark is its upper end, at which the whole class is below; between marks the
curve is straight, and the first class begins one class width below its mark, but not below 0.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from patterns.cards._curve import (
    SHARES,
    cumulative,
    diameter_at,
    edges_around,
    figures_of,
    merged,
    percents_by_class,
    sorted_drops,
    summed,
)
from patterns.cards._resample import Cells, cells_of, draw
from patterns.data import load
from patterns.errors import InputError
from patterns.remarks import Remark

__all__ = [
    "CUT_OFFS_UM",
    "FEWEST_FOR_BOUNDS",
    "Below",
    "Distribution",
    "Figure",
    "Spectrum",
    "SpectrumParameters",
    "spectrum",
    "spectrum_from_counts",
    "volume_diameters",
]

Floats = NDArray[np.float64]

CUT_OFFS_UM: Final[tuple[float, ...]] = tuple(
    float(row["below_um"]) for row in load("fines_cut_offs").values()
)
"""Diameters under which the share of fines is told [µm]; ``patterns/data/fines_cut_offs.json``."""

FEWEST_FOR_BOUNDS: Final = 30
"""Fewer stains know so little of the drops they lack that resampling them would only feign bounds
(own choice)."""

_FEW_LARGE: Final = 10.0
_TO_L_PER_HA: Final = 1e-7  # 1 µm³ = 1e-15 L on 1 cm² = 1e-8 ha


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure with its bounds; all in the unit of its name, bounds not a number if not taken."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Below:
    """Share of the volume in drops smaller than a cut-off."""

    cut_off_um: float
    percent: Figure


@dataclass(frozen=True, slots=True)
class SpectrumParameters:
    """Settings of a spectrum.

    Parameters
    ----------
    cut_offs_um : diameters under which the share of the volume is told [µm], above 0.
    confidence : share of the resamplings between the bounds, 0.5 to 0.999.
    resamplings : how many, 0 for no bounds, at most 10 000.
    few_stains : fewer stains than this are warned of. Own choice, from drawing log-normal sprays
        with geometric standard deviations of 1.6, 1.8 and 1.9: 95 % of the Dv0.5 of 1000 stains
        lie within 9, 20 and 26 % of the true one, of 300 within 18, 41 and 85 %, of 3000 within
        5, 11 and 16 %, of 10 000 within 3, 7 and 9 %.
    wide_percent : bounds of Dv0.5 wider than this on either side are warned of [% of it].
    """

    cut_offs_um: tuple[float, ...] = CUT_OFFS_UM
    confidence: float = 0.95
    resamplings: int = 200
    few_stains: int = 1000
    wide_percent: float = 10.0


@dataclass(frozen=True, slots=True, eq=False)
class Distribution:
    """Shares by class of diameter, for drawing.

    Attributes
    ----------
    edge_um : (C + 1,) float64, ends of the classes; 20 to a decade, or those of the counts. [µm]
    volume_percent, number_percent : (C,) float64, share of each class. [%]
    """

    edge_um: Floats
    volume_percent: Floats
    number_percent: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Spectrum:
    """Sizes of the drops of one card or one test.

    Attributes
    ----------
    dv10_um, dv50_um, dv90_um : 10, 50 and 90 % of the volume are in smaller drops. [µm]
    relative_span : (Dv0.9 − Dv0.1) / Dv0.5.
    number_median_um : half of the drops are smaller. [µm]
    mean_um : arithmetic mean, D10 = Σnd / Σn. [µm]
    volume_mean_um : of the mean volume, D30 = (Σnd³ / Σn)^⅓. [µm]
    sauter_um : of the same volume to surface, D32 = Σnd³ / Σnd². [µm]
    volume_below : share of the volume in drops smaller than each cut-off.
    stains : how many the figures rest on.
    count : the same with the weights of the edge rule.
    smallest_um, largest_um : of the drops. [µm]
    per_cm2, deposit_l_per_ha : drops [1/cm²] and volume on the area [L/ha]; None with no area.
    confidence : share of the resamplings between the bounds.
    distribution : shares by class of diameter.
    remarks : what makes figures weak.
    """

    dv10_um: Figure
    dv50_um: Figure
    dv90_um: Figure
    relative_span: Figure
    number_median_um: Figure
    mean_um: Figure
    volume_mean_um: Figure
    sauter_um: Figure
    volume_below: tuple[Below, ...]
    stains: int
    count: float
    smallest_um: float
    largest_um: float
    per_cm2: Figure | None
    deposit_l_per_ha: Figure | None
    confidence: float
    distribution: Distribution
    remarks: tuple[Remark, ...]


def spectrum(
    diameter_um: Floats,
    weight: Floats | None = None,
    *,
    area_cm2: float | None = None,
    parameters: SpectrumParameters | None = None,
) -> Spectrum:
    """Work out the spectrum of single drops.

    Parameters
    ----------
    diameter_um : (K,) ndarray of float
        Diameters of the drops [µm], above 0, in any order.
    weight : (K,) ndarray of float, optional
        How many drops each stands for, 0 or more; 1 each when left out.
    area_cm2 : float, optional
        Area the drops were found on [cm²]; gives drops per cm² and the deposit.
    parameters : SpectrumParameters, optional

    Returns
    -------
    Spectrum

    Raises
    ------
    InputError
        Without a single drop of weight above 0, or for numbers that cannot be.

    Notes
    -----
    Dv, D32, D30: as the drift pages at holsoft.nl define them. Relative span: from memory. The
    bounds are percentiles over resamplings of the stains (`patterns.cards._resample`): they hold
    what chance does to the stains of this card, not what differs from card to card, nor errors of
    the spread factor. Measured by drawing 200 log-normal cards of each size (geometric standard
    deviations of 1.6 to 1.9), bounds of 95 % held Dv0.5 in 86 to 92 % of cards with 1000 stains
    and in 92 to 94 % with 10 000; Dv0.9 in 44 to 86 % and 86 to 91 %: a sample knows nothing of the
    large drops that it lacks. With fewer than ten drops above Dv0.9 a remark says so; with fewer
    than 30 stains there are no bounds.
    """
    settings = parameters or SpectrumParameters()
    _check(settings, area_cm2)
    drops, weights = sorted_drops(diameter_um, weight)
    sizes, of_size = merged(drops, weights)
    point = figures_of(sizes, of_size[None, :], settings.cut_offs_um, "middle")[0]
    cells = cells_of(drops, weights)
    drawn = draw(cells, _rounds(drops.size, settings))
    around = figures_of(cells.diameter_um, drawn, settings.cut_offs_um, "middle")
    edge_um = edges_around(drops)
    volume = percents_by_class(drops, weights * drops**3, edge_um)
    result = _spectrum(
        (drops, weights),
        _bounded(point, around, settings.confidence),
        settings,
        Distribution(edge_um, volume, percents_by_class(drops, weights, edge_um)),
        drops.size,
    )
    if area_cm2 is None:
        return result
    found, anew = _per_area((drops, weights), cells, drawn, area_cm2)
    per_cm2, deposit = _bounded(found, anew, settings.confidence)
    return replace(result, per_cm2=per_cm2, deposit_l_per_ha=deposit)


def spectrum_from_counts(
    mark_um: Floats, count: Floats, *, parameters: SpectrumParameters | None = None
) -> Spectrum:
    """Work out the spectrum of drops counted by class.

    Parameters
    ----------
    mark_um : (K,) ndarray of float
        Class marks [µm], ascending, above 0; each is the upper end of its class.
    count : (K,) ndarray of float
        Drops in each class, 0 or more.
    parameters : SpectrumParameters, optional

    Returns
    -------
    Spectrum
        Means are those of the marks.

    Raises
    ------
    InputError
        For marks that do not ascend, or without a single drop.
    """
    settings = parameters or SpectrumParameters()
    _check(settings, None)
    marks, counts = np.asarray(mark_um, dtype=np.float64), np.asarray(count, dtype=np.float64)
    if marks.ndim != 1 or marks.size == 0 or not np.all(np.diff(marks, prepend=0.0) > 0.0):
        raise InputError("class marks", "they do not ascend from above 0", "sort them")
    sorted_drops(marks, counts)  # for its complaints
    width = float(marks[1] - marks[0]) if marks.size > 1 else float(marks[0])
    ends = np.concatenate(([max(0.0, float(marks[0]) - width)], marks))
    within = np.concatenate(([0.0], counts))
    point = figures_of(ends, within[None, :], settings.cut_offs_um, "upper")[0]
    drawn = draw(Cells(ends, np.ones(ends.size), within), _rounds(counts.sum(), settings))
    around = figures_of(ends, drawn, settings.cut_offs_um, "upper")
    volume = counts * marks**3
    return _spectrum(
        (marks[counts > 0.0], counts[counts > 0.0]),
        _bounded(point, around, settings.confidence),
        settings,
        Distribution(ends, 100.0 * volume / volume.sum(), 100.0 * counts / counts.sum()),
        round(float(counts.sum())),
    )


def volume_diameters(
    diameter_um: Floats, weight: Floats | None = None, shares: tuple[float, ...] = SHARES
) -> tuple[float, ...]:
    """Diameters under which shares of the volume lie, by the rule for single drops [µm].

    Parameters
    ----------
    diameter_um, weight : as for `spectrum`.
    shares : above 0 and below 1.
    """
    drops, weights = merged(*sorted_drops(diameter_um, weight))
    volume = (weights * drops**3)[None, :]
    reached, total = cumulative(volume, "middle"), volume.sum(axis=1)
    return tuple(float(diameter_at(share * total, drops, reached)[0]) for share in shares)


def _rounds(stains: float, settings: SpectrumParameters) -> int:
    return settings.resamplings if stains >= FEWEST_FOR_BOUNDS else 0


def _per_area(
    drops: tuple[Floats, Floats], cells: Cells, drawn: Floats, area_cm2: float
) -> tuple[Floats, Floats]:
    """Drops per cm² and deposit [L/ha] as found (2,) and as drawn anew (R, 2)."""
    diameter_um, weights = drops
    to_rate = np.pi / 6.0 * _TO_L_PER_HA / area_cm2
    found = np.array([weights.sum() / area_cm2, np.sum(weights * diameter_um**3) * to_rate])
    deposit = summed(drawn, cells.diameter_um**3) * to_rate
    return found, np.stack([drawn.sum(axis=1) / area_cm2, deposit], axis=1)


def _bounded(point: Floats, around: Floats, confidence: float) -> tuple[Figure, ...]:
    """Figures with the percentiles of their resamplings; the figure itself lies within."""
    if around.shape[0] == 0:
        return tuple(Figure(float(value), np.nan, np.nan) for value in point)
    tail = 50.0 * (1.0 - confidence)
    low, high = np.percentile(around, (tail, 100.0 - tail), axis=0)
    low, high = np.minimum(low, point), np.maximum(high, point)
    return tuple(
        Figure(float(value), float(under), float(over))
        for value, under, over in zip(point, low, high, strict=True)
    )


def _spectrum(
    drops: tuple[Floats, Floats],
    figures: tuple[Figure, ...],
    settings: SpectrumParameters,
    distribution: Distribution,
    stains: int,
) -> Spectrum:
    diameter_um, weights = drops
    dv10, dv50, dv90, span, number_median, mean, volume_mean, sauter, *shares = figures
    return Spectrum(
        dv10_um=dv10,
        dv50_um=dv50,
        dv90_um=dv90,
        relative_span=span,
        number_median_um=number_median,
        mean_um=mean,
        volume_mean_um=volume_mean,
        sauter_um=sauter,
        volume_below=tuple(map(Below, settings.cut_offs_um, shares)),
        stains=stains,
        count=float(weights.sum()),
        smallest_um=float(diameter_um[0]),
        largest_um=float(diameter_um[-1]),
        per_cm2=None,
        deposit_l_per_ha=None,
        confidence=settings.confidence,
        distribution=distribution,
        remarks=_remarks(drops, dv50, dv90, stains, settings),
    )


def _remarks(
    drops: tuple[Floats, Floats],
    median: Figure,
    upper: Figure,
    stains: int,
    settings: SpectrumParameters,
) -> tuple[Remark, ...]:
    found: list[Remark] = []
    off = 100.0 * max(median.high - median.value, median.value - median.low) / median.value
    if stains < settings.few_stains:
        text = (
            f"The sizes rest on {stains} stains. Under {settings.few_stains} the few large drops, "
            "which hold most of the volume, are a matter of chance"
        )
        spread = ", and how far cannot be told"
        if np.isfinite(off):
            spread = f": Dv0.5 may be off by {off:.0f} %"
        found.append(Remark("few_stains", f"{text}{spread}.", "warning"))
    elif off > settings.wide_percent:
        text = f"By chance alone Dv0.5 may be off by {off:.0f} %, though there are {stains} stains."
        found.append(Remark("wide_bounds", text, "warning"))
    # Of a whole test the weights are drops on a mean square centimetre, and no count of stains.
    large = stains * float(drops[1][drops[0] > upper.value].sum() / drops[1].sum())
    if large < _FEW_LARGE:
        text = (
            f"Dv0.9 and the relative span rest on the few largest drops ({large:.0f} above Dv0.9): "
            "they are rougher than their bounds tell."
        )
        found.append(Remark("few_large", text, "warning"))
    return tuple(found)


def _check(settings: SpectrumParameters, area_cm2: float | None) -> None:
    if not all(0.0 < cut < 1e6 for cut in settings.cut_offs_um):
        raise InputError("cut-offs", "one is not above 0", "give micrometres, such as 100 and 150")
    if not 0.5 <= settings.confidence <= 0.999:
        raise InputError(
            "confidence", f"{settings.confidence:g} is out of range", "give 0.5 to 0.999"
        )
    if not 0 <= settings.resamplings <= 10_000:
        raise InputError(
            "resamplings", f"{settings.resamplings} is out of range", "give 0 to 10000"
        )
    if area_cm2 is not None and not 0.0 < area_cm2 < np.inf:
        raise InputError("area", f"{area_cm2:g} cm² is none", "give an area above 0")
