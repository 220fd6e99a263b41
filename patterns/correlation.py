"""Correlations of the passes and the sums over them that an overlapped field needs."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import fft

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

_NEIGHBOURS: Final = 16  # lines summed at a time; bounds the memory where swaths are very narrow


def correlations(
    stack: Floats, centre_index: int, first: Indices, second: Indices
) -> tuple[Floats, Floats, int]:
    """Correlate pairs of passes, straight and turned about the flight line.

    Parameters
    ----------
    stack : (P, N) deposits on one even grid, finite.
    centre_index : index of the flight line, 0 … N − 1.
    first, second : (Q,) pass numbers of the pairs.

    Returns
    -------
    straight : (more than `zero`, Q) sum of the products of each pair at a distance of k steps, mean
        of both directions.
    turned : the same with one of the pair turned about the flight line.
    zero : the distance from which no lines meet, where both tables hold zeros.

    Both tables are halved at k = 0, so that twice a sum over k counts it once.
    """
    count, size = stack.shape
    reach = 2 * max(centre_index, size - 1 - centre_index)
    half = fft.next_fast_len(reach + 1, real=True)
    # With the flight line at place 0 the real part of a spectrum is that of the even half of the
    # pattern and the imaginary part that of the odd half; turning the pattern changes its sign.
    turned = np.zeros((count, 2 * half))
    turned[:, : size - centre_index] = stack[:, centre_index:]
    turned[:, 2 * half - centre_index :] = stack[:, :centre_index]
    spectra = fft.rfft(turned, norm="ortho")  # so that the transform back needs no scale
    even, odd = spectra.real.copy(), spectra.imag.copy()
    evens = even[first] * even[second]
    odds = odd[first] * odd[second]
    tables = []
    for spectrum in (evens + odds, evens - odds):
        # A real spectrum belongs to an even sequence, which a cosine transform finds. By distance
        # first: whoever picks distances then reads the pairs in one stretch.
        table = np.ascontiguousarray(fft.dct(spectrum, type=1).T)
        table[0] *= 0.5
        table[reach + 1] = 0.0
        tables.append(table)
    return tables[0], tables[1], reach + 1


def comb_sums(table: Floats, starts: Indices, periods: Indices, zero: int) -> Floats:
    """Sum the rows start, start + period, start + 2·period … of a table.

    Parameters
    ----------
    table : (more than `zero`, Q) row `zero` holds zeros.
    starts, periods : (K,) whole numbers, periods 1 or more.
    zero : every row from this on counts as zero.

    Returns
    -------
    (K, Q) sums.
    """
    sums = np.zeros((starts.size, table.shape[1]))
    most = int((zero - starts.min()) // periods.min()) + 1
    for begin in range(0, most, _NEIGHBOURS):
        number = np.arange(begin, min(begin + _NEIGHBOURS, most))[:, None]
        rows = np.minimum(starts + number * periods, zero)
        sums += table.take(rows, axis=0).sum(axis=0)
    return sums
