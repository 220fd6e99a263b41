"""How many stains each measured stain stands for: the edge rule, and stains hidden under others.

Edge: a stain cut by the edge of the card is left out, as its size is not known, and every other
counts as W·H / ((W − w)·(H − h)) on a card of W × H with a box of w × h around it. Large stains are
cut more often than small ones; the weight makes up for exactly that (R. E. Miles, in Harding and
Kendall, Stochastic Geometry, 1974; C. Lantuéjoul, 1980; J. Serra, Image Analysis and Mathematical
Morphology, 1982; all from memory).

Hidden: a stain of radius r that falls within R − r of the middle of a larger one cannot be seen.
Drops fall by chance, so a share 1 − exp(−π Σ (R − r)² / A) of the stains of that size is lost (the
chance that a Poisson process leaves an area empty), and each one seen stands for the lost ones too,
as in every sample of known chances (D. G. Horvitz and D. J. Thompson, Journal of the American
Statistical Association 47, 1952, 663-685; from memory). Stains that keep apart, as on a card made
up for a test, hide none: the rule is applied as far as the stains seen touch as often as chance has
it.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from patterns.cards._runs import Floats

# A stain must stand out this far beyond a larger one to be told apart; set on drawn cards.
_STANDS_OUT_PX: Final = 2.5
# With fewer touching pairs to be expected than this, next to nothing is hidden.
_FEWEST_PAIRS: Final = 3.0


def edge_weight(width: Floats, height: Floats, card: tuple[Floats, Floats]) -> Floats:
    """Weight after the edge rule of stains that the edge does not cut.

    Parameters
    ----------
    width, height : (K,) of the boxes around the stains. [px]
    card : (K,) and (K,) width and height of the card that each lies on. [px]

    Returns
    -------
    (K,) 1 or more.
    """
    wide, high = card
    inside = np.maximum(wide - width, 1.0) * np.maximum(high - height, 1.0)
    weight: Floats = wide * high / inside
    return weight


def hidden_weight(radius: Floats, area: float, touching: int) -> Floats:
    """Weight that makes up for stains of the same size hidden under larger ones.

    Parameters
    ----------
    radius : (K,) of all stains on the card. [px]
    area : of the card. [px²]
    touching : pairs of stains seen to touch.

    Returns
    -------
    (K,) 1 or more.
    """
    order = np.argsort(radius)
    ranked = radius[order]
    # Number, sum and sum of squares of all larger stains, from the ends of the running sums.
    first = np.searchsorted(ranked, ranked, side="right")
    many = (ranked.size - first).astype(np.float64)
    linear = _sum_from(ranked)[first]
    square = _sum_from(ranked**2)[first]
    less = ranked - _STANDS_OUT_PX
    hiding = np.pi / area * (square - 2.0 * less * linear + less**2 * many)
    meeting = np.pi / area * (square + 2.0 * ranked * linear + ranked**2 * many)
    seen_to_meet = float(np.sum(meeting - hiding))
    weight = np.ones(radius.size)
    if seen_to_meet >= _FEWEST_PAIRS:
        weight[order] = np.exp(min(1.0, touching / seen_to_meet) * hiding)
    return weight


def _sum_from(values: Floats) -> Floats:
    """(K + 1,) sum of the values from each place to the end; 0 at the end."""
    sums: Floats = np.zeros(values.size + 1)
    sums[:-1] = np.cumsum(values[::-1])[::-1]
    return sums
