"""What the cards of a test say together: across the swath, by size class, and how far they agree.

A document of plain values holds it, so that it can be kept and read back without the stains.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any, Final

import numpy as np

from patterns.cards.across import AcrossSwath, across_swath
from patterns.cards.classes import SizeClass, size_class
from patterns.cards.document import read_spectrum
from patterns.cards.drops import SpreadFactor
from patterns.cards.measure import CardResult, Parameters
from patterns.cards.spectrum import Spectrum
from patterns.errors import InputError
from patterns.plain import array, canonical_bytes, number, plain, record, settings
from patterns.remarks import Remark

__all__ = ["TOGETHER_VERSION", "Together", "Way", "from_together", "tell_together", "to_together"]

TOGETHER_VERSION: Final = "together-1"
"""Changes when the same cards at the same places give other figures or words."""


@dataclass(frozen=True, slots=True)
class Way:
    """One of the ways in which the cards were measured."""

    method_version: str
    spread: SpreadFactor


@dataclass(frozen=True, slots=True, eq=False)
class Together:
    """What the cards of a test say together.

    Attributes
    ----------
    across : cards against position, and the spectrum of the whole test.
    size_class : of the whole spectrum by the table of the cards; None without a drop, or where the
        cards were classed by different tables.
    ways : in which they were measured, each once.
    remarks : what makes the figures of all of them together weak.
    """

    across: AcrossSwath
    size_class: SizeClass | None
    ways: tuple[Way, ...]
    remarks: tuple[Remark, ...]


def tell_together(cards: Sequence[tuple[CardResult, float]]) -> Together:
    """Say what cards say together.

    Parameters
    ----------
    cards : one or more results, each with its position from the flight line [m], left wing
        negative.

    Raises
    ------
    InputError
        As `across_swath` does.
    """
    across = across_swath([result.placed(position_m) for result, position_m in cards])
    results = [result for result, _ in cards]
    whole = across.whole
    return Together(
        across,
        _class_of_all(whole, [one.parameters for one in results]),
        tuple(dict.fromkeys(Way(one.method_version, one.parameters.spread) for one in results)),
        (*_mixed(results), *across.remarks, *(whole.remarks if whole else ())),
    )


def _class_of_all(whole: Spectrum | None, parameters: Sequence[Parameters]) -> SizeClass | None:
    table, use = parameters[0].table, parameters[0].use
    if whole is None or any((one.table, one.use) != (table, use) for one in parameters):
        return None
    return size_class(whole, table, use=use)


def _mixed(results: Sequence[CardResult]) -> Iterator[Remark]:
    """Say where cards were measured in different ways."""
    differing = {
        "method versions": {one.method_version for one in results},
        "spread factors": {one.parameters.spread.name for one in results},
        "class tables": {one.parameters.table.name for one in results},
    }
    for what, names in differing.items():
        if len(names) > 1:
            text = (
                f"The cards were measured with different {what} ({'; '.join(sorted(names))}): "
                "measure them again with one, so that they can be told together."
            )
            yield Remark(f"mixed_{what.replace(' ', '_')}", text, "warning")


# --- Kept and read back ---------------------------------------------------------------------------


def to_together(found: Together) -> bytes:
    """Encode as canonical JSON; `from_together` reads it back."""
    return canonical_bytes(plain(found))


def from_together(document: Mapping[str, Any]) -> Together:
    """Read back what `to_together` wrote; written again it is the same, byte for byte.

    Raises
    ------
    InputError
        Where the document is not one of `to_together`.
    """
    try:
        ways = [
            Way(one["method_version"], settings(SpreadFactor, one["spread"]))
            for one in document["ways"]
        ]
        found = document["size_class"]
        return Together(
            _across(document["across"]),
            None if found is None else record(SizeClass, found),
            tuple(ways),
            _remarks(document["remarks"]),
        )
    except (KeyError, TypeError, AttributeError, ValueError) as error:
        raise InputError(
            "document",
            f"it does not say what cards say together ({error})",
            "give what to_together returned",
        ) from error


_SINGLE: Final = ("mean_deposit_l_per_ha", "mean_coverage_percent", "centre_m")


def _across(document: Mapping[str, Any]) -> AcrossSwath:
    whole = document["whole"]
    values: dict[str, Any] = {name: number(document[name]) for name in _SINGLE}
    values |= {
        "cards": np.array(document["cards"], dtype=np.intp),
        "whole": None if whole is None else read_spectrum(whole),
        "remarks": _remarks(document["remarks"]),
    }
    columns = [one.name for one in fields(AcrossSwath) if one.name not in values]
    values |= {name: array(document[name]) for name in columns}
    return AcrossSwath(**values)


def _remarks(found: Sequence[Mapping[str, Any]]) -> tuple[Remark, ...]:
    return tuple(record(Remark, one) for one in found)
