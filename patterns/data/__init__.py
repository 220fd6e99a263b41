"""Rules of the trade as data, each with its source, and the one way to read them."""

from __future__ import annotations

import json
from importlib.resources import files
from typing import Any


def load(name: str) -> Any:
    """Return the content of ``patterns/data/NAME.json``.

    Parameters
    ----------
    name : str
        File name without its ending, such as ``"test_wind"``.

    Returns
    -------
    Any
        The parsed document.
    """
    return json.loads(files(__package__).joinpath(f"{name}.json").read_text(encoding="utf-8"))
