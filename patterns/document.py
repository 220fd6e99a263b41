"""An analysis as a document of plain values, and as bytes that are the same for the same inputs.

Lengths are in metres, shares from 0 to 1, percentages from 0 to 100, deposits in instrument
counts. Numbers carry nine significant digits, which is far below any error of measurement and
above the rounding of the arithmetic; what the rounding leaves of an exact zero is written as zero;
what is not known is null.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import fields, is_dataclass
from typing import Any, Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from patterns.analyse import Analysis, Parameters, PassOutcome, Recommended
from patterns.average import JudgeParameters, MeanPattern
from patterns.errors import InputError
from patterns.overlap import MANNERS, Manner
from patterns.parameters import PassParameters
from patterns.remarks import Remark
from patterns.swath import SwathChoice
from patterns.uniformity import ManneredCurve, Uniformity
from patterns.zones import Zone, ZoneParameters

Floats = NDArray[np.float64]
Document = dict[str, Any]
Record = TypeVar("Record")

_DIGITS: Final = 9
_NOTHING: Final = 1e-12  # share of the largest value of an array below which a value is rounding
_NO_CV_PERCENT: Final = 1e-4  # a square root: rounding of 1e-14 in its square shows as 1e-5 %

# Name of a curve in the document, after the manner, and in the code.
_CURVES: Final = {
    "cv_percent": "cv_percent",
    "cv_low_percent": "low_percent",
    "cv_high_percent": "high_percent",
    "below_percent": "below_percent",
    "above_percent": "above_percent",
    "lowest_percent": "lowest_percent",
    "highest_percent": "highest_percent",
}


def to_document(analysis: Analysis) -> Document:
    """Turn an analysis into plain dicts, lists, strings, numbers, booleans and None.

    Returns
    -------
    dict
        Keys ``method_version``, ``parameters``, ``passes``, ``pattern``, ``uniformity``,
        ``recommended``, ``findings``; `from_document` reads it back, and the document of what it
        reads is the same document.
    """
    return {
        "method_version": analysis.method_version,
        "parameters": _plain(analysis.parameters),
        "passes": [_pass_document(one) for one in analysis.passes],
        "pattern": _plain(analysis.pattern),
        "uniformity": _uniformity_document(analysis.uniformity),
        "recommended": _plain(analysis.recommended),
        "findings": [_plain(one) for one in analysis.findings],
    }


def to_bytes(analysis: Analysis) -> bytes:
    """Encode the document as canonical JSON: sorted keys, no blanks, UTF-8."""
    text = json.dumps(
        to_document(analysis),
        sort_keys=True,
        separators=(",", ":"),
        ensure_ascii=False,
        allow_nan=False,
    )
    return text.encode()


def from_document(document: Mapping[str, Any]) -> Analysis:
    """Read an analysis back from its document.

    Raises
    ------
    InputError
        Where the document is not one of `to_document`.
    """
    try:
        return Analysis(
            method_version=str(document["method_version"]),
            parameters=_parameters(document["parameters"]),
            passes=tuple(_outcome(one) for one in document["passes"]),
            pattern=_pattern(document["pattern"]),
            uniformity=_uniformity(document["uniformity"]),
            recommended=Recommended(
                **{
                    manner: _record(SwathChoice, document["recommended"][manner])
                    for manner in MANNERS
                }
            ),
            findings=tuple(_record(Zone, one) for one in document["findings"]),
        )
    except (KeyError, TypeError, AttributeError, ValueError) as error:
        raise InputError(
            "document",
            f"it is not the document of an analysis ({error})",
            "give what to_document returned",
        ) from error


def _plain(value: Any) -> Any:
    """Plain form of a value: dataclasses as dicts, arrays and tuples as lists."""
    if is_dataclass(value) and not isinstance(value, type):
        return {
            field.name: _field(field.name, getattr(value, field.name)) for field in fields(value)
        }
    if isinstance(value, np.ndarray):
        largest = float(np.max(np.abs(value), initial=0.0, where=np.isfinite(value)))
        return _plain(np.where(np.abs(value) < _NOTHING * largest, 0.0, value).tolist())
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, float | np.floating):
        return _rounded(float(value))
    return value


def _field(name: str, value: Any) -> Any:
    """Plain form of a field; a length or a share has nine decimals at most."""
    if isinstance(value, float) and name.endswith(("_m", "_percent", "_share")):
        return _rounded(round(value, _DIGITS)) if math.isfinite(value) else None
    return _plain(value)


def _rounded(value: float) -> float | None:
    if not math.isfinite(value):
        return None
    return float(f"{value:.{_DIGITS}g}") + 0.0  # + 0.0 turns −0 into 0


def _pass_document(one: PassOutcome) -> Document:
    document = _plain(one)
    document["file"] = document.pop("source")
    document["reasons"] = [remark.text for remark in one.remarks if remark.weight != "note"]
    return dict(document)


def _uniformity_document(uniformity: Uniformity) -> Document:
    document: Document = {
        "swath_m": _plain(uniformity.swath_m),
        "confidence": _plain(uniformity.confidence),
        "band_percent": _plain(uniformity.band_percent),
    }
    for manner in MANNERS:
        curve = getattr(uniformity, manner)
        for name, attribute in _CURVES.items():
            values = getattr(curve, attribute)
            document[f"{manner}_{name}"] = _plain(np.where(values < _NO_CV_PERCENT, 0.0, values))
    return document


def _record(kind: type[Record], document: Mapping[str, Any]) -> Record:
    """Read a dataclass of scalars and lists; lists become tuples."""
    return kind(
        **{key: tuple(one) if isinstance(one, list) else one for key, one in document.items()}
    )


def _parameters(document: Mapping[str, Any]) -> Parameters:
    steps = {
        "one_pass": _settings(PassParameters, document["one_pass"]),
        "judge": _settings(JudgeParameters, document["judge"]),
        "zones": _settings(ZoneParameters, document["zones"]),
    }
    return _settings(Parameters, {**document, **steps})


def _settings(kind: type[Record], document: Mapping[str, Any]) -> Record:
    """Read settings that another version of the method may have written.

    A setting that this version does not know stays in the document and is passed over; one that
    the document lacks has its default. So a result kept for years can always be opened.
    """
    known = {field.name for field in fields(kind)}  # type: ignore[arg-type]
    return _record(kind, {key: one for key, one in document.items() if key in known})


def _number(value: float | None) -> float:
    return math.nan if value is None else float(value)


def _array(values: Iterable[float | None]) -> Floats:
    return np.array([_number(one) for one in values], dtype=np.float64)


def _outcome(document: Mapping[str, Any]) -> PassOutcome:
    from_m, to_m = document["extent_m"]
    return PassOutcome(
        source=document["file"],
        digest=document["digest"],
        accepted=document["accepted"],
        remarks=tuple(_record(Remark, one) for one in document["remarks"]),
        centre_m=_number(document["centre_m"]),
        total=_number(document["total"]),
        left_share=_number(document["left_share"]),
        extent_m=(_number(from_m), _number(to_m)),
        noise=_number(document["noise"]),
        smoothing_m=_number(document["smoothing_m"]),
        deposit=_array(document["deposit"]),
    )


def _pattern(document: Mapping[str, Any]) -> MeanPattern:
    return MeanPattern(
        position_m=_array(document["position_m"]),
        passes=np.vstack([_array(row) for row in document["passes"]]),
        deposit=_array(document["deposit"]),
        spread=_array(document["spread"]),
        repeatability_percent=_number(document["repeatability_percent"]),
        centring=document["centring"],
        centre_m=_number(document["centre_m"]),
        left_share=_number(document["left_share"]),
    )


def _uniformity(document: Mapping[str, Any]) -> Uniformity:
    low, high = document["band_percent"]
    return Uniformity(
        swath_m=_array(document["swath_m"]),
        one_way=_curve(document, "one_way"),
        back_and_forth=_curve(document, "back_and_forth"),
        confidence=document["confidence"],
        band_percent=(low, high),
    )


def _curve(document: Mapping[str, Any], manner: Manner) -> ManneredCurve:
    arrays = {
        attribute: _array(document[f"{manner}_{name}"]) for name, attribute in _CURVES.items()
    }
    return ManneredCurve(manner=manner, **arrays)
