"""How true measured cards are: stains found against stains drawn, over a grid of cards.

Prints the table of "How true the cards are" in DEVELOPERS.md: of three cards a row (one at 2400
dpi) the mean error of Dv0.5, coverage and count, and the largest in brackets. Own bounds hold where
the service claims them: cards whose stains keep apart at 1200 dpi, and those whose stains touch by
chance up to 10 % cover. The ratio returned is the largest mean error as a share of its bound.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import numpy as np

from fixtures.cards import CardPlan, draw_card
from patterns.cards.decode import CardImage
from patterns.cards.separate import separate
from patterns.cards.stains import measure_stains
from tests.patterns.cards.truth import errors

CARDS: Final = 3
# Of Dv0.5, coverage and count. [%]
BOUND_APART: Final = (2.0, 2.0, 1.0)
BOUND_TOUCHING: Final = (5.0, 2.0, 6.0)
ROWS: Final = (
    *((600, cover, False) for cover in (0.5, 5.0, 25.0)),
    *((600, cover, True) for cover in (2.0, 5.0, 10.0, 25.0)),
    *((1200, cover, False) for cover in (2.0, 5.0, 10.0)),
    *((1200, cover, True) for cover in (5.0, 10.0, 25.0)),
    *((2400, cover, True) for cover in (5.0, 10.0, 25.0)),
)


def row(dpi: int, cover_percent: float, touching: bool) -> tuple[np.ndarray, float]:
    """Errors of each card (cards, 3) and the mean share that came out of splitting. [%]"""
    found, split = [], []
    for seed in range(1, 2 if dpi > 1200 else 1 + CARDS):
        plan = CardPlan(dpi=float(dpi), cover_percent=cover_percent, touching=touching, seed=seed)
        drawn = draw_card(plan)
        image = CardImage("card", "", drawn.dpi, drawn.pixels)
        stains = measure_stains(separate(image), drawn.dpi)
        found.append(errors(drawn, stains))
        split.append(stains.split_percent)
    return np.array(found), float(np.mean(split))


def bound(dpi: int, cover_percent: float, touching: bool) -> tuple[float, float, float] | None:
    """What the service claims of such cards. [%]"""
    if not touching:
        return BOUND_APART if dpi == 1200 else None
    return BOUND_TOUCHING if cover_percent <= 10.0 else None


def measure(rows: Iterable[tuple[int, float, bool]]) -> float:
    """Print some rows; the largest mean error as a share of its bound."""
    report("| dpi, cover, placing | Dv0.5 | coverage | count | split % |\n|---|---|---|---|---|")
    worst = 0.0
    for dpi, cover, touching in rows:
        found, split = row(dpi, cover, touching)
        mean, largest = found.mean(axis=0), np.abs(found).max(axis=0)
        cells = [
            f"{one:+.1f} ({most:.1f})".replace("-", "−")
            for one, most in zip(mean, largest, strict=True)
        ]
        placing = "touching" if touching else "apart"
        report(f"| {dpi}, {cover:g}, {placing} | {' | '.join(cells)} | {split:.0f} |")
        limits = bound(dpi, cover, touching)
        if limits:
            worst = max(worst, float(np.max(np.abs(mean) / np.array(limits))))
    return worst


def report(line: str) -> None:
    """Print one line."""
    print(line, flush=True)  # noqa: T201 -- a benchmark talks to a terminal


def main() -> float:
    """Measure the whole grid."""
    return measure(ROWS)


def quick() -> float:
    """Measure one row."""
    return measure([(600, 5.0, True)])
