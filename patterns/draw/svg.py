"""Pieces of SVG as text: numbers, paths, lines, words. Same input, same text."""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import cache
from typing import Final
from xml.sax.saxutils import escape as _escape
from xml.sax.saxutils import quoteattr

import numpy as np
from numpy.typing import NDArray

from patterns.draw.palette import attributes
from patterns.errors import InputError

Floats = NDArray[np.float64]

_IDENT: Final = re.compile(r"[A-Za-z][A-Za-z0-9_-]{0,63}")
# Characters that XML 1.0 cannot hold even when escaped.
_UNPRINTABLE: Final = re.compile(r"[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def escape(text: str) -> str:
    """Make any text safe between tags."""
    return _escape(_UNPRINTABLE.sub("\ufffd", text))


def checked_id(ident: str) -> str:
    """Return an id that is safe in an attribute and in url(#…).

    Raises
    ------
    InputError
        For anything but a letter followed by letters, digits, "-" or "_".
    """
    if not _IDENT.fullmatch(ident):
        raise InputError(
            "chart id", f"{ident!r} cannot be one", "begin with a letter, then letters, digits, - _"
        )
    return ident


def num(value: float) -> str:
    """Write a coordinate with at most one decimal, never "-0"."""
    text = f"{value:.1f}"
    text = text[:-2] if text[-2:] == ".0" else text
    return "0" if text == "-0" else text


def element(name: str, class_name: str, body: str = "", /, **given: str | float) -> str:
    """Write one element of a class; underscores in attribute names become hyphens.

    An attribute given here stands in the place of the one the class brings.
    """
    begin, keys = _begun(name, class_name, tuple(given))
    written = "".join(
        [
            f" {key}={_quoted(value)}" if isinstance(value, str) else f' {key}="{num(value)}"'
            for key, value in zip(keys, given.values(), strict=True)
        ]
    )
    return f"{begin}{written}>{body}</{name}>" if body else f"{begin}{written}/>"


@cache  # a chart has a hundred elements of ten forms
def _begun(name: str, class_name: str, given: tuple[str, ...]) -> tuple[str, list[str]]:
    """What an element begins with, and the names of the attributes that are given to it."""
    keys = [key.replace("_", "-") for key in given]
    return f"<{name} {attributes(class_name, without=keys)}", keys


def _quoted(value: str) -> str:
    """Quote an attribute; most are plain words, in which there is nothing to escape."""
    return f'"{value}"' if value.isalnum() else quoteattr(value)


def line(class_name: str, x1: float, y1: float, x2: float, y2: float, **given: str | float) -> str:
    """Write a straight line."""
    return element("line", class_name, x1=x1, y1=y1, x2=x2, y2=y2, **given)


def path(class_name: str, d: str, **given: str | float) -> str:
    """Write a path; nothing at all for an empty one."""
    return element("path", class_name, d=d, **given) if d else ""


def words(
    class_name: str, x: float, y: float, text: str, *, anchor: str = "start", **given: str | float
) -> str:
    """Write a line of text with its baseline at y."""
    return element("text", class_name, escape(text), x=x, y=y, text_anchor=anchor, **given)


def curve_d(x: Floats, y: Floats, most: int = 480) -> str:
    """Write the path of a curve; a gap where y is not a number.

    Parameters
    ----------
    x, y : (N,) ndarray of float
        Pixels.
    most : int
        Longer curves are thinned to about this many points, peaks kept.
    """
    return "".join(f"M{_points(part_x, part_y)}" for part_x, part_y in _runs(x, y, most))


def area_d(x: Floats, upper: Floats, lower: Floats, most: int = 480) -> str:
    """Write the path of the area between two curves; a gap where either is not a number."""
    pieces = []
    both = np.where(np.isnan(lower), np.nan, upper)
    for start, stop in _spans(both):
        keep = _thinned(upper[start:stop], most) + start
        there = _points(x[keep], upper[keep])
        back = _points(x[keep[::-1]], lower[keep[::-1]])
        pieces.append(f"M{there}L{back}Z")
    return "".join(pieces)


def _points(x: Floats, y: Floats) -> str:
    flat = np.empty(2 * x.size)
    flat[0::2] = x
    flat[1::2] = y
    # One formatting call for the whole curve is several times faster than one for each number.
    return ("%.1f,%.1f " * x.size)[:-1] % tuple(flat.tolist())


def _runs(x: Floats, y: Floats, most: int) -> Iterable[tuple[Floats, Floats]]:
    for start, stop in _spans(y):
        keep = _thinned(y[start:stop], most) + start
        yield x[keep], y[keep]


def _spans(y: Floats) -> list[tuple[int, int]]:
    """Find the stretches of two or more numbers without a gap."""
    good = np.concatenate(([False], np.isfinite(y), [False]))
    edges = np.flatnonzero(good[1:] != good[:-1])
    pairs = zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
    return [(start, stop) for start, stop in pairs if stop - start > 1]


def _thinned(y: Floats, most: int) -> NDArray[np.intp]:
    """Choose points to keep: lowest and highest of each bin, so that no spike is lost."""
    if y.size <= most:
        return np.arange(y.size)
    bins = max(1, most // 2)
    edges = np.linspace(0, y.size, bins + 1).astype(np.intp)
    size = int(np.max(np.diff(edges)))
    index = np.minimum(edges[:-1, None] + np.arange(size), edges[1:, None] - 1)
    rows = np.arange(bins)
    low = index[rows, np.argmin(y[index], axis=1)]
    high = index[rows, np.argmax(y[index], axis=1)]
    ends = np.array([0, y.size - 1])
    return np.unique(np.concatenate((low, high, ends)))
