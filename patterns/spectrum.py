"""A spectrometer's columns, one for each wavelength, become one reading for each position."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from patterns.errors import InputError, TraceFileError
from patterns.readings import plateau, runs_of

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

FEWEST_IN_BAND = 3
"""Fewest wavelengths inside the dye band (own choice)."""
FEWEST_ON_FLANK = 2
"""Fewest wavelengths on either flank (own choice)."""
MISSING_SHARE = 0.1
"""Share of the wavelengths that may be filled in by their neighbours (own choice)."""
MISSING_IN_ROW = 2
"""Wavelengths side by side that may be filled in by their neighbours (own choice)."""


@dataclass(frozen=True, slots=True)
class DyeBand:
    """Where a dye shines.

    Parameters
    ----------
    name : str
        The dye family.
    band_nm : (float, float)
        From and to of the band that is integrated [nm].
    flank_nm : float
        Width of the flank on either side on which the baseline is fitted [nm].
    source : str
        Where the place of the band comes from.
    """

    name: str
    band_nm: tuple[float, float]
    flank_nm: float
    source: str


RHODAMINE = DyeBand(
    name="rhodamine family",
    band_nm=(560.0, 610.0),
    flank_nm=15.0,
    source=(
        "Emission peak 572–577 nm in water (peak-fitting code of a university spectrofluorometer); "
        "580–582 nm from memory. Both lie inside 560–610 nm; the lower flank stays clear of an "
        "excitation lamp around 540 nm (manual of a dye sensor). The width of band and flanks is "
        "an own choice: the reading stays proportional to the dye whatever of its light falls on "
        "the flanks."
    ),
)


@dataclass(frozen=True, slots=True, eq=False)
class BandReadings:
    """The dye's light at each row of a spectrometer file.

    Parameters
    ----------
    reading : (N,) ndarray of float
        Light above the baseline [instrument counts · nm]; NaN where too much is missing.
    saturated, filled : (N,) ndarray of bool
        Rows with a saturated wavelength, and with wavelengths filled in by their neighbours.
    saturated_nm, filled_nm : (float, float) or None
        First and last wavelength so affected in any row [nm].
    empty_nm : tuple of float
        Wavelengths without a single number, which were left away [nm].
    """

    reading: Array
    saturated: Mask
    filled: Mask
    saturated_nm: tuple[float, float] | None
    filled_nm: tuple[float, float] | None
    empty_nm: tuple[float, ...]


def check_band(band_nm: tuple[float, float], flank_nm: float) -> None:
    """Refuse a dye band that is none.

    Raises
    ------
    InputError
        When the band does not run upwards, or a flank has no width.
    """
    if not 0 < band_nm[0] < band_nm[1] < np.inf:
        raise InputError(
            "band_nm",
            f"the band from {band_nm[0]:g} to {band_nm[1]:g} nm does not run upwards",
            "state the shorter wavelength first, such as 560 and 610",
        )
    if not 0 < flank_nm < np.inf:
        raise InputError(
            "flank_nm", f"a flank of {flank_nm:g} nm has no width", "state a width such as 15"
        )


def used(wavelength_nm: Array, band_nm: tuple[float, float], flank_nm: float) -> Mask:
    """Tell which wavelengths (W,) [nm] lie in the band or on its flanks."""
    low, high = band_nm[0] - flank_nm, band_nm[1] + flank_nm
    return np.asarray((wavelength_nm >= low) & (wavelength_nm <= high))


def check_wavelengths(
    wavelength_nm: Array,
    band_nm: tuple[float, float],
    flank_nm: float,
    source: str,
    line: int | None,
) -> None:
    """Refuse wavelengths from which the band and its baseline cannot be told.

    Parameters
    ----------
    wavelength_nm : (W,) ndarray of float
        The wavelengths of the file, ascending [nm].
    band_nm, flank_nm
        As in `DyeBand` [nm].
    source : str
        Name of the file, for errors.
    line : int or None
        Line of the header, for errors.

    Raises
    ------
    TraceFileError
        When fewer than `FEWEST_IN_BAND` lie in the band or `FEWEST_ON_FLANK` on a flank, or when
        two neighbours are further apart than half the band.
    """
    low, high = band_nm
    below = int(((wavelength_nm >= low - flank_nm) & (wavelength_nm < low)).sum())
    inside = int(((wavelength_nm >= low) & (wavelength_nm <= high)).sum())
    above = int(((wavelength_nm > high) & (wavelength_nm <= high + flank_nm)).sum())
    remedy = (
        f"export at least {FEWEST_IN_BAND} wavelengths from {low:g} to {high:g} nm and "
        f"{FEWEST_ON_FLANK} within {flank_nm:g} nm on either side, or state another band"
    )
    if inside < FEWEST_IN_BAND or min(below, above) < FEWEST_ON_FLANK:
        raise TraceFileError(
            source,
            f"{_reach(wavelength_nm)}: {inside} in the dye band {low:g} to {high:g} nm, {below} on "
            f"the flank below and {above} on the flank above",
            remedy,
            line,
        )
    near = wavelength_nm[used(wavelength_nm, band_nm, flank_nm)]
    steps = np.diff(near)
    widest = int(steps.argmax())
    if steps[widest] > (high - low) / 2:
        raise TraceFileError(
            source,
            f"the spectrum has no wavelength between {near[widest]:g} and {near[widest + 1]:g} nm",
            remedy,
            line,
        )


def _reach(wavelength_nm: Array) -> str:
    if len(wavelength_nm) < 2:
        only = f", {wavelength_nm[0]:g} nm" if len(wavelength_nm) else ""
        return f"the spectrum has {len(wavelength_nm)} wavelength(s){only}"
    ends = f"{wavelength_nm[0]:g} to {wavelength_nm[-1]:g} nm"
    return f"the spectrum has {len(wavelength_nm)} wavelengths, {ends}"


def band_weights(wavelength_nm: Array, band_nm: tuple[float, float], flank_nm: float) -> Array:
    """Weights with which a spectrum sums to the dye's light above the baseline.

    The trapezoid rule over the band, whose ends are interpolated, minus the integral of a
    straight line fitted by least squares to both flanks (own definition). Both are linear in the
    counts, so one row of weights holds them; any straight background sums to nothing.

    Parameters
    ----------
    wavelength_nm : (W,) ndarray of float
        Ascending, all within band and flanks, as `check_wavelengths` asks [nm].
    band_nm, flank_nm
        As in `DyeBand` [nm].

    Returns
    -------
    (W,) ndarray of float
        ``spectra @ weights`` is the reading [instrument counts · nm].
    """
    low, high = band_nm
    inside = (wavelength_nm >= low) & (wavelength_nm <= high)
    nodes = np.concatenate(([low], wavelength_nm[inside], [high]))
    steps = np.diff(nodes)
    node_weights = np.concatenate((steps, [0.0])) / 2 + np.concatenate(([0.0], steps)) / 2
    weights = np.zeros_like(wavelength_nm)
    weights[inside] = node_weights[1:-1]
    for end, weight in ((low, node_weights[0]), (high, node_weights[-1])):
        right = min(int(np.searchsorted(wavelength_nm, end)), len(wavelength_nm) - 1)
        left = max(right - 1, 0)
        share = (end - wavelength_nm[left]) / (wavelength_nm[right] - wavelength_nm[left])
        weights[left] += weight * (1 - share)
        weights[right] += weight * share
    # Counted from the middle of the band, the integral of the line is its value there × width.
    flank_places = np.flatnonzero(~inside)
    centred = wavelength_nm[flank_places] - (low + high) / 2
    line = np.linalg.pinv(np.column_stack((np.ones_like(centred), centred)))
    weights[flank_places] -= (high - low) * line[0]
    return weights


def band_readings(
    wavelength_nm: Array,
    spectra: Array,
    band_nm: tuple[float, float],
    flank_nm: float,
    saturation: float | None,
    source: str,
    line: int | None,
) -> BandReadings:
    """Integrate the dye band of every row.

    Parameters
    ----------
    wavelength_nm : (W,) ndarray of float
        Ascending, within band and flanks [nm].
    spectra : (N, W) ndarray of float
        NaN where the file has no number [instrument counts].
    band_nm, flank_nm
        As in `DyeBand` [nm].
    saturation : float or None
        Counts at and above which the instrument is saturated; None: the rule of
        `patterns.readings.plateau` along the wavelengths.
    source, line
        Name of the file and line of its header, for errors.

    Returns
    -------
    BandReadings
        One reading for each row.

    Raises
    ------
    TraceFileError
        When too few wavelengths hold numbers.
    """
    empty = np.isnan(spectra).all(axis=0)
    kept_nm, spectra = wavelength_nm[~empty], spectra[:, ~empty]
    check_wavelengths(kept_nm, band_nm, flank_nm, source, line)
    missing = np.isnan(spectra)
    high = plateau(spectra) if saturation is None else spectra >= saturation
    spectra, too_many = _filled(kept_nm, spectra, missing)
    reading = spectra @ band_weights(kept_nm, band_nm, flank_nm)
    reading[too_many] = np.nan
    missing[too_many] = False
    return BandReadings(
        reading=reading,
        saturated=np.any(high, axis=1),
        filled=np.any(missing, axis=1),
        saturated_nm=_span(kept_nm, high),
        filled_nm=_span(kept_nm, missing),
        empty_nm=tuple(float(nm) for nm in wavelength_nm[empty]),
    )


def _filled(wavelength_nm: Array, spectra: Array, missing: Mask) -> tuple[Array, Mask]:
    """Fill single missing counts in from their neighbours; also the rows where they are many."""
    spectra = spectra.copy()
    too_many = np.zeros(len(spectra), dtype=np.bool_)
    for row in np.flatnonzero(missing.any(axis=1)):
        gone = missing[row]
        longest = max(last - first + 1 for first, last in runs_of(gone))
        if gone.mean() > MISSING_SHARE or longest > MISSING_IN_ROW:
            too_many[row] = True
            spectra[row] = 0.0
        else:
            kept = ~gone
            spectra[row, gone] = np.interp(
                wavelength_nm[gone], wavelength_nm[kept], spectra[row, kept]
            )
    return spectra, too_many


def _span(wavelength_nm: Array, mask: Mask) -> tuple[float, float] | None:
    columns = np.flatnonzero(mask.any(axis=0))
    if not len(columns):
        return None
    return float(wavelength_nm[columns[0]]), float(wavelength_nm[columns[-1]])
