"""What a version of a rule says, in words and in the reader's units."""

from __future__ import annotations

from collections.abc import Iterator

from fleet import measures
from fleet.judging.words import change_words, rhythm_words
from fleet.models import AircraftKind, RequirementVersion, Role


def says(version: RequirementVersion, system: str) -> list[tuple[str, str]]:
    """Return what a version says as pairs of a name and the words for it."""
    return [pair for pair in _pairs(version, system) if pair[1]]


def _pairs(version: RequirementVersion, system: str) -> Iterator[tuple[str, str]]:
    kinds = [str(AircraftKind(kind).label) for kind in version.kinds]
    yield "When", rhythm_words(version)
    yield "For", ", ".join(kinds) or "Aircraft of every kind"
    yield "What is tested", version.get_covers_display()
    yield "What proves it", _proof(version)
    yield "Limits", "; ".join(_limits(version, system)) or "None"
    yield "Who signs", ", ".join(str(Role(role).label) for role in version.signers) or "Anybody"
    changes = [change_words(key, value, system) for key, value in version.retest.items()]
    yield "New test after a change of", "; ".join(changes) or "Nothing: no change asks for one"
    yield "Due soon", f"{_counted(version.due_soon_days, 'day')} before"
    yield "Papers", "; ".join(version.papers)
    if version.filing_deadline is not None:
        unit = version.filing_deadline_unit.removesuffix("s")
        yield "To be filed", f"Within {_counted(version.filing_deadline, unit)}"
    if version.retention_years is not None:
        yield "To be kept", _counted(version.retention_years, "year")


def _proof(version: RequirementVersion) -> str:
    passes = version.minimum_passes
    if passes == 0:
        return f"{version.get_evidence_display()}; no number of passes is asked for"
    plural = "pass" if passes == 1 else "passes"
    return f"{version.get_evidence_display()}; at least {passes} accepted {plural}"


def _limits(version: RequirementVersion, system: str) -> Iterator[str]:
    limits = version.limits
    if "cv_percent" in limits:
        yield f"CV at most {limits['cv_percent']:g} %"
    if "wind_speed_m_s" in limits:
        yield f"wind at most {measures.show(limits['wind_speed_m_s'], 'wind', system)}"
    if "wind_angle_deg" in limits:
        yield f"wind within {limits['wind_angle_deg']:g}° of the line"


def _counted(count: int, unit: str) -> str:
    return f"{count} {unit}" if count == 1 else f"{count} {unit}s"
