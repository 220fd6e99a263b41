"""An analysis as a document of plain values, and as bytes that are the same for the same inputs.

Lengths are in metres, shares from 0 to 1, percentages from 0 to 100, deposits in instrument
counts. How numbers are written is told in `patterns.plain`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np

from patterns.analyse import Analysis, Parameters, PassOutcome, Recommended
from patterns.average import JudgeParameters, MeanPattern
from patterns.errors import InputError
from patterns.overlap import MANNERS, Manner
from patterns.parameters import PassParameters
from patterns.plain import array, canonical_bytes, number, plain, record, settings
from patterns.remarks import Remark
from patterns.swath import SwathChoice
from patterns.uniformity import ManneredCurve, Uniformity
from patterns.zones import Zone, ZoneParameters

Document = dict[str, Any]

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
        "parameters": plain(analysis.parameters),
        "passes": [_pass_document(one) for one in analysis.passes],
        "pattern": plain(analysis.pattern),
        "uniformity": _uniformity_document(analysis.uniformity),
        "recommended": plain(analysis.recommended),
        "findings": [plain(one) for one in analysis.findings],
    }


def to_bytes(analysis: Analysis) -> bytes:
    """Encode the document as canonical JSON: sorted keys, no blanks, UTF-8."""
    return canonical_bytes(to_document(analysis))


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
                    manner: record(SwathChoice, document["recommended"][manner])
                    for manner in MANNERS
                }
            ),
            findings=tuple(record(Zone, one) for one in document["findings"]),
        )
    except (KeyError, TypeError, AttributeError, ValueError) as error:
        raise InputError(
            "document",
            f"it is not the document of an analysis ({error})",
            "give what to_document returned",
        ) from error


def _pass_document(one: PassOutcome) -> Document:
    document = plain(one)
    document["file"] = document.pop("source")
    document["reasons"] = [remark.text for remark in one.remarks if remark.weight != "note"]
    return dict(document)


def _uniformity_document(uniformity: Uniformity) -> Document:
    document: Document = {
        "swath_m": plain(uniformity.swath_m),
        "confidence": plain(uniformity.confidence),
        "band_percent": plain(uniformity.band_percent),
    }
    for manner in MANNERS:
        curve = getattr(uniformity, manner)
        for name, attribute in _CURVES.items():
            values = getattr(curve, attribute)
            document[f"{manner}_{name}"] = plain(np.where(values < _NO_CV_PERCENT, 0.0, values))
    return document


def _parameters(document: Mapping[str, Any]) -> Parameters:
    steps = {
        "one_pass": settings(PassParameters, document["one_pass"]),
        "judge": settings(JudgeParameters, document["judge"]),
        "zones": settings(ZoneParameters, document["zones"]),
    }
    return settings(Parameters, {**document, **steps})


def _outcome(document: Mapping[str, Any]) -> PassOutcome:
    from_m, to_m = document["extent_m"]
    return PassOutcome(
        source=document["file"],
        digest=document["digest"],
        accepted=document["accepted"],
        remarks=tuple(record(Remark, one) for one in document["remarks"]),
        centre_m=number(document["centre_m"]),
        total=number(document["total"]),
        left_share=number(document["left_share"]),
        extent_m=(number(from_m), number(to_m)),
        noise=number(document["noise"]),
        smoothing_m=number(document["smoothing_m"]),
        deposit=array(document["deposit"]),
    )


def _pattern(document: Mapping[str, Any]) -> MeanPattern:
    return MeanPattern(
        position_m=array(document["position_m"]),
        passes=np.vstack([array(row) for row in document["passes"]]),
        deposit=array(document["deposit"]),
        spread=array(document["spread"]),
        repeatability_percent=number(document["repeatability_percent"]),
        centring=document["centring"],
        centre_m=number(document["centre_m"]),
        left_share=number(document["left_share"]),
    )


def _uniformity(document: Mapping[str, Any]) -> Uniformity:
    low, high = document["band_percent"]
    return Uniformity(
        swath_m=array(document["swath_m"]),
        one_way=_curve(document, "one_way"),
        back_and_forth=_curve(document, "back_and_forth"),
        confidence=document["confidence"],
        band_percent=(low, high),
    )


def _curve(document: Mapping[str, Any], manner: Manner) -> ManneredCurve:
    arrays = {attribute: array(document[f"{manner}_{name}"]) for name, attribute in _CURVES.items()}
    return ManneredCurve(manner=manner, **arrays)
