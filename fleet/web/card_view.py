"""One card for the viewer: its stains on the picture shown, and why some do not count."""

from __future__ import annotations

import io
import json
from typing import Any, Final

import numpy as np
from PIL import Image

from fleet import storage
from fleet.models import CardRun
from patterns.cards.document import from_document
from patterns.cards.measure import CardResult, FoundStains
from patterns.cards.stains import Flag

CUT_BY_EDGE: Final = "cut_by_edge"
WHY: Final = {
    "": "",
    "split": "touched others and was parted from them",
    "merged": "looks like several in one, counted as one",
    CUT_BY_EDGE: "left out: cut by the edge of the card",
    "too_small": "left out: too small for this resolution",
    "odd_shape": "left out: no drop makes this shape",
    "clip": "left out: stands in from the edge of the card",
}


def result_of(entry: dict[str, Any]) -> CardResult:
    """Return the whole result of a card, read from the kept document."""
    return from_document(json.loads(storage.fetch(entry["result"])))


def stains_of(run: CardRun, entry: dict[str, Any]) -> dict[str, Any]:
    """Return the stains as columns, in pixels of the picture shown, 0 at its upper left corner.

    `counted` says which speak for the card; `why` is the place of the reason in `reasons`.
    """
    found = result_of(entry).found
    width, height = picture_size(entry["picture"])
    scale = width / entry["image_px"][0]
    return {
        "run": run.number,
        "number": entry["number"],
        "size_px": [width, height],
        "um_per_px": 25_400.0 / run.content["dpi"] / scale,
        "reasons": list(WHY.values()),
        "x": _column((found.x_px + 0.5) * scale),
        "y": _column((found.y_px + 0.5) * scale),
        "length": _column(found.length_px * scale),
        "breadth": _column(found.breadth_px * scale),
        "angle": _column(found.angle_deg),
        "stain_um": _column(found.stain_um, 0),
        "drop_um": _column(found.drop_um, 0),
        "counted": [int(one) for one in found.weight > 0.0],
        "why": _why(found),
    }


def picture_size(digest: str) -> tuple[int, int]:
    """Width and height of a kept picture. [px]"""
    with Image.open(io.BytesIO(storage.fetch(digest))) as picture:
        return picture.size


def _column(values: Any, digits: int = 1) -> list[float | None]:
    rounded = np.round(values, digits).tolist()
    return [None if value != value else value for value in rounded]


def _why(found: FoundStains) -> list[int]:
    places = {name: place for place, name in enumerate(WHY)}
    of_flag = np.array([places.get(flag.name.lower(), 0) for flag in Flag])
    cut = (found.weight <= 0.0) & (found.flag <= Flag.MERGED)
    why: list[int] = np.where(cut, places[CUT_BY_EDGE], of_flag[found.flag]).tolist()
    return why
