"""Findings: low and high zones of the pattern that stand in every accepted pass.

All definitions here are our own; the rule that a spot counts when it stands in every pass, and
that a single pass always differs, is common practice (no source).

*Smooth shape.* The pattern is held against a stiff smooth curve that bridges its own zones
(`patterns.zone_shape`). A wave as long as `reference_share` of the pattern's width is halved by it:
shorter features are departures, longer ones are shape.

*Departures.* The curve is linear in the deposit once the weights stand, so each pass, scaled to
the mean total, gets its own curve by the weights of the mean, and the departures of the passes
average exactly to those of the mean. A pass that lies a little to one side or is fuller on one
wing is thereby not mistaken for a zone. Departures are averaged over `min_width_m`.

*Zone.* A stretch around an extreme departure, out to where it has fallen to half; stretches of one
kind that touch are one. It counts when

- its extreme is `depth_percent` of the smooth shape or more, and `least_ratio` standard errors of
  the mean departure of the passes (pooled over the core) or more;
- it lies within the core of the pattern, between the outermost places at `core_share` of its
  general level;
- the mean pattern itself turns there: within one width on either side a low zone has higher ground
  and a high zone lower ground, by half of `depth_percent`. A flank that falls off, however bent,
  and a round or level top are no zones;
- a high zone has feet, or its extreme is `footless_percent` or more: from its middle straight lines
  are drawn to the mean pattern one width beyond either edge, and at its edge on at least one side
  it hangs below the line by `foot_share` of its extreme. The top of a triangle lies on these
  lines, the shoulder of a level top above them;
- it is `min_width_m` wide or more;
- in every pass the mean departure over the zone has the same sign and is `pass_depth_percent` or
  more;
- its confidence is `least_confidence` or more, unless there is one pass only.

*Confidence.* Student's t of the passes' mean departures over the zone against no departure, with
P − 1 degrees of freedom, one-sided. It is not corrected for having looked along the whole string.

*How often it is wrong.* On drawn patterns whose passes differ by waves of 5 % (standard deviation,
about 1.4 m wide) 1 in 120 patterns of three passes got a finding where there was none; with waves
of 10 % it was 10 %, 5 % and 3 % with three, four and six passes. Drawn heaps and holes of 60 % and
more, up to 2 m wide in a pattern 12 to 20 m wide, were all found, up to three times the shape. Of
those of 30 % that are 3 m wide, nearly the size of the shape, most holes were found and few heaps.
Heaps on a flank that never turns back, as of one nozzle that leaks moderately, are mostly missed
(measured in the tests).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.special import gammaincinv, stdtr

from patterns.average import MeanPattern
from patterns.errors import InputError
from patterns.zone_shape import (
    between,
    general_level,
    graduate,
    half_width_m,
    smooth_weights,
    stiffness_for,
)

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Kind = Literal["low", "high"]


@dataclass(frozen=True, slots=True)
class ZoneParameters:
    """When a departure from the smooth shape counts as a zone (own defaults).

    Parameters
    ----------
    depth_percent : least extreme departure of the mean, in percent of the smooth shape there. [%]
    pass_depth_percent : least mean departure over the zone in each pass, same measure. [%]
    min_width_m : least width; also the length over which departures are averaged. [m]
    reference_share : wavelength at which the smooth shape follows half, as a share of
        the width of the mean pattern at half its general level.
    core_share : the core lies between the outermost places at this share of the general level.
    least_ratio : least extreme departure of the mean, as a multiple of its standard error over the
        passes, pooled over the core.
    foot_share : least sag of a high zone's edges below the lines to its feet, as a share of the
        extreme.
    footless_percent : extreme from which a high zone counts without feet. [%]
    least_confidence : least confidence of a finding, 0 … 1.
    """

    depth_percent: float = 10.0
    pass_depth_percent: float = 5.0
    min_width_m: float = 0.5
    reference_share: float = 0.4
    core_share: float = 0.3
    least_ratio: float = 5.0
    foot_share: float = 0.07
    footless_percent: float = 40.0
    least_confidence: float = 0.95


@dataclass(frozen=True, slots=True)
class Zone:
    """One low or high zone.

    Attributes
    ----------
    kind : "low" or "high".
    from_m, to_m : edges, where the departure has fallen to half its extreme. [m]
    centre_m : centre of the departure between the edges. [m]
    width_m : distance of the edges. [m]
    depth_percent : extreme departure of the mean of the passes, in percent of the smooth shape at
        that place: negative for low, positive for high. [%]
    confidence : probability that the zone is there beyond the differences between passes, 0 … 1;
        None with one pass, which cannot tell.
    in_every_pass : whether it stands in every accepted pass. A spot that does not is no finding
        and is not returned; with one pass the word means no more than that pass.
    """

    kind: Kind
    from_m: float
    to_m: float
    centre_m: float
    width_m: float
    depth_percent: float
    confidence: float | None
    in_every_pass: bool


def find_zones(pattern: MeanPattern, parameters: ZoneParameters | None = None) -> tuple[Zone, ...]:
    """Find the low and high zones that stand in every pass.

    Parameters
    ----------
    pattern : the accepted passes on an even grid; each must have a sum above zero.
    parameters : thresholds; None for the defaults.

    Returns
    -------
    The zones from left to right; none for a pattern too narrow to have zones of `min_width_m`.

    Raises
    ------
    InputError
        For a parameter out of range or a pass without deposit.
    """
    chosen = parameters or ZoneParameters()
    _check(chosen)
    passes = _scaled(pattern.passes)
    mean = passes.mean(axis=0)
    step = float(pattern.position_m[1] - pattern.position_m[0])
    width = half_width_m(mean, step)
    if width * chosen.reference_share < 2.0 * chosen.min_width_m:
        return ()
    floor = chosen.core_share * general_level(mean)
    core = between(mean, floor)
    stiffness = stiffness_for(chosen.reference_share * width, step)

    def depart(weights: Floats) -> tuple[Floats, Floats]:
        curves = graduate(passes, weights, stiffness)
        level: Floats = np.maximum(curves.mean(axis=0), floor)
        return level, _averaged(100.0 * (passes - curves) / level, step, chosen.min_width_m)

    _, rough = depart(np.ones_like(mean))
    least = max(chosen.depth_percent, chosen.least_ratio * _standard_error(rough[:, core]))
    level, departures = depart(smooth_weights(mean, stiffness, floor, least))
    stretches = _stretches(departures.mean(axis=0), core, least)
    ground = _averaged(mean[None, :], step, chosen.min_width_m)[0]
    for start, end in stretches:
        # A low zone beside a high one must not take the high one's foot away.
        ground[start : end + 1] = np.maximum(ground, level)[start : end + 1]
    zones = (
        _judged(pattern.position_m, mean, ground, level, departures, start, end, chosen)
        for start, end in stretches
    )
    return tuple(zone for zone in zones if zone is not None)


def _judged(
    position_m: Floats,
    mean: Floats,
    ground: Floats,
    level: Floats,
    departures: Floats,
    start: int,
    end: int,
    chosen: ZoneParameters,
) -> Zone | None:
    """Make a zone of the places start … end, or nothing where it does not count.

    `ground` is the averaged mean with its low stretches filled up to the smooth shape.
    """
    departure = departures.mean(axis=0)[start : end + 1]
    sign = 1.0 if departure.sum() > 0.0 else -1.0
    extreme = sign * float(np.max(sign * departure))
    step = float(position_m[1] - position_m[0])
    width = float(position_m[end] - position_m[start]) + step
    if width < chosen.min_width_m - 1e-9:
        return None
    measure = float(level[start : end + 1].mean()) / 100.0
    if _relief(sign * mean, start, end) < 0.5 * chosen.depth_percent * measure:
        return None
    needs_feet = 0.0 < extreme < chosen.footless_percent
    if needs_feet and _sag(ground, start, end) < chosen.foot_share * extreme * measure:
        return None
    each = sign * departures[:, start : end + 1].mean(axis=1)
    if np.any(each < chosen.pass_depth_percent):
        return None
    confidence = _confidence(each)
    if confidence is not None and confidence < chosen.least_confidence:
        return None
    places = position_m[start : end + 1]
    return Zone(
        kind="high" if sign > 0.0 else "low",
        from_m=float(places[0] - step / 2.0),
        to_m=float(places[-1] + step / 2.0),
        centre_m=float(np.sum(places * departure) / np.sum(departure)),
        width_m=width,
        depth_percent=extreme,
        confidence=confidence,
        in_every_pass=True,
    )


def _stretches(departure: Floats, core: Flags, depth: float) -> list[tuple[int, int]]:
    """Find first and last place of the stretch around each extreme beyond the depth.

    From the deepest downwards. A stretch runs out to half its extreme; its slopes, to where they
    turn again, cannot make another. One that runs out of the core is the flank of the pattern.
    """
    stretches = []
    free = core.copy()
    inside = np.flatnonzero(core)
    for _ in range(departure.size):
        open_to_choice = np.where(free, np.abs(departure), 0.0)
        peak = int(np.argmax(open_to_choice))
        if open_to_choice[peak] < depth:
            break
        size = departure * np.sign(departure[peak])
        left = _run(size[peak::-1])
        right = _run(size[peak:])
        half = 0.5 * size[peak]
        reach_left, reach_right = (
            next((i for i, value in enumerate(side) if value < half), len(side)) - 1
            for side in (size[peak::-1], size[peak:])
        )
        free[peak - left : peak + right + 1] = False
        free[peak - reach_left : peak + reach_right + 1] = False
        if peak - reach_left > inside[0] and peak + reach_right < inside[-1]:
            stretches.append((peak - reach_left, peak + reach_right))
    return _joined(sorted(stretches), departure)


def _joined(stretches: list[tuple[int, int]], departure: Floats) -> list[tuple[int, int]]:
    """Join the stretches of one sign that overlap or touch."""
    joined: list[tuple[int, int]] = []
    for start, end in stretches:
        if (
            joined
            and start <= joined[-1][1] + 1
            and departure[start] * departure[joined[-1][0]] > 0
        ):
            joined[-1] = (joined[-1][0], max(end, joined[-1][1]))
        else:
            joined.append((start, end))
    return joined


def _run(size: Floats) -> int:
    """Count the steps from a peak over which a departure keeps falling."""
    rises = np.flatnonzero(np.diff(size) > 0.0)
    return int(rises[0]) if rises.size else size.size - 1


def _relief(ground: Floats, start: int, end: int) -> float:
    """Height of the hilltop within start … end over the higher of the passes on its two sides.

    On each side the ground is followed for one width of the zone beyond its edge, or until it
    rises above the top; its lowest point on the way is the pass. A valley is a hill of the
    negative ground. Zero on a plain slope and at the end of a level top.
    """
    top = start + int(np.argmax(ground[start : end + 1]))
    width = end - start + 1
    passes = []
    for side in (ground[max(start - width, 0) : top + 1][::-1], ground[top : end + 1 + width]):
        higher = np.flatnonzero(side > ground[top])
        passes.append(float(np.min(side[: higher[0]] if higher.size else side)))
    return float(ground[top]) - max(passes)


def _sag(ground: Floats, start: int, end: int) -> float:
    """How far an edge of a hill hangs below the line from its middle to its foot.

    On the side where it hangs further. The feet are one width beyond the edges. Any even slope of
    the ground drops out; zero on the top of a triangle.
    """
    middle, half = 0.5 * (start + end), 0.5 * (end - start + 1)
    places = middle + half * np.array([-3.0, -1.0, 0.0, 1.0, 3.0])
    foot, edge, top, other_edge, other_foot = np.interp(places, np.arange(ground.size), ground)
    sags = ((2.0 * top + foot) / 3.0 - edge, (2.0 * top + other_foot) / 3.0 - other_edge)
    return float(max(sags))


def _scaled(passes: Floats) -> Floats:
    """Scale each pass to the mean total, so that only shapes are compared."""
    totals = passes.sum(axis=1)
    if not np.all(totals > 0.0):
        raise InputError(
            "passes",
            f"the deposit of pass {int(np.argmin(totals)) + 1} adds up to {totals.min():g}",
            "leave out a pass without deposit",
        )
    scaled: Floats = passes * (totals.mean() / totals)[:, None]
    return scaled


def _averaged(rows: Floats, step: float, length_m: float) -> Floats:
    """Average each row over a length, an odd number of places."""
    places = 2 * round(length_m / step / 2.0) + 1
    averaged: Floats = ndimage.uniform_filter1d(rows, places, axis=1, mode="nearest")
    return averaged


def _standard_error(departures: Floats) -> float:
    """Standard error of the mean departure of the passes, pooled over all places; 0 for one.

    By the median of the variances over the places, which a spot in one pass or a shifted flank
    does not move, divided by what that median is in normally distributed passes.
    """
    count = departures.shape[0]
    if count < 2:
        return 0.0
    middle = float(np.median(np.var(departures, axis=0, ddof=1)))
    usual = 2.0 * float(gammaincinv((count - 1) / 2.0, 0.5)) / (count - 1)
    return float(np.sqrt(middle / usual / count))


def _confidence(each: Floats) -> float | None:
    """One-sided Student's t over the passes; None for one pass, 1 where they do not differ."""
    if each.size < 2:
        return None
    spread = float(np.std(each, ddof=1))
    if spread == 0.0:
        return 1.0
    t = float(np.mean(each)) / (spread / np.sqrt(each.size))
    return float(stdtr(each.size - 1, t))


def _check(chosen: ZoneParameters) -> None:
    for name, low, high in (
        ("depth_percent", 0.0, 100.0),
        ("pass_depth_percent", 0.0, 100.0),
        ("min_width_m", 0.0, np.inf),
        ("reference_share", 0.0, 2.0),
        ("core_share", 0.0, 1.0),
        ("least_ratio", 0.0, np.inf),
        ("foot_share", 0.0, 1.0),
        ("footless_percent", 0.0, np.inf),
    ):
        value = getattr(chosen, name)
        if not low < value < high:
            raise InputError(
                name, f"{value:g} is out of range", f"give more than {low:g} and less than {high:g}"
            )
    if not 0.0 <= chosen.least_confidence < 1.0:
        raise InputError(
            "least_confidence",
            f"{chosen.least_confidence:g} is out of range",
            "give 0 or more and less than 1",
        )
