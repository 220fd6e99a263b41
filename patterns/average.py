"""The passes together: which of them count, their mean, and how far they differ."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from patterns.errors import InputError
from patterns.grid import Grid
from patterns.remarks import Remark, Weight
from patterns.trace import PreparedPass, share_left

Floats = NDArray[np.float64]

Overrule = Literal["include", "leave_out"]
"""The analyst's word over the rules: use a suspect pass, or leave a good one out."""

Centring = Literal["flight_line", "deposition"]
"""What stands at 0: the flight line as flown, or each pass's own centre of deposition."""

CENTRINGS: Final[tuple[Centring, ...]] = ("flight_line", "deposition")


@dataclass(frozen=True, slots=True)
class JudgeParameters:
    """When a pass does not fit the others.

    Parameters
    ----------
    total_warning_percent : float
        Totals that differ by more than this get a warning. Source: about 30 % is what release
        height, rate and wind alone change on one line (Thistle et al. 2005, abstract).
    total_suspect_percent : float
        Totals that are this much lower than others, or others than it, make a pass suspect. Own
        definition: clear of that 30 %.
    shape_suspect_percent : float
        Share of the deposit that lies elsewhere than in another pass above which two passes are
        unlike in shape. Own definition.
    shape_bin_m : float
        Width of the bins in which shapes are compared [m]. Own definition.
    scatter_m : float
        A centre of deposition further than this from the median of the passes gets a note [m].
        Own definition.
    """

    total_warning_percent: float = 30.0
    total_suspect_percent: float = 40.0
    shape_suspect_percent: float = 25.0
    shape_bin_m: float = 1.0
    scatter_m: float = 1.5


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether a pass counts, with every remark about it."""

    accepted: bool
    remarks: tuple[Remark, ...]


@dataclass(frozen=True, slots=True, eq=False)
class MeanPattern:
    """The accepted passes on one grid and their mean.

    Parameters
    ----------
    position_m : (M,) ndarray of float
        Places on the even grid [m], left wing negative, 0 = flight line (or the centre of
        deposition, where `centring` says so).
    passes : (P, M) ndarray of float
        Deposit of every accepted pass [counts], P >= 1.
    deposit : (M,) ndarray of float
        Mean of the passes [counts].
    spread : (M,) ndarray of float
        Standard deviation between the passes, n − 1 [counts]; zeros for one pass.
    repeatability_percent : float
        100 · Σ spread / Σ deposit [%]; nan for one pass. Own definition.
    centring : {"flight_line", "deposition"}
        What stands at 0.
    centre_m : float
        Centre of deposition of the mean [m].
    left_share : float
        Share of the mean left of 0, 0 to 1.
    """

    position_m: Floats
    passes: Floats
    deposit: Floats
    spread: Floats
    repeatability_percent: float
    centring: Centring
    centre_m: float
    left_share: float


def judge(
    prepared: Sequence[PreparedPass],
    overrules: Sequence[Overrule | None],
    parameters: JudgeParameters | None = None,
    reasons: Sequence[str] | None = None,
) -> tuple[Verdict, ...]:
    """Decide which passes count.

    A pass with a remark of weight "suspect" is left out. To the remarks of the pass itself come
    those that need the others: the same file twice, a total or a shape unlike the others. A pass
    is unlike the others when it disagrees with more than half of them; so two passes, or two
    camps of equal size, accuse nobody, and get warnings. The order of the passes changes nothing
    but which of two equal files counts as the second.

    Parameters
    ----------
    prepared : (P,) sequence of PreparedPass
        On one grid.
    overrules : (P,) sequence of {"include", "leave_out", None}
        The analyst's word: "include" beats every suspicion but that of no deposit, "leave_out"
        beats everything.
    parameters : JudgeParameters, optional
        Thresholds.
    reasons : (P,) sequence of str, optional
        What the analyst gave as reason for each overrule; "" for none.

    Returns
    -------
    (P,) tuple of Verdict

    Raises
    ------
    InputError
        Where there are not as many overrules or reasons as passes.
    """
    parameters = parameters or JudgeParameters()
    reasons = tuple(reasons) if reasons is not None else ("",) * len(prepared)
    if not len(prepared) == len(overrules) == len(reasons):
        raise InputError(
            "overrules",
            f"{len(overrules)} overrules and {len(reasons)} reasons for {len(prepared)} passes",
            "give one for each pass, None where there is none",
        )
    own = [
        [*one.remarks, *_twice(prepared, overrules, index)] for index, one in enumerate(prepared)
    ]
    comparable = [
        index
        for index, one in enumerate(prepared)
        if overrules[index] != "leave_out"
        and np.isfinite(one.centre_m)
        and (overrules[index] == "include" or not _is_suspect(own[index]))
    ]
    for index, remarks in _unlike(prepared, comparable, parameters).items():
        own[index].extend(remarks)
    verdicts = [
        _verdict(own[index], overrules[index], reasons[index], bool(one.total > 0))
        for index, one in enumerate(prepared)
    ]
    return _with_scatter(prepared, verdicts, parameters)


def _is_suspect(remarks: Sequence[Remark]) -> bool:
    return any(remark.weight == "suspect" for remark in remarks)


def _twice(
    prepared: Sequence[PreparedPass], overrules: Sequence[Overrule | None], index: int
) -> list[Remark]:
    """Whether an earlier pass that was not left out came from the very same bytes."""
    for earlier, overrule in zip(prepared[:index], overrules[:index], strict=True):
        if overrule != "leave_out" and earlier.digest == prepared[index].digest:
            text = f"The same file twice: {earlier.source} holds exactly the same readings."
            return [Remark("same_file_twice", text, "suspect")]
    return []


def _unlike(
    prepared: Sequence[PreparedPass], comparable: list[int], parameters: JudgeParameters
) -> dict[int, list[Remark]]:
    """Remarks on the passes that are unlike the others, by total and by shape."""
    remarks: dict[int, list[Remark]] = {index: [] for index in comparable}
    if len(comparable) < 2:
        return remarks
    passes = [prepared[index] for index in comparable]
    logs = np.log([one.total for one in passes])
    apart = np.abs(logs[:, None] - logs[None, :])
    limit = -np.log1p(-parameters.total_suspect_percent / 100)
    odd_total = _outnumbered(apart > limit)
    shapes = _shapes(passes, parameters.shape_bin_m)
    differing = 50 * np.abs(shapes[:, None, :] - shapes[None, :, :]).sum(axis=2)
    odd_shape = _outnumbered(differing > parameters.shape_suspect_percent)
    enough = int((~(odd_total | odd_shape)).sum()) >= 2
    for place, index in enumerate(comparable):
        others = np.arange(len(comparable)) != place
        ratio = float(np.exp(logs[place] - np.median(logs[others])))
        unlike = float(np.median(differing[place, others]))
        remarks[index] = [
            *_total_remarks(ratio, bool(odd_total[place]), enough, parameters),
            *_shape_remarks(unlike, bool(odd_shape[place]), enough),
        ]
    return remarks


def _outnumbered(disagree: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Flag the passes that disagree with more than half of the others: (P, P) to (P,)."""
    return np.asarray(2 * disagree.sum(axis=1) > disagree.shape[0] - 1)


