"""The regions of stain on some cards: boxes, areas to parts of a pixel, and which to look into.

What goes over pixels and runs is taken card by card, while they are at hand for the processor; what
follows is many short steps over the regions, and is taken for all cards in one go.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from patterns.cards._bits import Places
from patterns.cards._rim import Boxes, boxes_of, ink_of, loss_of, rim_of, whole_light
from patterns.cards._runs import (
    Floats,
    Moments,
    Runs,
    find_runs,
    moments,
    stretches,
)
from patterns.cards._split import Suspects
from patterns.cards.separate import Separation

Kind = TypeVar("Kind", Boxes, Moments)

# Set on drawn cards of 25 % cover, where none fell below 0.46, and fingerprints, none above 0.39.
_HOLLOWEST_HEAP: Final = 0.43


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What was seen of the regions on one card.

    Attributes
    ----------
    runs : of its R runs and K regions.
    start, end : (R,) sub-pixel ends of the runs. [px]
    whole, boxes : moments of the regions with these ends, and boxes around them.
    count : (K,) pixels of each region.
    light : (K,) area of small ones by all the light they take, NaN for others. [px²]
    valid_px : top, left, bottom, right of what is card (half-open). [px]
    """

    runs: Runs
    start: Floats
    end: Floats
    whole: Moments
    boxes: Boxes
    count: Places
    light: Floats
    valid_px: tuple[int, int, int, int]


@dataclass(frozen=True, slots=True, eq=False)
class Outlines:
    """The regions of all cards, measured, card by card; all (K,) unless said.

    Attributes
    ----------
    card : the card each lies on.
    boxes, whole : box and moments.
    axes, fill : (K, 2) and (K,) of the ellipse of the same moments: see `Moments`.
    area : with what blur took off. [px²]
    cut : cut by the edge of the card.
    candidate : may be several stains.
    wide, high : (C,) of each card. [px]
    loss : (C,) what blur takes off a large stain of each card. [px²]
    suspects : what is needed to look into the candidates.
    """

    card: Places
    boxes: Boxes
    whole: Moments
    axes: Floats
    fill: Floats
    area: Floats
    cut: NDArray[np.bool_]
    candidate: NDArray[np.bool_]
    wide: Places
    high: Places
    loss: Floats
    suspects: Suspects


def look(separation: Separation) -> Seen:
    """Take everything from the picture of a card that is needed of it."""
    runs = find_runs(separation.stain)
    boxes, ink = boxes_of(runs), ink_of(separation, runs)
    start, end = rim_of(separation, runs, ink)
    whole = moments(runs.row, start, end, runs.region, runs.regions)
    length = runs.after - runs.first
    count = np.bincount(runs.region, weights=length, minlength=runs.regions).astype(np.intp)
    light = whole_light(separation, boxes, count, ink)
    return Seen(runs, start, end, whole, boxes, count, light, separation.valid_px)


def outlined(seen: Sequence[Seen], most_split_percent: float) -> Outlines:
    """Measure the regions of all cards.

    Parameters
    ----------
    seen : of each of C cards, one at least.
    most_split_percent : cover above which touching stains are no longer told apart. [%]
    """
    cards = len(seen)
    card = np.repeat(np.arange(cards), [one.runs.regions for one in seen])
    light, count = (
        np.concatenate([getattr(one, name) for one in seen]) for name in ("light", "count")
    )
    boxes, whole = _each([one.boxes for one in seen]), _each([one.whole for one in seen])
    top, left, bottom, right = np.array([one.valid_px for one in seen], dtype=np.intp).T
    loss, of_large = _losses(light, whole.area, card, cards)
    area = np.where(np.isfinite(light), np.maximum(light, 0.1), np.maximum(whole.area, 0.1) + loss)
    cut = (boxes.top <= top[card]) | (boxes.left <= left[card])
    cut |= (boxes.bottom >= bottom[card]) | (boxes.right >= right[card])
    # What the edge cuts is not counted, and a piece of a stain looks like several.
    axes, fill = whole.axes(), whole.fill()
    candidate = _candidates(whole.area, axes, fill) & ~cut
    wide, high = right - left, bottom - top
    covered = np.bincount(card, weights=count, minlength=cards)
    candidate &= (covered <= most_split_percent / 100.0 * high * wide)[card]
    runs, start, end = _rims_of(seen, [candidate[here] for here in stretches(card, cards)])
    suspects = Suspects(runs, start, end, boxes.of(candidate), whole.of(candidate))
    return Outlines(
        card, boxes, whole, axes, fill, area, cut, candidate, wide, high, of_large, suspects
    )


def _rims_of(
    seen: Sequence[Seen], chosen: Sequence[NDArray[np.bool_]]
) -> tuple[Runs, Floats, Floats]:
    """The runs of chosen regions of all cards with their sub-pixel ends, the regions numbered on.

    Cards may lie over one another.
    """
    found = [one.runs.of(some) for one, some in zip(seen, chosen, strict=True)]
    own = [runs for runs, _ in found]
    many = [one.regions for one in own]
    row, first, after, region = (
        np.concatenate([getattr(one, name) for one in own])
        for name in ("row", "first", "after", "region")
    )
    region += np.repeat(np.cumsum(many) - many, [one.row.size for one in own])
    start, end = (
        np.concatenate(
            [getattr(one, name)[kept] for one, (_, kept) in zip(seen, found, strict=True)]
        )
        for name in ("start", "end")
    )
    return Runs(row, first, after, region, sum(many)), start, end


def _each(cards: Sequence[Kind]) -> Kind:
    """The arrays of the same kind of all cards, one after the other."""
    names = [one.name for one in fields(cards[0])]
    return type(cards[0])(
        *(np.concatenate([getattr(one, name) for one in cards]) for name in names)
    )


def _losses(light: Floats, half: Floats, card: Places, cards: int) -> tuple[Floats, Floats]:
    """Area that blur takes off each stain (K,), and off large ones of each card (C,). [px²]"""
    loss, of_large = np.empty(half.size), np.empty(cards)
    for index, here in enumerate(stretches(card, cards)):
        loss[here], of_large[index] = loss_of(light[here], half[here])
    return loss, of_large


def _candidates(area: Floats, axes: Floats, fill: Floats) -> NDArray[np.bool_]:
    """Regions that are no full ellipse, or a long one: as far as so many pixels can tell.

    A heap of stains is never so hollow as the ridges of a fingerprint or a bent scratch.
    """
    across = 2.0 * np.sqrt(np.maximum(area, 1.0) / np.pi)
    ratio = axes[:, 0] / np.maximum(axes[:, 1], 0.5)
    hollow = fill < np.minimum(0.99, 1.0 - 0.25 / across)
    result: NDArray[np.bool_] = (
        (across >= 5.0) & (fill >= _HOLLOWEST_HEAP) & (hollow | (ratio > 1.15 + 0.5 / across))
    )
    return result
