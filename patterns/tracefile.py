"""A trace file, as instruments and spreadsheets export it, becomes a `Trace`."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from patterns.remarks import Remark
from patterns.spectrum import RHODAMINE

Origin = Literal["left", "right", "centre"]
"""Where the positions are counted from: left end, right end, or the flight line."""


@dataclass(frozen=True, slots=True)
class ReadOptions:
    """What the file itself may not say.

    Parameters
    ----------
    unit : str, optional
        Unit of the positions (m, cm, mm, ft, in), used where the header names none.
    origin : {"left", "right", "centre"}, optional
        Where positions are counted from, as the pilot sees it. None: positions of both signs are
        taken as counted from the flight line, others as counted from the left end.
    flight_line : float, optional
        Place of the flight line on the string, in the file's own unit and count. None: 0 for
        origin "centre", else the middle of the string, with a remark.
    position_column, reading_column : str, optional
        Header of the column to use, where the names in the file do not tell.
    band_nm : (float, float)
        Dye band that is integrated in a spectrometer file [nm].
    flank_nm : float
        Width of the flank on either side on which the baseline is fitted [nm].
    saturation : float, optional
        Reading at and above which the instrument is saturated [instrument counts]. None: the
        rule of `patterns.quality.plateau`.
    """

    unit: str | None = None
    origin: Origin | None = None
    flight_line: float | None = None
    position_column: str | None = None
    reading_column: str | None = None
    band_nm: tuple[float, float] = RHODAMINE.band_nm
    flank_nm: float = RHODAMINE.flank_nm
    saturation: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """Readings along the string of one pass.

    Parameters
    ----------
    source : str
        Name of the file.
    digest : str
        SHA-256 of the file, hexadecimal.
    kind : {"counts", "spectrum"}
        Whether the file held readings or spectra.
    position_m : (N,) ndarray of float
        Strictly ascending [m], 0 = flight line, left wing negative; N >= 8.
    reading : (N,) ndarray of float
        [instrument counts]; for a spectrum [instrument counts · nm].
    saturated : (N,) ndarray of bool
        Where the instrument could not count higher.
    unit : str
        Unit of the positions in the file.
    origin : {"left", "right", "centre"}
        Where the file counts positions from.
    flight_line_m : float
        Place of the flight line as the file counts [m].
    remarks : tuple of Remark
        What was noticed while reading.
    """

    source: str
    digest: str
    kind: Literal["counts", "spectrum"]
    position_m: NDArray[np.float64]
    reading: NDArray[np.float64]
    saturated: NDArray[np.bool_]
    unit: str
    origin: Origin
    flight_line_m: float
    remarks: tuple[Remark, ...]
