"""Results as plain values and back, and as bytes that are the same for the same results.

Numbers carry nine significant digits, which is far below any error of measurement and above the
rounding of the arithmetic; what the rounding leaves of an exact zero is written as zero; what is
not known is null.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import fields, is_dataclass
from typing import Any, Final, TypeVar

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Record = TypeVar("Record")

_DIGITS: Final = 9
_NOTHING: Final = 1e-12  # share of the largest value of an array below which a value is rounding


def canonical_bytes(document: Mapping[str, Any]) -> bytes:
    """Encode a plain document as canonical JSON: sorted keys, no blanks, UTF-8."""
    text = json.dumps(
        document, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    )
    return text.encode()


def plain(value: Any) -> Any:
    """Plain form of a value: dataclasses as dicts, arrays and tuples as lists."""
    if is_dataclass(value) and not isinstance(value, type):
        return {
            field.name: _field(field.name, getattr(value, field.name)) for field in fields(value)
        }
    if isinstance(value, np.ndarray):
        largest = float(np.max(np.abs(value), initial=0.0, where=np.isfinite(value)))
        return plain(np.where(np.abs(value) < _NOTHING * largest, 0.0, value).tolist())
    if isinstance(value, list | tuple):
        return [plain(one) for one in value]
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, float | np.floating):
        return _rounded(float(value))
    return value


def _field(name: str, value: Any) -> Any:
    """Plain form of a field; a length or a share has nine decimals at most."""
    if isinstance(value, float) and name.endswith(("_m", "_percent", "_share")):
        return _rounded(round(value, _DIGITS)) if math.isfinite(value) else None
    return plain(value)


def _rounded(value: float) -> float | None:
    if not math.isfinite(value):
        return None
    return float(f"{value:.{_DIGITS}g}") + 0.0  # + 0.0 turns −0 into 0


def record(kind: type[Record], document: Mapping[str, Any]) -> Record:
    """Read a dataclass of scalars and lists; lists become tuples."""
    return kind(
        **{key: tuple(one) if isinstance(one, list) else one for key, one in document.items()}
    )


def settings(kind: type[Record], document: Mapping[str, Any]) -> Record:
    """Read settings that another version of the method may have written.

    A setting that this version does not know stays in the document and is passed over; one that
    the document lacks has its default. So a result kept for years can always be opened.
    """
    known = {field.name for field in fields(kind)}  # type: ignore[arg-type]
    return record(kind, {key: one for key, one in document.items() if key in known})


def number(value: float | None) -> float:
    """Read a number; what is not known is not a number."""
    return math.nan if value is None else float(value)


def array(values: Iterable[float | None]) -> Floats:
    """Read numbers as an array (N,) of float64."""
    return np.array([number(one) for one in values], dtype=np.float64)