_TOO_FEW: Final = " Too few passes agree to tell which is right, so it is not left out."


def _total_remarks(
    ratio: float, odd: bool, enough: bool, parameters: JudgeParameters
) -> list[Remark]:
    percent = 100 * (ratio - 1)
    how = f"{ratio:.3g} times" if ratio >= 3 else f"{abs(percent):.0f} % "
    how += "" if ratio >= 3 else "above" if percent > 0 else "below"
    text = f"The total is {how} that of the other passes."
    if odd:
        weight: Weight = "suspect" if enough else "warning"
        return [Remark("total_unlike", text + ("" if enough else _TOO_FEW), weight)]
    if abs(percent) > parameters.total_warning_percent:
        return [Remark("total_unlike", text, "warning")]
    return []


def _shape_remarks(unlike_percent: float, odd: bool, enough: bool) -> list[Remark]:
    if not odd:
        return []
    text = (
        f"The shape is unlike the other passes: {unlike_percent:.0f} % of the deposit lies "
        "elsewhere, the centres laid upon one another."
    )
    weight: Weight = "suspect" if enough else "warning"
    return [Remark("shape_unlike", text + ("" if enough else _TOO_FEW), weight)]


def _shapes(passes: Sequence[PreparedPass], bin_m: float) -> Floats:
    """Share of the deposit in each bin about the pass's own centre: (P, bins), rows sum to 1."""
    size = passes[0].deposit.size
    half = size // 2
    rows: list[Floats] = []
    for one in passes:
        step_m = one.total / float(one.deposit.sum())
        place_m = step_m * (np.arange(size) - half) - one.centre_m
        # The step comes back from the total with rounding; the bins must be as many in every row.
        count = int(np.ceil(2 * half * step_m / bin_m - 1e-6)) + 1
        bins = np.clip(np.floor(place_m / bin_m + 0.5).astype(np.intp) + count, 0, 2 * count)
        share = np.asarray(one.deposit * step_m / one.total)
        rows.append(np.bincount(bins, weights=share, minlength=2 * count + 1).astype(np.float64))
    return np.vstack(rows)


