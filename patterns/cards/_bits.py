"""Masks of eight pixels a byte: they stay at hand for the processor where a byte a pixel cannot."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Places = NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Bits:
    """A mask of M rows and N columns, the lowest bit of a byte first.

    Attributes
    ----------
    flat : (M · width + 3,) uint8, row by row; 0 beside the mask and in the bytes after the last.
    shape : M and N.
    """

    flat: NDArray[np.uint8]
    shape: tuple[int, int]

    @classmethod
    def none(cls, shape: tuple[int, int]) -> Bits:
        """A mask in which nothing is set."""
        return cls(np.zeros(shape[0] * _width(shape[1]) + 3, dtype=np.uint8), shape)

    @classmethod
    def of(cls, mask: NDArray[np.bool_]) -> Bits:
        """The same as a mask (M, N) of one byte a pixel."""
        rows, columns = mask.shape
        lines = lines_for((rows, columns))
        lines[:, :columns] = mask
        return cls.packed(lines, (rows, columns))

    @classmethod
    def packed(cls, lines: NDArray[np.bool_], shape: tuple[int, int]) -> Bits:
        """Pack lines as `lines_for` made them: full to the byte, they are one stretch."""
        bits = cls.none(shape)
        bits.flat[: lines.size // 8] = np.packbits(lines.ravel(), bitorder="little")
        return bits

    @property
    def width(self) -> int:
        """Bytes a row; two columns of nothing at its end at least."""
        return _width(self.shape[1])

    def mask(self) -> NDArray[np.bool_]:
        """(M, N) with one byte a pixel."""
        rows, columns = self.shape
        lines = self.flat[: rows * self.width].reshape(rows, self.width)
        bits = np.unpackbits(lines, axis=1, count=columns, bitorder="little")
        return bits.view(np.bool_)

    def count(self) -> int:
        """How many pixels are set."""
        return int(np.bitwise_count(self.flat).sum(dtype=np.intp))

    def count_in(self, top: Places, left: Places, edge: int) -> Places:
        """How many pixels are set in square windows: (K,).

        Parameters
        ----------
        top, left : (K,) of windows that lie in the mask. [px]
        edge : of all of them, 25 at most. [px]
        """
        # Each line of a window lies within the four bytes from the one its first pixel is in; all
        # windows that there could be lie over one another, so that one is fetched in one go.
        places = max(self.flat.size - 3 - (edge - 1) * self.width, 0)
        windows: NDArray[np.uint32] = np.ndarray(
            (places, edge), dtype="<u4", buffer=self.flat, strides=(1, self.width)
        )
        # By line first: the steps over all windows are quickest then.
        line = windows[top * self.width + (left >> 3)].T.copy()
        line >>= (left & 7).astype(np.uint32)
        line &= np.uint32((1 << edge) - 1)
        count: Places = np.bitwise_count(line).sum(axis=0, dtype=np.intp)
        return count


def lines_for(shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Lines (M, 8 · width) for a mask (M, N) on their left, to be filled; nothing set beside it."""
    rows, columns = shape
    lines = np.empty((rows, 8 * _width(columns)), dtype=np.bool_)
    lines[:, columns:] = False
    return lines


def _width(columns: int) -> int:
    """Bytes a row, so that what reaches the end of one does not touch the next, nor its corner."""
    return (columns + 2 + 7) // 8
