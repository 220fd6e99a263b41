"""Cards across the swath: cover, deposit and median size against position, and the whole test.

A card stands for the strip half way to its neighbours, those at the ends for as much outwards as
inwards. The spectrum of the whole test is that of all drops, each counted for the width its card
stands for over the area of the card: a card so weighs by its deposit, for a volume distribution is
a share of the volume that fell there. A plain mean of the cards would let the fines at the edges of
the swath, where little falls, speak as loud as the middle.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from patterns.cards.spectrum import Spectrum, SpectrumParameters, spectrum
from patterns.errors import InputError
from patterns.remarks import Remark

__all__ = ["AcrossSwath", "PlacedCard", "across_swath"]

Floats = NDArray[np.float64]

# Cards nearer than this to each other lie at one place. [m]
_SAME_PLACE_M = 0.05
_FARTHEST_M = 500.0
# A gap this many times the usual one leaves a strip to a card far away.
_WIDE_GAP = 2.5


@dataclass(frozen=True, slots=True, eq=False)
class PlacedCard:
    """What one card gives, and where it lay.

    Attributes
    ----------
    name : as the user knows it.
    position_m : from the flight line, left wing negative [m], −500 … 500.
    area_cm2 : of the card seen [cm²].
    coverage_percent : covered by stain [%].
    diameter_um, weight : (K,) float64, the drops [µm] and how many each stands for.
    """

    name: str
    position_m: float
    area_cm2: float
    coverage_percent: float
    diameter_um: Floats
    weight: Floats


@dataclass(frozen=True, slots=True, eq=False)
class AcrossSwath:
    """Cards of a test against position; arrays (P,), one entry a place, from left to right.

    Attributes
    ----------
    position_m : of the place. [m]
    width_m : of the strip it stands for. [m]
    cards : how many lay there.
    coverage_percent : [%]
    per_cm2 : drops. [1/cm²]
    deposit_l_per_ha, deposit_low_l_per_ha, deposit_high_l_per_ha : with bounds. [L/ha]
    dv50_um, dv50_low_um, dv50_high_um : with bounds; not a number where no drop fell. [µm]
    mean_deposit_l_per_ha, mean_coverage_percent : over the whole width.
    centre_m : centre of the deposit; not a number without any. [m]
    whole : spectrum of the test, weighted by deposit; its drops per cm² and deposit are means over
        the width. None where no drop fell on any card.
    remarks : what was noticed.
    """

    position_m: Floats
    width_m: Floats
    cards: NDArray[np.intp]
    coverage_percent: Floats
    per_cm2: Floats
    deposit_l_per_ha: Floats
    deposit_low_l_per_ha: Floats
    deposit_high_l_per_ha: Floats
    dv50_um: Floats
    dv50_low_um: Floats
    dv50_high_um: Floats
    mean_deposit_l_per_ha: float
    mean_coverage_percent: float
    centre_m: float
    whole: Spectrum | None
    remarks: tuple[Remark, ...]


def across_swath(
    cards: Sequence[PlacedCard], parameters: SpectrumParameters | None = None
) -> AcrossSwath:
    """Lay the cards of a test side by side.

    Parameters
    ----------
    cards : one or more, in any order; cards at one place (of several passes, say) are taken
        together as one larger card.
    parameters : of the spectra.

    Returns
    -------
    AcrossSwath

    Raises
    ------
    InputError
        Without cards, or for numbers that cannot be.
    """
    _check(cards)
    places = [_together(group) for group in _by_place(cards)]
    count = np.array([len(group) for group in _by_place(cards)], dtype=np.intp)
    position_m = np.array([place.position_m for place in places])
    width_m = _widths(position_m)
    spectra = [
        spectrum(place.diameter_um, place.weight, area_cm2=place.area_cm2, parameters=parameters)
        if place.weight.any()
        else None
        for place in places
    ]
    coverage = np.array([place.coverage_percent for place in places])
    deposit, low, high = (_of(spectra, "deposit_l_per_ha", end) for end in _ENDS)
    total = float(np.sum(deposit * width_m))
    return AcrossSwath(
        position_m=position_m,
        width_m=width_m,
        cards=count,
        coverage_percent=coverage,
        per_cm2=_of(spectra, "per_cm2", "value"),
        deposit_l_per_ha=deposit,
        deposit_low_l_per_ha=low,
        deposit_high_l_per_ha=high,
        dv50_um=_of(spectra, "dv50_um", "value", math.nan),
        dv50_low_um=_of(spectra, "dv50_um", "low", math.nan),
        dv50_high_um=_of(spectra, "dv50_um", "high", math.nan),
        mean_deposit_l_per_ha=total / float(width_m.sum()),
        mean_coverage_percent=float(np.sum(coverage * width_m) / width_m.sum()),
        centre_m=float(np.sum(deposit * width_m * position_m)) / total if total else math.nan,
        whole=_whole(places, width_m, parameters),
        remarks=_remarks(places, position_m),
    )


_ENDS = ("value", "low", "high")


def _of(spectra: Sequence[Spectrum | None], name: str, end: str, nothing: float = 0.0) -> Floats:
    """One end of one figure of every spectrum (P,); without drops there is nothing."""
    return np.array(
        [nothing if one is None else getattr(getattr(one, name), end) for one in spectra]
    )


def _by_place(cards: Sequence[PlacedCard]) -> list[list[PlacedCard]]:
    """Cards from left to right, those at one place together."""
    groups: list[list[PlacedCard]] = []
    for card in sorted(cards, key=lambda one: one.position_m):
        if groups and card.position_m - groups[-1][0].position_m <= _SAME_PLACE_M:
            groups[-1].append(card)
        else:
            groups.append([card])
    return groups


def _together(group: Sequence[PlacedCard]) -> PlacedCard:
    """Several cards as one of their areas together."""
    area = np.array([card.area_cm2 for card in group])
    covered = np.array([card.coverage_percent for card in group])
    return PlacedCard(
        name=", ".join(card.name for card in group),
        position_m=float(np.mean([card.position_m for card in group])),
        area_cm2=float(area.sum()),
        coverage_percent=float(np.sum(covered * area) / area.sum()),
        diameter_um=np.concatenate([card.diameter_um for card in group]),
        weight=np.concatenate([card.weight for card in group]),
    )


def _widths(position_m: Floats) -> Floats:
    """Width of the strip each place stands for [m]; 1 m for a single one."""
    if position_m.size == 1:
        return np.ones(1)
    gap = np.diff(position_m)
    return np.asarray((np.append(gap[0], gap) + np.append(gap, gap[-1])) / 2.0)


def _whole(
    places: Sequence[PlacedCard], width_m: Floats, parameters: SpectrumParameters | None
) -> Spectrum | None:
    share = width_m / width_m.sum()
    weight = np.concatenate(
        [place.weight * one / place.area_cm2 for place, one in zip(places, share, strict=True)]
    )
    if not weight.any():
        return None
    drops = np.concatenate([place.diameter_um for place in places])
    # Weights are drops on the mean square centimetre.
    return spectrum(drops, weight, area_cm2=1.0, parameters=parameters)


def _remarks(places: Sequence[PlacedCard], position_m: Floats) -> tuple[Remark, ...]:
    found: list[Remark] = []
    bare = [place for place in places if not place.weight.any()]
    if bare:
        names = "; ".join(f"{place.name} at {place.position_m:+.1f} m" for place in bare)
        found.append(Remark("bare_card", f"Not a single drop was counted on {names}.", "note"))
    if len(places) == 1:
        text = "Cards lie at one place only: nothing can be said of the swath across."
        found.append(Remark("one_place", text, "warning"))
        return tuple(found)
    gap = np.diff(position_m)
    usual = float(np.median(gap))
    for at in np.flatnonzero(gap > _WIDE_GAP * usual):
        left, right = float(position_m[at]), float(position_m[at + 1])
        text = (
            f"From {left:+.1f} to {right:+.1f} m no card lay, with {usual:.1f} m between the "
            "others: the cards beside the gap stand for more than they saw."
        )
        found.append(Remark("gap", text, "warning", from_m=left, to_m=right))
    return tuple(found)


def _check(cards: Sequence[PlacedCard]) -> None:
    if not cards:
        raise InputError("cards", "there is not a single one", "give one at least")
    for card in cards:
        if not abs(card.position_m) <= _FARTHEST_M:
            raise InputError(
                card.name,
                f"its position of {card.position_m:g} m cannot be",
                f"give metres from the flight line, at most {_FARTHEST_M:g}",
            )
        if not 0.0 < card.area_cm2 < math.inf:
            raise InputError(card.name, f"an area of {card.area_cm2:g} cm² is none", "measure it")
        if not 0.0 <= card.coverage_percent <= 100.0:
            raise InputError(
                card.name, f"a cover of {card.coverage_percent:g} % cannot be", "give 0 to 100 %"
            )
