"""From the scan of a card to its result: the one composition of the parts."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from patterns.cards.across import PlacedCard
from patterns.cards.bed import FoundCard, cut, find_cards
from patterns.cards.classes import ClassTable, SizeClass, Use, class_table, size_class
from patterns.cards.decode import CardImage
from patterns.cards.drops import WATER_ON_WATER_SENSITIVE, Drops, SpreadFactor, to_drops
from patterns.cards.separate import (
    PAPER_NAMES,
    Paper,
    SeparateParameters,
    Separation,
    separate,
)
from patterns.cards.spectrum import (
    FEWEST_FOR_BOUNDS,
    Figure,
    Spectrum,
    SpectrumParameters,
    spectrum,
    volume_diameters,
)
from patterns.cards.stains import Flag, StainParameters, Stains, measure_all
from patterns.remarks import Remark, Weight

__all__ = [
    "METHOD_VERSION",
    "CardResult",
    "FoundStains",
    "Parameters",
    "StainSizes",
    "interpret",
    "measure_card",
    "measure_cards",
    "measure_scan",
]

Floats = NDArray[np.float64]

METHOD_VERSION: Final = "cards-3"
"""Changes when the same scan with the same parameters gives other figures."""

_UM2_PER_CM2: Final = 1e8
_MUCH_PERCENT: Final = 10.0


@dataclass(frozen=True, slots=True)
class Parameters:
    """Settings of a measurement.

    Parameters
    ----------
    separate, stains, spectrum : settings of the steps.
    spread : from stain to drop, for the liquid sprayed on the paper used.
    table : boundaries of the size classes.
    use : what the spray is flown or driven with.
    """

    separate: SeparateParameters = field(default_factory=SeparateParameters)
    stains: StainParameters = field(default_factory=StainParameters)
    spread: SpreadFactor = WATER_ON_WATER_SENSITIVE
    spectrum: SpectrumParameters = field(default_factory=SpectrumParameters)
    table: ClassTable = field(default_factory=class_table)
    use: Use = "aerial"


@dataclass(frozen=True, slots=True)
class StainSizes:
    """Sizes of the stains as if they were drops: 10, 50, 90 % of the volume in smaller ones."""

    dv10_um: float
    dv50_um: float
    dv90_um: float


@dataclass(frozen=True, slots=True, eq=False)
class FoundStains:
    """Every stain found, counted or not, for showing it on the picture; all (K,).

    Attributes
    ----------
    x_px, y_px : centre on the image of the card. [px]
    length_px, breadth_px, angle_deg : of the ellipse around it, angle clockwise from the x axis.
    stain_um, drop_um : diameters; the drop is not a number where the stain is not counted. [µm]
    weight : how many stains it stands for, 0 where it is not counted.
    flag : uint8, values of `patterns.cards.stains.Flag`.
    touches_edge : cut by the edge of the card.
    """

    x_px: Floats
    y_px: Floats
    length_px: Floats
    breadth_px: Floats
    angle_deg: Floats
    stain_um: Floats
    drop_um: Floats
    weight: Floats
    flag: NDArray[np.uint8]
    touches_edge: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class CardResult:
    """What one card says.

    Attributes
    ----------
    method_version, parameters : how it was measured.
    source, digest, dpi : of the scan.
    number : of the card on the scan, from 1.
    paper, threshold_percent, threshold_why : how stain was parted from paper.
    valid_px : top, left, bottom, right of what is card on its image (half-open). [px]
    area_cm2 : of the card seen, without what was left out. [cm²]
    stains : how many were counted.
    stains_per_cm2 : with the weights of the edge rule. [1/cm²]
    coverage_percent : stain on the area seen. [%]
    split_percent : share of the counted stains that came out of splitting. [%]
    smallest_um : diameter of the smallest stain that can be trusted at this resolution. [µm]
    left_out : how many stains were not counted, by why.
    outside_percent : share of the drops' volume from stains outside the range of the spread
        factor. [%]
    stain_um : sizes of the stains as if drops; None without a stain.
    drops : spectrum after the spread factor; None without a stain.
    deposit_l_per_ha : volume of the drops on the area; 0 without a stain, not a number where there
        is stain but none of it could be counted, as are the stains per cm². [L/ha]
    size_class : None without a stain.
    found : every stain.
    remarks : of all steps.
    """

    method_version: str
    parameters: Parameters
    source: str
    digest: str
    dpi: float
    number: int
    paper: Paper
    threshold_percent: float
    threshold_why: str
    valid_px: tuple[int, int, int, int]
    area_cm2: float
    stains: int
    stains_per_cm2: Figure
    coverage_percent: Figure
    split_percent: float
    smallest_um: float
    left_out: dict[str, int]
    outside_percent: float
    stain_um: StainSizes | None
    drops: Spectrum | None
    deposit_l_per_ha: Figure
    size_class: SizeClass | None
    found: FoundStains
    remarks: tuple[Remark, ...]

    def placed(self, position_m: float) -> PlacedCard:
        """Lay the card at a position from the flight line, left wing negative [m]."""
        counted = self.found.weight > 0.0
        return PlacedCard(
            name=f"{self.source}, card {self.number}",
            position_m=position_m,
            area_cm2=self.area_cm2,
            coverage_percent=self.coverage_percent.value,
            diameter_um=self.found.drop_um[counted],
            weight=self.found.weight[counted],
        )


def measure_scan(
    image: CardImage, parameters: Parameters | None = None
) -> list[tuple[FoundCard, CardResult]]:
    """Find the cards of a scan and measure them.

    Parameters
    ----------
    image : one card, or many on one bed.
    parameters : settings.

    Returns
    -------
    Every card with its result, in order.

    Raises
    ------
    InputError
        For settings that make no sense.
    """
    cards = find_cards(image)
    results = measure_cards((cut(image, card) for card in cards), parameters)
    return list(zip(cards, results, strict=True))


def measure_card(image: CardImage, parameters: Parameters | None = None) -> CardResult:
    """Measure the image of one card; see `measure_cards`."""
    return measure_cards([image], parameters)[0]


def measure_cards(
    images: Iterable[CardImage], parameters: Parameters | None = None
) -> list[CardResult]:
    """Measure the cards of one scan, several in one go.

    Parameters
    ----------
    images : one card each, straight; `patterns.cards.bed.cut` makes such images. They are taken
        one after the other and none is kept, so that they may be cut on the way.
    parameters : settings; the defaults are for water on water-sensitive paper.

    Returns
    -------
    One result for each, numbered from 1.

    Raises
    ------
    InputError
        For settings that make no sense.
    """
    settings = parameters or Parameters()
    seen = []

    def separated() -> Iterator[tuple[Separation, float]]:
        for image in images:
            separation = separate(image, settings.separate)
            seen.append((image.without_picture(), separation.without_picture()))
            yield separation, image.dpi

    stains = measure_all(separated(), settings.stains)
    return [
        interpret(*one, of_one, settings, number=number)
        for number, (one, of_one) in enumerate(zip(seen, stains, strict=True), 1)
    ]


def interpret(
    image: CardImage,
    separation: Separation,
    stains: Stains,
    parameters: Parameters,
    *,
    number: int = 1,
) -> CardResult:
    """Say what measured stains mean: drops, spectrum, cover, deposit, class.

    Of image and separation no pixel is looked at.

    Notes
    -----
    The bounds of the cover are those of a Poisson number of stains of the sizes found: the scatter
    is the root of the sum of their squared areas. All other bounds: `patterns.cards.spectrum`.
    """
    counted = stains.counted
    stain_um, weight = stains.diameter_um[counted], stains.weight[counted]
    drops = to_drops(stain_um, parameters.spread)
    found = _spectrum(drops, weight, stains.valid_area_cm2, parameters.spectrum)
    outside = _outside_percent(drops, weight)
    return CardResult(
        method_version=METHOD_VERSION,
        parameters=parameters,
        source=image.source,
        digest=image.digest,
        dpi=image.dpi,
        number=number,
        paper=separation.paper,
        threshold_percent=separation.threshold_percent,
        threshold_why=separation.why,
        valid_px=separation.valid_px,
        area_cm2=stains.valid_area_cm2,
        stains=int(np.count_nonzero(counted)),
        stains_per_cm2=_or_none_fell(found.per_cm2 if found else None, stains),
        coverage_percent=_coverage(stains, parameters.spectrum),
        split_percent=stains.split_percent,
        smallest_um=stains.smallest_um,
        left_out=_left_out(stains),
        outside_percent=outside,
        stain_um=StainSizes(*volume_diameters(stain_um, weight)) if found else None,
        drops=found,
        deposit_l_per_ha=_or_none_fell(found.deposit_l_per_ha if found else None, stains),
        size_class=size_class(found, parameters.table, use=parameters.use) if found else None,
        found=_found(stains, drops.diameter_um),
        remarks=(
            *image.remarks,
            *separation.remarks,
            *stains.remarks,
            *_bare_remarks(stains),
            *_paper_remarks(separation.paper, parameters.spread),
            *_spread_remarks(drops, outside, parameters.spread),
            *(found.remarks if found else ()),
        ),
    )


def _spectrum(
    drops: Drops, weight: Floats, area_cm2: float, settings: SpectrumParameters
) -> Spectrum | None:
    if weight.size == 0:
        return None
    return spectrum(drops.diameter_um, weight, area_cm2=area_cm2, parameters=settings)


def _or_none_fell(figure: Figure | None, stains: Stains) -> Figure:
    """The figure, or without counted stains 0 on a bare card and not known on a stained one."""
    if figure is not None:
        return figure
    return Figure(np.nan if stains.coverage_percent > 0.0 else 0.0, np.nan, np.nan)


def _coverage(stains: Stains, settings: SpectrumParameters) -> Figure:
    value = stains.coverage_percent
    counted = stains.counted
    if settings.resamplings == 0 or np.count_nonzero(counted) < FEWEST_FOR_BOUNDS:
        return Figure(value, np.nan, np.nan)
    scatter = float(np.sqrt(np.sum((stains.weight * stains.area_um2)[counted] ** 2)))
    reach = float(ndtri(0.5 + settings.confidence / 2.0)) * scatter
    reach *= 100.0 / (_UM2_PER_CM2 * stains.valid_area_cm2)
    return Figure(value, max(value - reach, 0.0), min(value + reach, 100.0))


def _left_out(stains: Stains) -> dict[str, int]:
    """How many stains were not counted, by why."""
    missing = ~stains.counted
    fine = stains.flag <= Flag.MERGED
    by_flag = {
        flag.name.lower(): int(np.count_nonzero(missing & (stains.flag == flag)))
        for flag in Flag
        if flag > Flag.MERGED
    }
    return {"cut_by_edge": int(np.count_nonzero(missing & fine)), **by_flag}


def _outside_percent(drops: Drops, weight: Floats) -> float:
    volume = weight * drops.diameter_um**3
    return 100.0 * float(volume[drops.outside].sum() / volume.sum()) if volume.size else 0.0


def _bare_remarks(stains: Stains) -> Iterator[Remark]:
    if stains.coverage_percent > 0.0 and not stains.counted.any():
        text = (
            f"Stain covers {stains.coverage_percent:.1f} % of the card, but not a single one could "
            "be counted: there is no spectrum, and the deposit is not known."
        )
        yield Remark("none_counted", text, "warning")


def _paper_remarks(paper: Paper, spread: SpreadFactor) -> Iterator[Remark]:
    if paper == "dyed" and spread == WATER_ON_WATER_SENSITIVE:
        text = (
            f"The card was read as {PAPER_NAMES[paper]}, but the spread factor is for "
            f"{spread.liquid} on {spread.paper}: sizes and deposit are only right with the factor "
            "of this card."
        )
        yield Remark("spread_of_other_paper", text, "warning")


def _spread_remarks(drops: Drops, outside_percent: float, spread: SpreadFactor) -> Iterator[Remark]:
    many = int(np.count_nonzero(drops.outside))
    if not many:
        return
    weight: Weight = "warning" if outside_percent > _MUCH_PERCENT else "note"
    ends = f"from {spread.valid_from_um:g} µm on"
    if spread.valid_to_um is not None:
        ends = f"from {spread.valid_from_um:g} to {spread.valid_to_um:g} µm"
    text = (
        f"{many} of {drops.outside.size} stains, with {outside_percent:.1f} % of the volume, lie "
        f"outside the range {ends} for which the spread factor ({spread.name}) is known."
    )
    yield Remark("outside_spread", text, weight)


def _found(stains: Stains, drop_um: Floats) -> FoundStains:
    of_all = np.full(stains.diameter_um.shape, np.nan)
    of_all[stains.counted] = drop_um
    return FoundStains(
        x_px=stains.centre_px[:, 0],
        y_px=stains.centre_px[:, 1],
        length_px=stains.axes_px[:, 0],
        breadth_px=stains.axes_px[:, 1],
        angle_deg=stains.angle_deg,
        stain_um=stains.diameter_um,
        drop_um=of_all,
        weight=stains.weight,
        flag=stains.flag,
        touches_edge=stains.touches_edge,
    )
