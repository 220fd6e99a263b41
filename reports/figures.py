"""Charts of `patterns.draw` as images for print: inline, in the paper's own type, with words."""

from __future__ import annotations

import base64
import re
from dataclasses import dataclass
from typing import Final
from xml.etree import ElementTree

from fleet.models import AircraftKind, SetUp
from patterns.analyse import Analysis
from patterns.draw import (
    NozzlePlace,
    Size,
    System,
    boom_sketch,
    cv_chart,
    field_chart,
    passes_chart,
)
from patterns.draw.palette import FONT
from patterns.overlap import Manner

PAPER_FONT: Final = "DejaVu Sans Condensed, DejaVu Sans, sans-serif"
# A column of 184 mm shows this width [px]; the text comes out at 7.8 pt.
_COLUMN_PX: Final = 800.0
_HALF_PX: Final = 0.486 * _COLUMN_PX
_BOOM: Final = Size(400.0, 0.0, 12.0)
_SVG: Final = "{http://www.w3.org/2000/svg}"
_WORDS: Final = ("title", "desc")
_SPAN_NAMES: Final = {
    AircraftKind.FIXED_WING: "wingspan",
    AircraftKind.HELICOPTER: "rotor diameter",
    AircraftKind.UNCREWED: "span",
}


@dataclass(frozen=True, slots=True)
class Figure:
    """An image for print: a data: address, and what it shows in words."""

    source: str
    words: str


def figure(drawing: str) -> Figure:
    """Turn a drawing into an image; its words are the drawing's own title and description."""
    root = ElementTree.fromstring(drawing)  # noqa: S314 -- made by patterns.draw
    words = " ".join(root.findtext(f"{_SVG}{part}", "").rstrip(".") + "." for part in _WORDS)
    printed = drawing.replace(f'"{FONT}"', f'"{PAPER_FONT}"')
    coded = base64.b64encode(printed.encode()).decode()
    return Figure(f"data:image/svg+xml;base64,{coded}", re.sub(r"\s+", " ", words))


def column(plot_px: float) -> Size:
    """Return the size of a chart as wide as the paper's text, with its plot this high [px]."""
    return Size(_COLUMN_PX, plot_px, 12.0)


def half_column(plot_px: float) -> Size:
    """Return the size of a chart that stands beside another one."""
    return Size(_HALF_PX, 0.9 * plot_px, 12.0)


def passes_figure(result: Analysis, system: System, size: Size) -> Figure:
    """Draw the passes and their mean."""
    return figure(passes_chart(result, system=system, size=size, notes=False))


def evenness_figure(
    result: Analysis, system: System, approved_m: float | None, size: Size
) -> Figure:
    """Draw the CV against swath, with the approved swath marked where there is one."""
    return figure(
        cv_chart(
            result,
            system=system,
            chosen_swath_m=approved_m,
            chosen_word="approved",
            size=size,
        )
    )


def field_figure(
    result: Analysis, system: System, swath_m: float, manner: Manner, size: Size
) -> Figure:
    """Draw the overlapped field at one swath."""
    return figure(
        field_chart(result, system=system, swath_m=swath_m, manner=manner, size=size, notes=False)
    )


def boom_figure(setup: SetUp, system: System) -> Figure:
    """Draw the boom with its nozzles."""
    return figure(
        boom_sketch(
            [NozzlePlace(nozzle["place_m"]) for nozzle in setup.nozzles],
            boom_width_m=setup.boom_width_m,
            span_m=setup.aircraft.span_m,
            system=system,
            span_name=_SPAN_NAMES[AircraftKind(setup.aircraft.kind)],  # type: ignore[arg-type]
            size=_BOOM,
        )
    )
