"""How wide words are, where they break, and where they stand without touching one another."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Advance widths [em] of DejaVu Sans, the widest of the fonts asked for: what fits in it fits in
# the others.
_WIDTHS: Final = {
    **dict.fromkeys("ijlI.,", 0.32),
    **dict.fromkeys(" \u00a0:;'", 0.34),
    **dict.fromkeys("frt-()/", 0.41),
    **dict.fromkeys("csz", 0.55),
    **dict.fromkeys("mwMW%±−", 0.95),
    **dict.fromkeys("ABCDEFGHJKLNOPQRSTUVXYZ", 0.73),
}
_OTHER: Final = 0.635
# The space between a figure and its unit.
_BEFORE_UNIT: Final = re.compile(r"(?<=\d) (?=(?:%|ft|m|mm|in|counts)\b|%)")
_BOLD: Final = 1.12


def width_px(text: str, size: float, *, bold: bool = False) -> float:
    """Estimate the width of a line of text, rather too wide than too narrow [px]."""
    return _width_em(text) * size * (_BOLD if bold else 1.0)


@lru_cache(maxsize=4096)  # a chart is drawn in two sizes, and asks for each of its labels thrice
def _width_em(text: str) -> float:
    return sum([_WIDTHS.get(letter, _OTHER) for letter in text])


def wrapped(text: str, size: float, room: float, *, bold: bool = False) -> list[str]:
    """Break a text into lines that fit, between words and only inside one that is too long.

    A unit is never parted from its number.
    """
    rows: list[str] = []
    tokens = filter(None, re.split(r"[ \t\r\n]+", _BEFORE_UNIT.sub("\u00a0", text)))
    for word in (part for token in tokens for part in _pieces(token, size, room, bold)):
        longer = f"{rows[-1]} {word}" if rows else word
        if rows and width_px(longer, size, bold=bold) <= room:
            rows[-1] = longer
        else:
            rows.append(word)
    return rows


def _pieces(word: str, size: float, room: float, bold: bool) -> list[str]:
    """Cut a word that is wider than a line, such as a long file name."""
    pieces = [""]
    for character in word:
        if pieces[-1] and width_px(pieces[-1] + character, size, bold=bold) > room:
            pieces.append("")
        pieces[-1] += character
    return pieces


def in_lanes(
    middles: Sequence[float], widths: Sequence[float], left: float, right: float, gap: float = 8.0
) -> list[tuple[float, int]]:
    """Stand labels over their places, in as few rows as keep them apart.

    Returns
    -------
    list of (float, int)
        For each label its middle [px], moved only so far as to stay between `left` and `right`,
        and its row, 0 nearest the plot.
    """
    placed = [(0.0, 0)] * len(middles)
    ends: list[float] = []
    for index in sorted(range(len(middles)), key=lambda i: middles[i]):
        half = widths[index] / 2
        middle = min(max(middles[index], left + half), max(right - half, left + half))
        free = (row for row, end in enumerate(ends) if end + gap <= middle - half)
        row = next(free, len(ends))
        if row == len(ends):
            ends.append(0.0)
        ends[row] = middle + half
        placed[index] = (middle, row)
    return placed


@dataclass(slots=True)
class Crowd:
    """What a label must not stand on: points of curves, and boxes of other labels."""

    left: float
    top: float
    right: float
    bottom: float
    points: list[Floats] = field(default_factory=list)
    boxes: list[tuple[float, float, float, float]] = field(default_factory=list)

    def add_curve(self, x: Floats, y: Floats) -> None:
        """Keep labels off a curve, thickened to a few pixels by the caller's margins."""
        good = np.isfinite(y)
        self.points.append(np.column_stack((x[good], y[good])))

    def place(
        self, width: float, height: float, candidates: Sequence[tuple[float, float]]
    ) -> tuple[float, float]:
        """Take the first candidate middle that touches nothing, else the one that touches least.

        Its box is remembered, so that the next label keeps off it.
        """
        cloud = np.concatenate(self.points) if self.points else np.empty((0, 2))
        best, least = candidates[0], math.inf
        for place in candidates:
            cost = self._cost(place, width, height, cloud)
            if cost < least:
                best, least = place, cost
            if cost == 0.0:
                break
        x, y = best
        self.boxes.append((x - width / 2, y - height / 2, x + width / 2, y + height / 2))
        return best

    def _cost(
        self, place: tuple[float, float], width: float, height: float, cloud: Floats
    ) -> float:
        x, y = place
        left, right = x - width / 2, x + width / 2
        top, bottom = y - height / 2, y + height / 2
        cost = float(
            np.count_nonzero(
                (cloud[:, 0] > left - 3)
                & (cloud[:, 0] < right + 3)
                & (cloud[:, 1] > top - 2)
                & (cloud[:, 1] < bottom + 2)
            )
        )
        for b_left, b_top, b_right, b_bottom in self.boxes:
            if left < b_right + 4 and right > b_left - 4 and top < b_bottom and bottom > b_top:
                cost += 1000.0
        if left < self.left or right > self.right or top < self.top or bottom > self.bottom:
            cost += 2000.0
        return cost
