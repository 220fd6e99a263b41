"""The background of the instrument along the string, and where the deposit lies above it.

The two are found together: what is not deposit is clean string, and a line through the clean ends
is the background. Nothing here takes a minimum, and nothing clips noise at zero, so that neither
the background nor the total is biased by noise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from patterns.parameters import PassParameters

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

Basis = Literal["both_ends", "left_end", "right_end", "no_clean_end"]
"""What the background rests on."""

_MAD_TO_SD: Final = 1.4826  # median absolute deviation of a normal distribution to its s.d.
_ROUNDS: Final = 12  # it settles in three or four
_ONSET_SHARE: Final = 0.4  # deposit reaches out to two fifths of the threshold that begins it
_FEW: Final = 20  # readings below which roughness cannot tell noise from shape
_WINDOW_M: Final = 0.7  # longest running mean in which onset is looked for
_FIRST_EDGE_M: Final = 1.0
_ENOUGH_CLEAN: Final = 8  # readings of clean string that tell its noise
_LEAST_STEPS: Final = 2.5  # of clean string under noise of a percent and more
_FAINT: Final = 0.01  # share of the peak at which onset should still be seen


@dataclass(frozen=True, slots=True, eq=False)
class Background:
    """Background line and the deposit above it.

    Parameters
    ----------
    line : (N,) ndarray of float
        Background at every reading [counts].
    noise : float
        Standard deviation of a single reading [counts].
    peak : float
        Highest deposit, smoothed [counts].
    found : bool
        Whether any deposit stands above the noise.
    outermost_m : (float, float)
        Where the deposit begins and ends [m].
    kept_m : (float, float)
        The same with the guard on either side, within the string [m].
    clean_m : (float, float)
        Clean string at the left and the right end [m].
    needed_m : float
        Clean string that an end needs to count as clean [m].
    standing : (float, float)
        Level at the very ends above the background, as a share of `peak`.
    basis : str
        What the line rests on.
    """

    line: Floats
    noise: float
    peak: float
    found: bool
    outermost_m: tuple[float, float]
    kept_m: tuple[float, float]
    clean_m: tuple[float, float]
    needed_m: float
    standing: tuple[float, float]
    basis: Basis


@dataclass(frozen=True, slots=True)
class _Reach:
    """Indices of the first and the last reading with deposit, and the peak."""

    first: int
    last: int
    peak: float
    found: bool


def find_background(position_m: Floats, reading: Floats, parameters: PassParameters) -> Background:
    """Find the background line and the reach of the deposit.

    A first guess is a line through the levels at both ends. Deposit is what stands above the line
    and the noise; what lies outside it is clean string, and a line fitted to that is the next
    guess, until nothing changes.

    Parameters
    ----------
    position_m : (N,) ndarray of float
        Strictly ascending [m], N >= 4.
    reading : (N,) ndarray of float
        [counts].
    parameters : PassParameters
        Thresholds.

    Returns
    -------
    Background

    Notes
    -----
    Own definition. Where an end has no clean string the drift cannot be told and the background
    is constant; where neither has, it is the lower of the two end levels.
    """
    levels = _edge_levels(position_m, reading, parameters.edge_m)
    noise = _first_noise(position_m, reading, parameters.edge_m)
    line = _first_line(position_m, reading)
    basis: Basis = "both_ends"
    reach = _reach(position_m, reading - line, noise, parameters)
    for _ in range(_ROUNDS):
        clean = _clean_ends(position_m, reach, parameters)
        line, basis = _fit(position_m, reading, clean, reach, noise, levels, parameters)
        ends = _used(clean, basis)
        seen = _scatter(position_m, reading, ends)
        noise = noise if seen is None else seen
        before, reach = reach, _reach(position_m, reading - line, noise, parameters, ends)
        if (before.first, before.last) == (reach.first, reach.last):
            break
    return _describe(position_m, reach, noise, line, basis, levels, parameters)


def _describe(
    position_m: Floats,
    reach: _Reach,
    noise: float,
    line: Floats,
    basis: Basis,
    levels: tuple[float, float],
    parameters: PassParameters,
) -> Background:
    first_m, last_m = float(position_m[0]), float(position_m[-1])
    from_m, to_m = float(position_m[reach.first]), float(position_m[reach.last])
    # The deposit's foot lies somewhere between its outermost reading and the next one outside.
    foot_m = float(position_m[max(reach.first - 1, 0)])
    heel_m = float(position_m[min(reach.last + 1, position_m.size - 1)])
    guard_m = guard_for(to_m - from_m, parameters)
    scale = reach.peak if reach.peak > 0 else 1.0
    return Background(
        line=line,
        noise=noise,
        peak=reach.peak,
        found=reach.found,
        outermost_m=(from_m, to_m),
        kept_m=(
            max(first_m, min(foot_m, from_m - guard_m)),
            min(last_m, max(heel_m, to_m + guard_m)),
        ),
        clean_m=(from_m - first_m, last_m - to_m),
        needed_m=least_clean_m(position_m, noise, reach.peak, parameters),
        standing=(
            (levels[0] - float(line[0])) / scale,
            (levels[1] - float(line[-1])) / scale,
        ),
        basis=basis,
    )


def _edge_levels(position_m: Floats, reading: Floats, edge_m: float) -> tuple[float, float]:
    """Level at the two very ends, carried out to the end by a line through the edge."""
    left = position_m <= position_m[0] + edge_m
    right = position_m >= position_m[-1] - edge_m
    return (
        _level_at(position_m[left], reading[left], float(position_m[0])),
        _level_at(position_m[right], reading[right], float(position_m[-1])),
    )


def _level_at(position_m: Floats, reading: Floats, at_m: float) -> float:
    if position_m.size < 4:
        nearest = int(np.argmin(np.abs(position_m - at_m)))
        return float(reading[nearest])
    slope, middle, centre_m = _line(position_m, reading)
    return middle + slope * (at_m - centre_m)


def _line(position_m: Floats, reading: Floats) -> tuple[float, float, float]:
    """Least-squares slope, level at the centre, and the centre."""
    centre_m = float(np.mean(position_m))
    offset = position_m - centre_m
    width = float(offset @ offset)
    slope = float(offset @ reading) / width if width > 0 else 0.0
    return slope, float(np.mean(reading)), centre_m


def _first_line(position_m: Floats, reading: Floats) -> Floats:
    """Line through the mean of either edge, long enough to be steady under noise."""
    left = position_m <= position_m[0] + _FIRST_EDGE_M
    right = position_m >= position_m[-1] - _FIRST_EDGE_M
    from_m, to_m = float(np.mean(position_m[left])), float(np.mean(position_m[right]))
    low, high = float(np.mean(reading[left])), float(np.mean(reading[right]))
    line: Floats = low + (high - low) * (position_m - from_m) / (to_m - from_m)
    return line


def roughness(reading: Floats) -> float:
    """Standard deviation of a reading [counts] from second differences, blind to any slope."""
    second = np.diff(reading, n=2)
    return float(_MAD_TO_SD * np.median(np.abs(second)) / 6.0**0.5)


def _first_noise(position_m: Floats, reading: Floats, edge_m: float) -> float:
    """Noise before the clean ends are known: the smaller of two estimates.

    Second differences see a coarsely sampled pattern as noise, the scatter at the edges sees a
    pattern that rises there as noise; seldom both.
    """
    squares, count = 0.0, 0
    for edge in (position_m <= position_m[0] + edge_m, position_m >= position_m[-1] - edge_m):
        values = reading[edge]
        if values.size < 2:
            values = reading[:2] if edge[0] else reading[-2:]
        steps = np.diff(values)
        squares += float(steps @ steps) / 2.0
        count += steps.size
    return float(min(roughness(reading), (squares / count) ** 0.5))


def _used(clean: tuple[Mask, Mask], basis: Basis) -> tuple[Mask, ...]:
    """Clean ends that the background rests on."""
    use: dict[Basis, tuple[Mask, ...]] = {
        "both_ends": clean,
        "left_end": clean[:1],
        "right_end": clean[1:],
        "no_clean_end": (),
    }
    return use[basis]


def _scatter(position_m: Floats, value: Floats, ends: tuple[Mask, ...]) -> float | None:
    """Standard deviation on the clean ends, or None where they are too little to tell.

    Each end is held against its own line, so that deposit taken for clean string in an early
    round does not pass for noise.
    """
    off: list[Floats] = []
    for end in ends:
        if end.sum() >= 4:
            slope, middle, centre_m = _line(position_m[end], value[end])
            off.append(value[end] - middle - slope * (position_m[end] - centre_m))
    if sum(one.size for one in off) < _ENOUGH_CLEAN:
        return None
    return _MAD_TO_SD * float(np.median(np.abs(np.concatenate(off))))


def running_mean(position_m: Floats, reading: Floats, window_m: float) -> tuple[Floats, Floats]:
    """Mean of the readings within half a window on either side, and how many they are."""
    half_m = window_m / 2 + 1e-9
    low = np.searchsorted(position_m, position_m - half_m, side="left")
    high = np.searchsorted(position_m, position_m + half_m, side="right")
    # A narrower side limits both: a lopsided window would shift the level where it slopes.
    index = np.arange(position_m.size)
    side = np.minimum(index - low, high - 1 - index)
    sums = np.concatenate(([0.0], np.cumsum(reading)))
    count = (2 * side + 1).astype(np.float64)
    return (sums[index + side + 1] - sums[index - side]) / count, count


def _reach(
    position_m: Floats,
    residual: Floats,
    noise: float,
    parameters: PassParameters,
    ends: tuple[Mask, ...] = (),
) -> _Reach:
    """Outermost deposit, with hysteresis: it begins high and reaches out until it is faint."""
    smooth, count = running_mean(
        position_m, residual, _window_m(position_m, residual, noise, parameters)
    )
    peak = float(np.max(smooth))
    # Noise that is not independent from reading to reading does not average out as it should.
    wander = _scatter(position_m, smooth, ends) or 0.0
    limit = parameters.noise_multiple * np.maximum(noise / np.sqrt(count), wander)
    core = smooth > np.maximum(limit, parameters.core_percent / 100 * peak)
    # Of some hundred readings of mere noise the highest seldom stands four deviations up.
    rough = 4 * roughness(residual) / np.sqrt(count) if residual.size >= _FEW else 0.0
    if peak <= 0 or not np.any(core & (smooth > rough)):
        return _Reach(0, position_m.size - 1, max(peak, 0.0), found=False)
    faint = smooth <= np.maximum(_ONSET_SHARE * limit, parameters.onset_percent / 100 * peak)
    indices = np.flatnonzero(core)
    before = np.flatnonzero(faint[: indices[0]])
    after = np.flatnonzero(faint[indices[-1] + 1 :])
    first = int(before[-1]) + 1 if before.size else 0
    last = int(indices[-1]) + int(after[0]) if after.size else position_m.size - 1
    return _Reach(first, last, peak, found=True)


def _window_m(
    position_m: Floats, residual: Floats, noise: float, parameters: PassParameters
) -> float:
    """Window in which onset is looked for: none without noise, for it would blur the foot."""
    onset = _ONSET_SHARE * parameters.noise_multiple * noise
    faintest = _FAINT * float(np.max(residual))
    if onset <= 0 or faintest <= 0:
        return 0.0
    needed_m = float(np.median(np.diff(position_m))) * (onset / faintest) ** 2
    return min(needed_m, _WINDOW_M)


def guard_for(width_m: float, parameters: PassParameters) -> float:
    """Stretch kept beyond the outermost deposit [m]: faint tails grow with the pattern."""
    return max(parameters.guard_m, parameters.guard_percent / 100 * width_m)


def least_clean_m(
    position_m: Floats, noise: float, peak: float, parameters: PassParameters
) -> float:
    """Clean string that an end needs to count as clean [m].

    Under noise two readings alone cannot tell clean string from the foot of the deposit.
    """
    percent = 100 * noise / peak if peak > 0 else 0.0
    steps_m = _LEAST_STEPS * float(np.median(np.diff(position_m)))
    length_m = parameters.least_clean_m + parameters.clean_per_noise_m * min(percent, 10.0)
    return max(length_m, min(percent, 1.0) * steps_m)


def _clean_ends(position_m: Floats, reach: _Reach, parameters: PassParameters) -> tuple[Mask, Mask]:
    """Clean string at the left and the right, kept away from the deposit where there is room."""
    if not reach.found:
        middle_m = (position_m[0] + position_m[-1]) / 2
        return position_m < middle_m, position_m >= middle_m
    from_m, to_m = position_m[reach.first], position_m[reach.last]
    guard_m = guard_for(to_m - from_m, parameters)
    room_m = guard_m + parameters.guard_m
    left_guard_m = guard_m if from_m - position_m[0] >= room_m else 0.0
    right_guard_m = guard_m if position_m[-1] - to_m >= room_m else 0.0
    left, right = position_m < from_m - left_guard_m, position_m > to_m + right_guard_m
    return left, right


def _fit(
    position_m: Floats,
    reading: Floats,
    clean: tuple[Mask, Mask],
    reach: _Reach,
    noise: float,
    levels: tuple[float, float],
    parameters: PassParameters,
) -> tuple[Floats, Basis]:
    """Background line from whatever clean string there is."""
    from_m, to_m = position_m[reach.first], position_m[reach.last]
    needed_m = least_clean_m(position_m, noise, reach.peak, parameters) if reach.found else 0.0
    left = bool(clean[0].any()) and from_m - position_m[0] >= needed_m
    right = bool(clean[1].any()) and position_m[-1] - to_m >= needed_m
    if left and right:
        line = _robust_line(position_m, reading, clean[0] | clean[1], sloping=True)
        drift = float(line[-1] - line[0])
        if not reach.found or abs(drift) <= parameters.most_drift_percent / 100 * reach.peak:
            return line, "both_ends"
        left, right = drift > 0, drift < 0  # the higher end is standing deposit
    if left or right:
        level = _robust_line(position_m, reading, clean[0] if left else clean[1], sloping=False)
        return level, "left_end" if left else "right_end"
    if abs(levels[0] - levels[1]) <= 4 * noise:
        return np.full_like(reading, (levels[0] + levels[1]) / 2), "no_clean_end"
    return np.full_like(reading, min(levels)), "no_clean_end"


def _robust_line(position_m: Floats, reading: Floats, use: Mask, sloping: bool) -> Floats:
    """Least squares, with what lies more than four deviations off left out on both sides alike."""
    kept = use
    line = reading
    least = 1e-12 * float(np.max(np.abs(reading)))
    for _ in range(4):
        slope, middle, centre_m = _line(position_m[kept], reading[kept])
        line = middle + (slope if sloping else 0.0) * (position_m - centre_m)
        off = np.abs(reading - line)
        scatter = _MAD_TO_SD * float(np.median(off[use]))
        again = use & (off <= 4 * scatter + least)
        if again.sum() < max(2, use.sum() // 2) or np.array_equal(again, kept):
            break
        kept = again
    return line
