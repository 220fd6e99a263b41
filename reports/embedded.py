"""Files inside a paper."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class EmbeddedFile:
    """A file that goes with the paper, inside the PDF: the data it was made from."""

    name: str
    description: str
    data: bytes
