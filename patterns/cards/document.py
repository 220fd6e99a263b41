"""The result of a card as a document of plain values, and as bytes that are always the same.

Diameters are in micrometres, areas in square centimetres, deposits in litres per hectare, shares in
percent. How numbers are written is told in `patterns.plain`; stains are columns, one entry a stain.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields
from typing import Any, Final, TypeVar

import numpy as np

from patterns.cards.classes import ClassBoundary, ClassTable, SizeClass
from patterns.cards.drops import SpreadFactor
from patterns.cards.measure import CardResult, FoundStains, Parameters, StainSizes
from patterns.cards.separate import SeparateParameters
from patterns.cards.spectrum import Below, Distribution, Figure, Spectrum, SpectrumParameters
from patterns.cards.stains import StainParameters
from patterns.errors import InputError
from patterns.plain import array, canonical_bytes, number, plain, record, settings
from patterns.remarks import Remark

__all__ = ["from_document", "read_spectrum", "to_bytes", "to_document"]

Document = dict[str, Any]
Kind = TypeVar("Kind")

# Decimals of the stains' columns: a hundredth of a pixel, of a micrometre, of a degree, and a
# thousandth of a stain. Nine digits would only make the document larger.
_DECIMALS: Final = {"weight": 3}
_USUAL_DECIMALS: Final = 2


def to_document(result: CardResult) -> Document:
    """Turn the result of a card into plain dicts, lists, strings, numbers, booleans and None.

    Returns
    -------
    dict
        The fields of `CardResult`, ``source`` as ``file``; `from_document` reads it back, and the
        document of what it reads is the same document.
    """
    document = {
        one.name: plain(getattr(result, one.name)) for one in fields(result) if one.name != "found"
    }
    document["file"] = document.pop("source")
    document["found"] = {
        one.name: _column(one.name, getattr(result.found, one.name)) for one in fields(result.found)
    }
    return document


def to_bytes(result: CardResult) -> bytes:
    """Encode the document as canonical JSON: sorted keys, no blanks, UTF-8."""
    return canonical_bytes(to_document(result))


def from_document(document: Mapping[str, Any]) -> CardResult:
    """Read the result of a card back from its document.

    Raises
    ------
    InputError
        Where the document is not one of `to_document`.
    """
    try:
        values = {**document, "source": document["file"]}
        del values["file"]
        values |= {
            "parameters": _parameters(document["parameters"]),
            "valid_px": tuple(document["valid_px"]),
            "stain_um": _optional(StainSizes, document["stain_um"]),
            "drops": None if document["drops"] is None else read_spectrum(document["drops"]),
            "size_class": _optional(SizeClass, document["size_class"]),
            "found": _found(document["found"]),
            "remarks": tuple(record(Remark, one) for one in document["remarks"]),
        }
        for name in ("stains_per_cm2", "coverage_percent", "deposit_l_per_ha"):
            values[name] = _figure(document[name])
        return CardResult(**values)
    except (KeyError, TypeError, AttributeError, ValueError) as error:
        raise InputError(
            "document",
            f"it is not the document of a card ({error})",
            "give what to_document returned",
        ) from error


def _column(name: str, values: Any) -> list[Any]:
    if values.dtype.kind != "f":
        return list(values.tolist())
    rounded = np.round(values, _DECIMALS.get(name, _USUAL_DECIMALS)) + 0.0
    return [None if math.isnan(one) else one for one in rounded.tolist()]


def _optional(kind: type[Kind], document: Mapping[str, Any] | None) -> Kind | None:
    return None if document is None else record(kind, document)


def _parameters(document: Mapping[str, Any]) -> Parameters:
    table = document["table"]
    boundaries = tuple(settings(ClassBoundary, one) for one in table["classes"])
    steps = {
        "separate": settings(SeparateParameters, document["separate"]),
        "stains": settings(StainParameters, document["stains"]),
        "spectrum": settings(SpectrumParameters, document["spectrum"]),
        "spread": settings(SpreadFactor, document["spread"]),
        "table": settings(ClassTable, {**table, "classes": boundaries}),
    }
    return settings(Parameters, {**document, **steps})


def _figure(document: Mapping[str, Any]) -> Figure:
    return Figure(*(number(document[end]) for end in ("value", "low", "high")))


def read_spectrum(document: Mapping[str, Any]) -> Spectrum:
    """Read a spectrum back from its plain form."""
    values = dict(document)
    for name, one in document.items():
        if isinstance(one, dict) and set(one) == {"value", "low", "high"}:
            values[name] = _figure(one)
    values["volume_below"] = tuple(
        Below(one["cut_off_um"], _figure(one["percent"])) for one in document["volume_below"]
    )
    shares = document["distribution"]
    values["distribution"] = Distribution(**{name: array(one) for name, one in shares.items()})
    values["remarks"] = tuple(record(Remark, one) for one in document["remarks"])
    return Spectrum(**values)


def _found(document: Mapping[str, Any]) -> FoundStains:
    columns: dict[str, Any] = {
        name: array(one) for name, one in document.items() if name not in ("flag", "touches_edge")
    }
    columns["flag"] = np.array(document["flag"], dtype=np.uint8)
    columns["touches_edge"] = np.array(document["touches_edge"], dtype=np.bool_)
    return FoundStains(**columns)
