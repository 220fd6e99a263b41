"""Finding of cards on a scanner bed.

The bed is what lies along the edge of the scan. On a small copy of the scan everything that differs
from it is looked for; what has the size and the straight edges of a card is one. The edges are then
found again on the scan itself, a straight line through many places on each of the four.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import binary_fill_holes, binary_opening, find_objects, label
from scipy.spatial import ConvexHull, QhullError

from patterns.cards.decode import CardImage
from patterns.errors import InputError

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

# Own definitions: the small copy has about so many pixels a millimetre.
_SMALL_PER_MM: Final = 4.0
_MM_PER_INCH: Final = 25.4
_LEAST_EDGE_MM: Final = 12.0
_LEAST_DIFFERENCE: Final = 14.0
_SCATTERS: Final = 6.0
# A scan is a bed where this much of its edge looks alike, and cards do not fill it.
_EVEN_EDGE: Final = 0.8
_MOST_FILLED: Final = 0.97
# Share of its outline that anything like a card fills; what fills less is no card.
_LEAST_FILL: Final = 0.45
_PLACES_AN_EDGE: Final = 60
_INSET_PX: Final = 3.0
_SAME_ROW: Final = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class FoundCard:
    """A card found in a scan.

    Attributes
    ----------
    number : 1 for the first; left to right, then top to bottom.
    corners_px : (4, 2) x and y of the corners on the scan, clockwise from the upper left one, 0 at
        the middle of the first pixel. [px]
    angle_deg : how far the upper edge is turned clockwise from level, −45 … 45. [°]
    width_mm, height_mm : length of the upper edge and of the left edge. [mm]
    filled_percent : how much of the outline differs from the bed; under 90 it may be a torn card
        or two that touch, and somebody must look. [%]
    """

    number: int
    corners_px: Floats
    angle_deg: float
    width_mm: float
    height_mm: float
    filled_percent: float = 100.0


def find_cards(image: CardImage) -> tuple[FoundCard, ...]:
    """Find the cards of a scan; the whole image where no bed is seen around a card.

    Parameters
    ----------
    image : a scan of one card or of a bed of cards that do not touch one another.

    Returns
    -------
    Numbered left to right, then top to bottom; one at least. A card of the colour of the bed
    behind it cannot be seen: scan pale cards on a dark sheet.
    """
    step = max(1, round(image.dpi / _MM_PER_INCH / _SMALL_PER_MM))
    small = _reduced(image, step)
    differs = _differs_from_bed(small)
    if differs is None:
        return (_whole(image),)
    per_mm = image.dpi / _MM_PER_INCH / step
    found = []
    for rough, filled in _rectangles(differs, per_mm):
        corners = (rough + 0.5) * step - 0.5
        # The second look starts from edges at the right angle.
        for _ in range(2):
            corners = _straightened(image, corners, step)
        found.append((corners, filled))
    if not found:
        return (_whole(image),)
    return tuple(
        _card(image, number, corners, min(100.0, 100.0 * filled))
        for number, (corners, filled) in enumerate(_ordered(found), 1)
    )


def cut(image: CardImage, card: FoundCard) -> CardImage:
    """Cut one card out of a scan, straightened.

    Parameters
    ----------
    image : the scan.
    card : one of its cards.

    Returns
    -------
    CardImage of the same resolution, a few pixels inside the edges of the card. A card that lies
    straight is cut without touching its pixels; a turned one is drawn anew between them, bilinear:
    the blur that this adds is made up for in measuring, and cubic measured no better.

    Raises
    ------
    InputError
        For a card that does not lie within the scan or has no area.
    """
    corners = np.asarray(card.corners_px, dtype=np.float64)
    rows, columns = image.pixels.shape[:2]
    if corners.shape != (4, 2) or not np.all(np.isfinite(corners)):
        raise InputError("corners", "they are not four places", "give x and y of four corners")
    if np.any(corners < -1.0) or np.any(corners > (columns, rows)):
        raise InputError("corners", "they lie beyond the scan", "give corners within the scan")
    if np.array_equal(corners, _whole(image).corners_px):
        return image
    along, down = corners[1] - corners[0], corners[3] - corners[0]
    width, height = float(np.hypot(*along)), float(np.hypot(*down))
    size = int(width - 2.0 * _INSET_PX) + 1, int(height - 2.0 * _INSET_PX) + 1
    if min(size) < 1 or width < 2.0 * _INSET_PX or height < 2.0 * _INSET_PX:
        raise InputError("corners", "the card has no area", "give the corners of a card")
    along, down = along / width, down / height
    first = corners[0] + _INSET_PX * (along + down)
    # Edges that rise by less than half a pixel over the whole card are straight.
    if abs(along[1]) * width < 0.5 and abs(down[0]) * height < 0.5:
        left, top = (int(value) for value in np.ceil(first))
        pixels = np.ascontiguousarray(image.pixels[top : top + size[1], left : left + size[0]])
    else:
        pixels = _turned(image.pixels, first, along, down, size)
    return CardImage(image.source, image.digest, image.dpi, pixels, image.remarks)


def _turned(
    pixels: NDArray[np.uint8], first: Floats, along: Floats, down: Floats, size: tuple[int, int]
) -> NDArray[np.uint8]:
    """Draw a turned card straight, only the part of the scan around it being copied."""
    far = first + along * size[0] + down * size[1]
    corners = np.array([first, first + along * size[0], first + down * size[1], far])
    low = np.maximum(np.floor(corners.min(axis=0)).astype(int) - 3, 0)
    high = np.ceil(corners.max(axis=0)).astype(int) + 4
    part = Image.fromarray(np.ascontiguousarray(pixels[low[1] : high[1], low[0] : high[0]]))
    # Pillow counts from the corner of a pixel, places here from its middle.
    start = first - low + 0.5 - 0.5 * along - 0.5 * down
    matrix = (along[0], down[0], start[0], along[1], down[1], start[1])
    straight = part.transform(
        size,
        Image.Transform.AFFINE,
        tuple(float(value) for value in matrix),
        resample=Image.Resampling.BILINEAR,
    )
    return np.asarray(straight)


def _whole(image: CardImage) -> FoundCard:
    rows, columns = image.pixels.shape[:2]
    right, bottom = columns - 0.5, rows - 0.5
    corners = np.array([(-0.5, -0.5), (right, -0.5), (right, bottom), (-0.5, bottom)])
    return _card(image, 1, corners)


def _card(
    image: CardImage, number: int, corners: Floats, filled_percent: float = 100.0
) -> FoundCard:
    per_mm = image.dpi / _MM_PER_INCH
    along, down = corners[1] - corners[0], corners[3] - corners[0]
    return FoundCard(
        number,
        corners,
        float(np.rad2deg(np.arctan2(along[1], along[0]))),
        float(np.hypot(*along)) / per_mm,
        float(np.hypot(*down)) / per_mm,
        filled_percent,
    )


def _reduced(image: CardImage, step: int) -> Floats:
    """Mean over squares of the scan, as (m, n, 1 or 3)."""
    rows, columns = (edge // step * step for edge in image.pixels.shape[:2])
    pixels = image.pixels[:rows, :columns]
    # Rows first, a few at a time: the sums of a large scan would fill the memory.
    shape = (rows // step, columns // step, -1)
    sums = np.empty((shape[0], shape[1], 1 if pixels.ndim == 2 else pixels.shape[2]))
    for line in range(shape[0]):
        # Every second row shows as much.
        band = pixels[line * step : (line + 1) * step : 2].sum(axis=0, dtype=np.uint16)
        sums[line] = band.reshape(shape[1], step, -1).sum(axis=1, dtype=np.uint32)
    return sums / (step * len(range(0, step, 2)))


def _differs_from_bed(small: Floats) -> Bools | None:
    """Where the small copy differs from the bed along its edge; None where there is no bed."""
    if min(small.shape[:2]) < 8:
        return None
    edge = np.concatenate([small[0], small[-1], small[1:-1, 0], small[1:-1, -1]])
    bed = np.median(edge, axis=0)
    off = np.abs(edge - bed).max(axis=1)
    scatter = 1.4826 * float(np.median(off))
    least = max(_LEAST_DIFFERENCE, _SCATTERS * scatter)
    if np.mean(off < least) < _EVEN_EDGE:
        return None
    differs = np.abs(small - bed).max(axis=2) >= least
    if not differs.any() or differs.mean() > _MOST_FILLED:
        return None
    return np.asarray(binary_fill_holes(differs), dtype=np.bool_)


def _rectangles(differs: Bools, per_mm: float) -> list[tuple[Floats, float]]:
    """Corners of everything of the size of a card, and how much of the outline it fills."""
    # What is thinner than a millimetre or two is dust, a hair or the shadow of a rule.
    thick = max(1, round(1.5 * per_mm))
    solid = binary_opening(differs, structure=np.ones((thick, thick), dtype=np.bool_))
    marks, _ = label(solid)
    found = []
    for index, box in enumerate(find_objects(marks), 1):
        if min(part.stop - part.start for part in box) < _LEAST_EDGE_MM * per_mm:
            continue
        rows, columns = np.nonzero(marks[box] == index)
        corners = _smallest_rectangle(columns, rows)
        if corners is None:
            continue
        sides = np.hypot(*(corners - np.roll(corners, 1, axis=0)).T)
        filled = rows.size / max(float(sides[0] * sides[1]), 1.0)
        if sides.min() >= _LEAST_EDGE_MM * per_mm and filled >= _LEAST_FILL:
            found.append((corners + np.array([box[1].start, box[0].start]), filled))
    return found


def _smallest_rectangle(columns: NDArray[np.intp], rows: NDArray[np.intp]) -> Floats | None:
    """Corners of the smallest rectangle around some pixels, clockwise from the upper left.

    One of its sides lies on a side of the convex hull (H. Freeman and R. Shapira, Communications
    of the ACM 18, 1975, 409-413; from memory).
    """
    places = np.stack([columns, rows], axis=1).astype(np.float64)
    try:
        hull = places[ConvexHull(places).vertices]
    except QhullError:
        return None
    sides = np.roll(hull, -1, axis=0) - hull
    best, least = None, np.inf
    for angle in np.unique(np.arctan2(sides[:, 1], sides[:, 0]) % (np.pi / 2.0)).tolist():
        axes = np.array([(np.cos(angle), np.sin(angle)), (-np.sin(angle), np.cos(angle))])
        low, high = (hull @ axes.T).min(axis=0) - 0.5, (hull @ axes.T).max(axis=0) + 0.5
        area = float(np.prod(high - low))
        if area < least:
            least = area
            box = np.array([low, (high[0], low[1]), high, (low[0], high[1])])
            best = box @ axes
    return None if best is None else _clockwise(best)


def _clockwise(corners: Floats) -> Floats:
    """Start from the upper left corner: the upper edge is the one closest to level on top."""
    turned = [np.roll(corners, -shift, axis=0) for shift in range(4)]
    along = [np.arctan2(*(one[1] - one[0])[::-1]) for one in turned]
    return turned[int(np.argmin(np.abs(along)))]


def _straightened(image: CardImage, rough: Floats, step: int) -> Floats:
    """Find the four edges again on the scan, near where the small copy shows them."""
    middle = rough.mean(axis=0)
    lines = []
    for index in range(4):
        first, last = rough[index], rough[(index + 1) % 4]
        along = (last - first) / max(float(np.hypot(*(last - first))), 1.0)
        outward = np.array([along[1], -along[0]])
        if float(np.dot(outward, (first + last) / 2.0 - middle)) < 0.0:
            outward = -outward
        lines.append(_edge(image, first, last, outward, 3 * step))
    return np.array([_meet(lines[index - 1], lines[index]) for index in range(4)])


def _edge(
    image: CardImage, first: Floats, last: Floats, outward: Floats, reach: int
) -> tuple[Floats, Floats]:
    """Fit a line to one edge: a place on it and its direction."""
    share = np.linspace(0.05, 0.95, _PLACES_AN_EDGE)[:, None]
    base = first + (last - first) * share
    deep = np.arange(-reach, reach + 1)
    column = np.rint(base[:, None, 0] + deep * outward[0]).astype(np.intp)
    row = np.rint(base[:, None, 1] + deep * outward[1]).astype(np.intp)
    rows, columns = image.pixels.shape[:2]
    values = image.pixels[np.clip(row, 0, rows - 1), np.clip(column, 0, columns - 1)]
    profile = values.reshape(*values.shape[:2], -1).astype(np.float64)
    place, between = _crossing(profile)
    # Pixels stand on whole places: how far off the base the two around the rim really are.
    away = (column - base[:, :1]) * outward[0] + (row - base[:, 1:]) * outward[1]
    index = np.arange(place.size)
    off = away[index, place] * (1.0 - between) + away[index, place + 1] * between
    good = np.isfinite(off)
    if np.count_nonzero(good) < _PLACES_AN_EDGE // 4:
        return first, last - first
    slope, level = _line(share[good, 0], off[good])
    begin, end = first + outward * level, last + outward * (level + slope)
    return begin, end - begin


def _line(share: Floats, off: Floats) -> tuple[float, float]:
    """Slope and start of a line that stains on the rim and dust do not pull away.

    The median of the slopes of all pairs (H. Theil 1950, P. K. Sen 1968; from memory), then least
    squares through what lies along it.
    """
    one, other = np.triu_indices(share.size, 1)
    slope = float(np.median((off[other] - off[one]) / (share[other] - share[one])))
    level = float(np.median(off - slope * share))
    miss = np.abs(off - slope * share - level)
    close = miss <= max(3.0 * float(np.median(miss)), 0.2)
    slope, level = (float(value) for value in np.polyfit(share[close], off[close], 1))
    return slope, level


def _crossing(profile: Floats) -> tuple[NDArray[np.intp], Floats]:
    """Where each profile (P, D, C) from card to bed passes half way.

    Returns the last place on the card (P,) and how far on to the next the rim lies (P,), 0 … 1;
    NaN where the profile does not pass.
    """
    count = max(2, profile.shape[1] // 8)
    card, bed = np.median(profile[:, :count], axis=1), np.median(profile[:, -count:], axis=(0, 1))
    card_usual = np.median(card, axis=0)
    # The channel in which card and bed differ most.
    channel = int(np.argmax(np.abs(card_usual - bed)))
    high, low = card_usual[channel], bed[channel]
    if abs(high - low) < _LEAST_DIFFERENCE / 2.0:
        return np.zeros(profile.shape[0], dtype=np.intp), np.full(profile.shape[0], np.nan)
    share = (profile[..., channel] - low) / (high - low)
    beyond = np.abs(share) < 0.5
    # From the bed inwards: the last place that is not bed.
    last = beyond.shape[1] - 1 - np.argmax(~beyond[:, ::-1], axis=1)
    inside = np.minimum(last, beyond.shape[1] - 2)
    index = np.arange(share.shape[0])
    one, two = np.abs(share[index, inside]), np.abs(share[index, inside + 1])
    between = np.clip((one - 0.5) / np.maximum(one - two, 1e-6), 0.0, 1.0)
    return inside, np.where(beyond.all(axis=1) | ~beyond[:, -1], np.nan, between)


def _meet(one: tuple[Floats, Floats], other: tuple[Floats, Floats]) -> Floats:
    """Place where two lines meet."""
    matrix = np.stack([one[1], -other[1]], axis=1)
    share = np.linalg.solve(matrix, other[0] - one[0])
    place: Floats = one[0] + one[1] * share[0]
    return place


def _ordered(found: list[tuple[Floats, float]]) -> list[tuple[Floats, float]]:
    """Rows from top to bottom, each from left to right.

    Cards whose middles lie within half a card's height of one another stand in one row.
    """
    waiting = sorted(found, key=lambda one: float(one[0][:, 1].mean()))
    ordered: list[tuple[Floats, float]] = []
    while waiting:
        first = waiting[0][0]
        limit = float(first[:, 1].mean()) + _SAME_ROW * float(np.ptp(first[:, 1]))
        row = [one for one in waiting if float(one[0][:, 1].mean()) <= limit]
        ordered += sorted(row, key=lambda one: float(one[0][:, 0].mean()))
        waiting = waiting[len(row) :]
    return ordered
