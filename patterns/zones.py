"""Findings: low and high zones of the pattern that stand in every accepted pass."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from patterns.average import MeanPattern

Kind = Literal["low", "high"]


@dataclass(frozen=True, slots=True)
class ZoneParameters:
    """When a departure from the smooth shape counts as a zone."""

    depth_percent: float = 10.0
    pass_depth_percent: float = 5.0
    min_width_m: float = 0.5
    reference_share: float = 0.5
    core_share: float = 0.3
    least_confidence: float = 0.90


@dataclass(frozen=True, slots=True)
class Zone:
    """One low or high zone; `depth_percent` is negative for low, positive for high."""

    kind: Kind
    from_m: float
    to_m: float
    centre_m: float
    width_m: float
    depth_percent: float
    confidence: float | None
    in_every_pass: bool


def find_zones(pattern: MeanPattern, parameters: ZoneParameters | None = None) -> tuple[Zone, ...]:
    """Find the zones that stand in every pass, from left to right."""
    raise NotImplementedError