def _verdict(
    remarks: list[Remark], overrule: Overrule | None, reason: str, has_deposit: bool
) -> Verdict:
    because = f", because: {reason.rstrip('. ')}" if reason else ""
    suspect = _is_suspect(remarks)
    if overrule == "leave_out":
        note = Remark("overruled", f"The analyst left this pass out{because}.", "note")
        return Verdict(False, (*remarks, note))
    if overrule == "include" and not has_deposit:
        text = "The analyst's word cannot include a pass without deposit."
        return Verdict(False, (*remarks, Remark("not_overruled", text, "warning")))
    if overrule == "include":
        what = "used this pass although it is suspect" if suspect else "asked for this pass"
        return Verdict(
            True, (*remarks, Remark("overruled", f"The analyst {what}{because}.", "note"))
        )
    return Verdict(not suspect, tuple(remarks))


def _with_scatter(
    prepared: Sequence[PreparedPass], verdicts: list[Verdict], parameters: JudgeParameters
) -> tuple[Verdict, ...]:
    """Add a note to accepted passes whose centre lies away from that of the others."""
    centres_m = [one.centre_m for one, v in zip(prepared, verdicts, strict=True) if v.accepted]
    if len(centres_m) < 2:
        return tuple(verdicts)
    median_m = float(np.median(centres_m))
    return tuple(
        Verdict(True, (*verdict.remarks, _scatter_remark(one.centre_m, median_m)))
        if verdict.accepted and abs(one.centre_m - median_m) > parameters.scatter_m
        else verdict
        for one, verdict in zip(prepared, verdicts, strict=True)
    )


def _scatter_remark(centre_m: float, median_m: float) -> Remark:
    text = (
        f"The centre of deposition lies at {centre_m:+.2f} m, the median of the passes at "
        f"{median_m:+.2f} m: the line was flown off, or the crosswind changed."
    )
    return Remark(
        "centre_scattered", text, "note", min(centre_m, median_m), max(centre_m, median_m)
    )


def combine(prepared: Sequence[PreparedPass], grid: Grid, centring: Centring) -> MeanPattern:
    """Lay the accepted passes over one another and take their mean.

    Each pass counts with the deposit it has: it is not scaled to the others.

    Parameters
    ----------
    prepared : (P,) sequence of PreparedPass
        Accepted passes on `grid`, P >= 1, each with deposit.
    grid : Grid
        The grid they were prepared on.
    centring : {"flight_line", "deposition"}
        "flight_line" takes the passes as flown. "deposition" moves each by a whole number of
        grid steps so that its own centre of deposition comes to 0, within half a step; this is
        how the swath is placed where it "is seldom centred under the flight line" (Bonds, Fritz &
        Thistle, J. ASABE, doi 10.13031/ja.15400), and it supposes that the pilot holds off by as
        much.

    Returns
    -------
    MeanPattern

    Raises
    ------
    InputError
        For no pass, an unknown centring, or a pass moved off the grid.
    """
    if not prepared:
        raise InputError("passes", "none is accepted", "accept at least one pass")
    if centring not in CENTRINGS:
        raise InputError(
            "centring", f"{centring!r} is not known", f"known are {', '.join(CENTRINGS)}"
        )
    passes = np.vstack([_centred(one, grid, centring) for one in prepared])
    deposit = passes.mean(axis=0)
    count = len(prepared)
    spread = passes.std(axis=0, ddof=1) if count > 1 else np.zeros(grid.size)
    total = float(deposit.sum())
    return MeanPattern(
        position_m=grid.position_m,
        passes=passes,
        deposit=deposit,
        spread=spread,
        repeatability_percent=100 * float(spread.sum()) / total if count > 1 else float("nan"),
        centring=centring,
        centre_m=float(grid.position_m @ deposit) / total,
        left_share=share_left(deposit, grid.centre_index),
    )


def _centred(one: PreparedPass, grid: Grid, centring: Centring) -> Floats:
    if centring == "flight_line":
        return one.deposit
    shift = -round(one.centre_m / grid.step_m)
    moved = np.roll(one.deposit, shift)
    wrapped = moved[:shift] if shift > 0 else moved[shift:] if shift < 0 else moved[:0]
    if np.any(wrapped != 0):
        raise InputError(
            "grid",
            f"{one.source}, moved by {shift * grid.step_m:.2f} m, does not fit it",
            "make the grid reach further",
        )
    return moved
