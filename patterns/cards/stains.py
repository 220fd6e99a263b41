"""The stains of one card: how many, how large, and which of them to count.

Stains cut by the edge are left out and the others weighted so that no size is favoured; on cards
where stains touch by chance, those hidden under larger ones are made up for (both rules:
`_weights`). Cover counts what is seen of every stain, cut or not, on the area seen, which needs no
rule.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from patterns.cards._rim import Boxes, boxes_of, ink_of, loss_of, rim_of, whole_light
from patterns.cards._runs import Floats, Moments, find_runs, moments
from patterns.cards._split import Parts, Suspects, split
from patterns.cards._weights import edge_weight, hidden_weight
from patterns.cards.separate import Separation
from patterns.errors import InputError
from patterns.remarks import Remark, Weight

# A blurred disc must be this many standard deviations of the blur wide to show half its ink.
_BLURS_A_STAIN: Final = 3.0
_UM_PER_INCH: Final = 25_400.0


class Flag(IntEnum):
    """What a stain was found to be; `OK`, `SPLIT` and `MERGED` are counted."""

    OK = 0
    SPLIT = 1
    """One of the stains that a region of touching stains was split into."""
    MERGED = 2
    """Several stains lost in one another, or so it looks: counted as one."""
    TOO_SMALL = 3
    """Under the smallest that can be trusted at this resolution."""
    ODD_SHAPE = 4
    """No drop makes this shape: a scratch, a fibre, a fingerprint."""
    CLIP = 5
    """Standing in from the edge of the card, too large or too long for a stain."""


@dataclass(frozen=True, slots=True)
class StainParameters:
    """Settings for measuring stains; own definitions, set on drawn cards.

    Parameters
    ----------
    smallest_px : float
        Diameter of the smallest stain that can be trusted [px], 2 … 20; more where the scan is
        blurred.
    smallest_um : float, optional
        Leave out stains under this diameter, too [µm].
    largest_um : float
        What is larger is no stain [µm].
    odd_ratio : float
        What is longer than this many times its breadth is no stain.
    odd_fill : float
        What fills less than this share of the ellipse of its moments is no stain.
    merged_fill : float
        What fills less than this share, and has no neck, is several stains lost in one another.
    most_split_percent : float
        Cover above which touching stains are no longer told apart [%].
    hidden_percent : float
        Share of the count made up for as hidden from which it is said [%].
    crowded_percent : float
        Cover from which so many stains are lost in one another that it is warned of [%].
    """

    smallest_px: float = 3.0
    smallest_um: float | None = None
    largest_um: float = 3000.0
    odd_ratio: float = 4.0
    odd_fill: float = 0.6
    merged_fill: float = 0.93
    most_split_percent: float = 40.0
    hidden_percent: float = 1.0
    crowded_percent: float = 10.0


@dataclass(frozen=True, slots=True, eq=False)
class Stains:
    """The stains of one card; arrays have one entry a stain, in no order to be relied on.

    Attributes
    ----------
    area_um2 : (K,) float64, area of the stain with the parts of pixels at its rim, and with what
        lies under its neighbours where touching stains were split. [µm²]
    diameter_um : (K,) float64, of the circle with this area. [µm]
    centre_px : (K, 2) float64, x and y of the centre, 0 at the middle of the first pixel of the
        image of the card. [px]
    axes_px : (K, 2) float64, length and breadth of the ellipse with the same moments. [px]
    angle_deg : (K,) float64, of its long axis, clockwise from the x axis, −90 … 90. [°]
    touches_edge : (K,) bool, cut by the edge of the card: such a stain has weight 0.
    weight : (K,) float64, how many stains this one stands for after the rules for the edge and for
        hidden stains; 0 where it is not to be counted (cut by the edge, or its flag says so).
    flag : (K,) uint8, values of `Flag`.
    split_percent : share of the counted stains that came out of splitting. [% of count]
    smallest_um : diameter of the smallest stain that is counted. [µm]
    valid_area_cm2 : card seen, without what odd shapes and clips cover. [cm²]
    coverage_percent : stain on the valid area, whether counted or cut by the edge. [%]
    remarks : what was noticed.
    """

    area_um2: Floats
    diameter_um: Floats
    centre_px: Floats
    axes_px: Floats
    angle_deg: Floats
    touches_edge: NDArray[np.bool_]
    weight: Floats
    flag: NDArray[np.uint8]
    split_percent: float
    smallest_um: float
    valid_area_cm2: float
    coverage_percent: float
    remarks: tuple[Remark, ...]

    @property
    def counted(self) -> NDArray[np.bool_]:
        """(K,) True for the stains of the spectrum: those with a weight."""
        return self.weight > 0.0


@dataclass(frozen=True, slots=True, eq=False)
class _Shapes:
    """Stains in pixels, after splitting; all (K,) unless said."""

    area: Floats
    seen: Floats
    centre: Floats
    axes: Floats
    angle: Floats
    fill: Floats
    is_part: NDArray[np.bool_]
    touches_edge: NDArray[np.bool_]
    width: Floats
    height: Floats
    touching: int


@dataclass(frozen=True, slots=True, eq=False)
class Outlines:
    """The regions of one card, measured, and those that may be several stains."""

    settings: StainParameters
    pixel_um: float
    valid_px: tuple[int, int, int, int]
    boxes: Boxes
    whole: Moments
    area: Floats
    loss: float
    candidate: NDArray[np.bool_]
    suspects: Suspects


def measure_stains(
    separation: Separation, dpi: float, parameters: StainParameters | None = None
) -> Stains:
    """Measure the stains of one card.

    Parameters
    ----------
    separation : stain parted from paper.
    dpi : pixels per inch of the image, above 0.
    parameters : settings; the defaults suit every card of the trade.

    Returns
    -------
    Stains

    Raises
    ------
    InputError
        For a resolution or a setting that makes no sense.
    """
    return told_apart([outline(separation, dpi, parameters)])[0]


def outline(
    separation: Separation, dpi: float, parameters: StainParameters | None = None
) -> Outlines:
    """Take the first of two steps: everything for which the picture is needed.

    Parameters, errors: as `measure_stains`.
    """
    settings = parameters or StainParameters()
    _check(dpi, settings)
    runs = find_runs(separation.mask)
    boxes = boxes_of(runs)
    ink = ink_of(separation, runs)
    start, end = rim_of(separation, runs, ink)
    whole = moments(runs.row, start, end, runs.region, runs.regions)
    count = np.bincount(
        runs.region, weights=runs.after - runs.first, minlength=runs.regions
    ).astype(np.intp)
    light = whole_light(separation, boxes, count, ink)
    loss, of_large = loss_of(light, whole.area)
    area = np.where(np.isfinite(light), np.maximum(light, 0.1), np.maximum(whole.area, 0.1) + loss)
    # What the edge cuts is not counted, and a piece of a stain looks like several.
    candidate = _candidates(whole) & ~_cut_by_edge(boxes, separation.valid_px)
    top, left, bottom, right = separation.valid_px
    if count.sum() > settings.most_split_percent / 100.0 * (bottom - top) * (right - left):
        candidate[:] = False
    own, those = runs.of(candidate)
    suspects = Suspects(own, start[those], end[those], boxes.of(candidate), whole.of(candidate))
    pixel_um = _UM_PER_INCH / dpi
    return Outlines(
        settings, pixel_um, separation.valid_px, boxes, whole, area, of_large, candidate, suspects
    )


def told_apart(cards: Sequence[Outlines]) -> list[Stains]:
    """Take the second step: touching stains of all cards are told apart in one go."""
    parts = split([card.suspects for card in cards])
    return [_stains(card, own) for card, own in zip(cards, parts, strict=True)]


def _stains(card: Outlines, parts: Parts) -> Stains:
    """Say of each stain how large it is, what it is and how many it stands for."""
    settings, pixel_um = card.settings, card.pixel_um
    shapes = _gathered(card, parts)
    blur_px = float(np.sqrt(card.loss / np.pi))
    smallest_um = pixel_um * max(settings.smallest_px, _BLURS_A_STAIN * blur_px)
    smallest_um = max(smallest_um, settings.smallest_um or 0.0)
    diameter_um = 2.0 * np.sqrt(shapes.area / np.pi) * pixel_um
    flag = _flags(shapes, diameter_um, smallest_um, settings)
    weight, hidden_percent = _weights(shapes, flag, card.valid_px)
    top, left, bottom, right = card.valid_px
    foreign = (flag == Flag.ODD_SHAPE) | (flag == Flag.CLIP)
    valid_px2 = (bottom - top) * (right - left) - float(shapes.seen[foreign].sum())
    seen_px2 = float(shapes.seen[~foreign].sum())
    coverage = 100.0 * seen_px2 / valid_px2 if valid_px2 > 0.0 else 0.0
    counted = int(np.count_nonzero(weight))
    split_count = int(np.count_nonzero((weight > 0.0) & (flag == Flag.SPLIT)))
    split_percent = 100.0 * split_count / counted if counted else 0.0
    return Stains(
        area_um2=shapes.area * pixel_um**2,
        diameter_um=diameter_um,
        centre_px=shapes.centre,
        axes_px=shapes.axes,
        angle_deg=shapes.angle,
        touches_edge=shapes.touches_edge,
        weight=weight,
        flag=flag,
        split_percent=split_percent,
        smallest_um=smallest_um,
        valid_area_cm2=max(valid_px2, 0.0) * (pixel_um * 1e-4) ** 2,
        coverage_percent=coverage,
        remarks=_remarks(flag, coverage, split_percent, hidden_percent, smallest_um, settings),
    )


def _candidates(whole: Moments) -> NDArray[np.bool_]:
    """Regions that are no full ellipse, or a long one: as far as so many pixels can tell."""
    across = 2.0 * np.sqrt(np.maximum(whole.area, 1.0) / np.pi)
    axes = whole.axes()
    ratio = axes[:, 0] / np.maximum(axes[:, 1], 0.5)
    hollow = whole.fill() < np.minimum(0.99, 1.0 - 0.25 / across)
    result: NDArray[np.bool_] = (across >= 4.0) & (hollow | (ratio > 1.15 + 0.5 / across))
    return result


def _cut_by_edge(boxes: Boxes, valid_px: tuple[int, int, int, int]) -> NDArray[np.bool_]:
    """Regions that reach the edge of the card."""
    top, left, bottom, right = valid_px
    edge = (boxes.top <= top) | (boxes.left <= left)
    edge |= (boxes.bottom >= bottom) | (boxes.right >= right)
    return np.asarray(edge, dtype=np.bool_)


def _gathered(card: Outlines, parts: Parts) -> _Shapes:
    """Put regions that stay whole and parts of the others side by side."""
    boxes, area = card.boxes, card.area
    region = np.flatnonzero(card.candidate)[parts.region]
    stays = np.ones(area.size, dtype=np.bool_)
    stays[region] = False
    edge = _cut_by_edge(boxes, card.valid_px)
    part_area = parts.moments.area + parts.hidden + card.loss
    one, other = card.whole.of(stays), parts.moments
    return _Shapes(
        area=np.concatenate([area[stays], part_area]),
        seen=np.concatenate([area[stays], parts.moments.area]),
        centre=np.concatenate([one.centre, other.centre]),
        axes=np.concatenate([one.axes(), other.axes()]),
        angle=np.concatenate([one.angle(), other.angle()]),
        fill=np.concatenate([one.fill(), other.fill()]),
        is_part=np.arange(np.count_nonzero(stays) + region.size) >= np.count_nonzero(stays),
        touches_edge=np.concatenate([edge[stays], edge[region]]),
        # A part is seen where the whole region is: the box of the edge rule is the region's.
        width=np.concatenate([boxes.width[stays], boxes.width[region]]).astype(np.float64),
        height=np.concatenate([boxes.height[stays], boxes.height[region]]).astype(np.float64),
        touching=int(parts.touching.sum()) // 2,
    )


def _flags(
    shapes: _Shapes, diameter_um: Floats, smallest_um: float, settings: StainParameters
) -> NDArray[np.uint8]:
    """Say what each stain is; the later rule wins."""
    flag = np.where(shapes.is_part, Flag.SPLIT, Flag.OK).astype(np.uint8)
    merged = ~shapes.is_part & (shapes.fill < settings.merged_fill) & (shapes.axes[:, 1] >= 6.0)
    flag[merged] = Flag.MERGED
    ratio = shapes.axes[:, 0] / np.maximum(shapes.axes[:, 1], 0.5)
    long = (ratio > settings.odd_ratio) & (shapes.axes[:, 0] >= 6.0)
    odd = long | (shapes.fill < settings.odd_fill) | (diameter_um > settings.largest_um)
    # What the edge cuts is a piece of a stain, and pieces are longer than stains.
    cut_piece = shapes.touches_edge & (diameter_um <= settings.largest_um / 2.0)
    flag[odd & ~cut_piece] = Flag.ODD_SHAPE
    flag[odd & ~cut_piece & shapes.touches_edge] = Flag.CLIP
    flag[(diameter_um < smallest_um)] = Flag.TOO_SMALL
    return flag


def _weights(
    shapes: _Shapes, flag: NDArray[np.uint8], valid_px: tuple[int, int, int, int]
) -> tuple[Floats, float]:
    """How many stains each stands for after both rules; share made up for as hidden. [%]"""
    top, left, bottom, right = valid_px
    card = float(right - left), float(bottom - top)
    stain = flag <= Flag.TOO_SMALL
    merged = int(np.count_nonzero(flag == Flag.MERGED))
    hidden = np.ones(flag.size)
    radius = np.sqrt(shapes.area[stain] / np.pi)
    hidden[stain] = hidden_weight(radius, card[0] * card[1], shapes.touching + merged)
    counted = ~shapes.touches_edge & (flag <= Flag.MERGED)
    weight = np.where(counted, edge_weight(shapes.width, shapes.height, card) * hidden, 0.0)
    made_up = float((weight * (1.0 - 1.0 / hidden)).sum())
    return weight, 100.0 * made_up / max(float(weight.sum()), 1.0)


def _remarks(
    flag: NDArray[np.uint8],
    coverage: float,
    split_percent: float,
    hidden_percent: float,
    smallest_um: float,
    settings: StainParameters,
) -> tuple[Remark, ...]:
    found: list[Remark] = []

    def say(code: str, count: int, one: str, more: str, weight: Weight) -> None:
        if count:
            found.append(Remark(code, one if count == 1 else f"{count} {more}", weight))

    odd, clips, small, merged = (
        int(np.count_nonzero(flag == kind))
        for kind in (Flag.ODD_SHAPE, Flag.CLIP, Flag.TOO_SMALL, Flag.MERGED)
    )
    one, more = "One shape that no drop makes was", "shapes that no drop makes were"
    say("odd_shapes", odd, f"{one} left out.", f"{more} left out.", "warning")
    one, more = "One shape standing in from the edge was", "shapes standing in from the edge were"
    say("clips", clips, f"{one} cut away.", f"{more} cut away.", "note")
    under = f"under {smallest_um:.0f} µm"
    one, more = f"One mark {under} was left out", f"marks {under} were left out"
    why = "too small for this resolution."
    say("too_small", small, f"{one}: {why}", f"{more}: {why}", "note")
    one, more = "One shape looks", "shapes look"
    like = "like several stains in one and"
    say(
        "merged",
        merged,
        f"{one} {like} was counted as one.",
        f"{more} {like} were counted as one each.",
        "warning",
    )
    if hidden_percent >= settings.hidden_percent:
        text = (
            f"{hidden_percent:.1f} % of the count are stains that, by chance, lie hidden under "
            "larger ones: made up for by weights, not seen."
        )
        found.append(Remark("hidden", text, "note"))
    if coverage > settings.crowded_percent:
        text = (
            f"Stain covers {coverage:.1f} % of the card: many stains are lost in one another, the "
            f"count is too low and sizes are too large ({split_percent:.0f} % came out of "
            "splitting)."
        )
        found.append(Remark("crowded", text, "warning"))
    return tuple(found)


def _check(dpi: float, settings: StainParameters) -> None:
    if not 0.0 < dpi < 100_000.0:
        raise InputError("dpi", f"{dpi:g} is no resolution", "give the pixels per inch of the scan")
    if not 2.0 <= settings.smallest_px <= 20.0:
        raise InputError(
            "smallest stain", f"{settings.smallest_px:g} px is out of range", "give 2 to 20 px"
        )
    if settings.smallest_um is not None and not settings.smallest_um >= 0.0:
        raise InputError("smallest stain", f"{settings.smallest_um:g} µm", "give 0 µm or more")
