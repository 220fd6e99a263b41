"""The stains of one card: how many, how large, and which of them to count.

Stains cut by the edge are left out and the others weighted so that no size is favoured; on cards
where stains touch by chance, those hidden under larger ones are made up for (both rules:
`_weights`). Cover counts what is seen of every stain, cut or not, on the area seen, which needs no
rule.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from patterns.cards._bits import Places
from patterns.cards._outline import Outlines, Seen, look, outlined
from patterns.cards._runs import Floats, stretches
from patterns.cards._split import Parts, split
from patterns.cards._weights import edge_weight, hidden_weight
from patterns.cards.separate import Separation
from patterns.errors import InputError
from patterns.remarks import Remark, Weight

# A blurred disc must be this many standard deviations of the blur wide to show half its ink.
_BLURS_A_STAIN: Final = 3.0
_UM_PER_INCH: Final = 25_400.0
# More in one go, and what is worked on no longer stays at hand for the processor; measured.
_AT_ONCE_PX: Final = 5_000_000


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
    """Stains of all cards in pixels, card by card, after splitting; all (K,) unless said.

    `touching` is (C,): how many pairs of stains meet on each card.
    """

    card: Places
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
    touching: Places


def measure_stains(
    separation: Separation, dpi: float, parameters: StainParameters | None = None
) -> Stains:
    """Measure the stains of one card; see `measure_all`."""
    (stains,) = measure_all([(separation, dpi)], parameters)
    return stains


def measure_all(
    cards: Iterable[tuple[Separation, float]], parameters: StainParameters | None = None
) -> list[Stains]:
    """Measure the stains of some cards, several in one go, as the steps are many and short.

    Parameters
    ----------
    cards : of each card stain parted from paper, and the pixels per inch of its image, above 0.
        They are taken one after the other and none is kept.
    parameters : settings; the defaults suit every card of the trade.

    Returns
    -------
    Stains of each card: to the last digit what they are when it is measured alone.

    Raises
    ------
    InputError
        For a resolution or a setting that makes no sense.
    """
    settings = parameters or StainParameters()
    found: list[Stains] = []
    seen, pixel_um, pixels = [], [], 0
    for separation, dpi in cards:
        _check(dpi, settings)
        seen.append(look(separation))
        pixel_um.append(_UM_PER_INCH / dpi)
        pixels += separation.channel.size
        if pixels >= _AT_ONCE_PX:
            found += _measured(seen, pixel_um, settings)
            seen, pixel_um, pixels = [], [], 0
    return found + _measured(seen, pixel_um, settings)


def _measured(
    seen: Sequence[Seen], pixel_um: Sequence[float], settings: StainParameters
) -> list[Stains]:
    """Measure some cards in one go."""
    if not seen:
        return []
    outlines = outlined(seen, settings.most_split_percent)
    shapes = _gathered(outlines, split(outlines.suspects))
    return _stains(outlines, shapes, np.array(pixel_um), settings)


def _stains(
    outlines: Outlines,
    shapes: _Shapes,
    pixel_um: Floats,
    settings: StainParameters,
) -> list[Stains]:
    """Say of each stain how large it is, what it is and how many it stands for."""
    cards, card = pixel_um.size, shapes.card
    blur_px = np.sqrt(outlines.loss / np.pi)
    smallest_um = pixel_um * np.maximum(settings.smallest_px, _BLURS_A_STAIN * blur_px)
    smallest_um = np.maximum(smallest_um, settings.smallest_um or 0.0)
    diameter_um = 2.0 * np.sqrt(shapes.area / np.pi) * pixel_um[card]
    area_um2 = shapes.area * (pixel_um**2)[card]
    flag = _flags(shapes, diameter_um, smallest_um[card], settings)
    weight, hidden_percent = _weights(outlines, shapes, flag)
    kinds = np.bincount(card * len(Flag) + flag, minlength=cards * len(Flag)).reshape(cards, -1)
    whole_px2 = outlines.high * outlines.wide
    found = []
    for index, here in enumerate(stretches(card, cards)):
        own, seen, counted = flag[here], shapes.seen[here], weight[here] > 0.0
        foreign = (own == Flag.ODD_SHAPE) | (own == Flag.CLIP)
        valid_px2 = float(whole_px2[index]) - float(seen[foreign].sum())
        coverage = 100.0 * float(seen[~foreign].sum()) / valid_px2 if valid_px2 > 0.0 else 0.0
        of_split = int(np.count_nonzero(counted & (own == Flag.SPLIT)))
        split_percent = 100.0 * of_split / max(int(np.count_nonzero(counted)), 1)
        hidden, least_um = float(hidden_percent[index]), float(smallest_um[index])
        found.append(
            Stains(
                area_um2=area_um2[here],
                diameter_um=diameter_um[here],
                centre_px=shapes.centre[here],
                axes_px=shapes.axes[here],
                angle_deg=shapes.angle[here],
                touches_edge=shapes.touches_edge[here],
                weight=weight[here],
                flag=own,
                split_percent=split_percent,
                smallest_um=least_um,
                valid_area_cm2=max(valid_px2, 0.0) * (float(pixel_um[index]) * 1e-4) ** 2,
                coverage_percent=coverage,
                remarks=_remarks(kinds[index], coverage, split_percent, hidden, least_um, settings),
            )
        )
    return found


def _gathered(outlines: Outlines, parts: Parts) -> _Shapes:
    """Put regions that stay whole and parts of the others side by side, card by card."""
    boxes, area = outlines.boxes, outlines.area
    region = np.flatnonzero(outlines.candidate)[parts.region]
    stays = np.ones(area.size, dtype=np.bool_)
    stays[region] = False
    whole = np.flatnonzero(stays)
    home = np.concatenate([whole, region])
    order = np.argsort(outlines.card[home], kind="stable")
    home = home[order]
    one, other = outlines.whole.of(whole), parts.moments

    def both(of_whole: NDArray[Any], of_part: NDArray[Any]) -> NDArray[Any]:
        return np.concatenate([of_whole, of_part])[order]

    part_card = outlines.card[region]
    return _Shapes(
        card=outlines.card[home],
        area=both(area[whole], other.area + parts.hidden + outlines.loss[part_card]),
        seen=both(area[whole], other.area),
        centre=both(one.centre, other.centre),
        axes=both(outlines.axes[whole], other.axes()),
        angle=both(one.angle(), other.angle()),
        fill=both(outlines.fill[whole], other.fill()),
        is_part=order >= whole.size,
        touches_edge=outlines.cut[home],
        # A part is seen where the whole region is: the box of the edge rule is the region's.
        width=boxes.width[home].astype(np.float64),
        height=boxes.height[home].astype(np.float64),
        touching=np.bincount(
            part_card, weights=parts.touching, minlength=outlines.loss.size
        ).astype(np.intp)
        // 2,
    )


def _flags(
    shapes: _Shapes, diameter_um: Floats, smallest_um: Floats, settings: StainParameters
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


def _weights(outlines: Outlines, shapes: _Shapes, flag: NDArray[np.uint8]) -> tuple[Floats, Floats]:
    """How many stains each stands for (K,); share made up for as hidden on each card (C,). [%]"""
    wide, high, card = outlines.wide, outlines.high, shapes.card
    cards = wide.size
    merged = np.bincount(card[flag == Flag.MERGED], minlength=cards)
    is_stain = np.flatnonzero(flag <= Flag.TOO_SMALL)
    radius = np.sqrt(shapes.area[is_stain] / np.pi)
    hidden = np.ones(flag.size)
    for index, here in enumerate(stretches(card[is_stain], cards)):
        area, touching = float(wide[index] * high[index]), shapes.touching[index] + merged[index]
        hidden[is_stain[here]] = hidden_weight(radius[here], area, int(touching))
    counted = ~shapes.touches_edge & (flag <= Flag.MERGED)
    size = wide[card].astype(np.float64), high[card].astype(np.float64)
    weight = np.where(counted, edge_weight(shapes.width, shapes.height, size) * hidden, 0.0)
    made_up = np.bincount(card, weights=weight * (1.0 - 1.0 / hidden), minlength=cards)
    total = np.bincount(card, weights=weight, minlength=cards)
    return weight, 100.0 * made_up / np.maximum(total, 1.0)


def _remarks(
    kinds: Places,
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
        int(kinds[kind]) for kind in (Flag.ODD_SHAPE, Flag.CLIP, Flag.TOO_SMALL, Flag.MERGED)
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
