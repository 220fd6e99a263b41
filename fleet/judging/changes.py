"""What changed between the revision of a set-up that was tested and the one in force."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
from scipy.optimize import linear_sum_assignment

from fleet.judging.facts import Revision

Nozzles = Sequence[Mapping[str, Any]]
NOZZLE_KEYS = frozenset({"nozzle_type", "nozzle_count", "nozzle_place_m", "deflection_deg"})
# key: the field of a revision, and whether the tolerance is a percentage of what was tested
FIELDS: Mapping[str, tuple[str, bool]] = {
    "boom_width_m": ("boom_width_m", False),
    "pressure_percent": ("pressure_kpa", True),
    "airspeed_percent": ("airspeed_m_s", True),
    "release_height_m": ("release_height_m", False),
}
# Numbers typed in feet and kept in metres do not come back to the last digit.
_ROUNDING = 1e-6


class Change(NamedTuple):
    """One thing that differs. `asks` is whether the rule asks for a new test because of it.

    `before` and `after` are values in SI, counts, or words; `by` is the difference that was held
    against the tolerance (metres, degrees, per cent), where there is one.
    """

    key: str
    before: Any
    after: Any
    by: float | None
    tolerance: float | None
    asks: bool


def changes_between(
    tested: Revision, now: Revision, retest: Mapping[str, Any]
) -> tuple[Change, ...]:
    """Return what differs among the things that a rule looks at, in the order of its keys.

    `retest` is that of a version: keys as in `RequirementVersion.RETEST_KEYS`.
    """
    found = [_numbers(key, tested, now, retest[key]) for key in FIELDS if key in retest]
    if NOZZLE_KEYS & set(retest):
        found += _nozzles(tested.nozzles or [], now.nozzles or [], retest)
    order = list(retest)
    return tuple(sorted((one for one in found if one), key=lambda one: order.index(one.key)))


def _numbers(key: str, tested: Revision, now: Revision, tolerance: float) -> Change | None:
    name, relative = FIELDS[key]
    before, after = float(getattr(tested, name)), float(getattr(now, name))
    by = abs(after - before) * (100.0 / before if relative else 1.0)
    return _beyond(key, before, after, by, tolerance)


def _beyond(key: str, before: Any, after: Any, by: float, tolerance: float) -> Change | None:
    if by <= _ROUNDING:
        return None
    return Change(key, before, after, by, tolerance, by > tolerance + _ROUNDING)


def _nozzles(tested: Nozzles, now: Nozzles, retest: Mapping[str, Any]) -> list[Change | None]:
    found: list[Change | None] = []
    if tested == now:
        return found
    if retest.get("nozzle_count") and len(tested) != len(now):
        found.append(Change("nozzle_count", len(tested), len(now), None, None, True))
    pairs = _paired(tested, now)
    if retest.get("nozzle_type"):
        found.append(_types(tested, now, pairs))
    for key, name in (("nozzle_place_m", "place_m"), ("deflection_deg", "deflection_deg")):
        if key in retest and pairs:
            most = max(pairs, key=lambda pair: abs(pair[1][name] - pair[0][name]))
            before, after = float(most[0][name]), float(most[1][name])
            found.append(_beyond(key, before, after, abs(after - before), retest[key]))
    return found


def _paired(tested: Nozzles, now: Nozzles) -> list[tuple[Mapping[str, Any], Mapping[str, Any]]]:
    """Pair nozzles so that they are moved as little as can be; what is left was added or taken."""
    if not tested or not now:
        return []
    if [one["place_m"] for one in tested] == [one["place_m"] for one in now]:
        return list(zip(tested, now, strict=True))
    places = [np.array([float(one["place_m"]) for one in row]) for row in (tested, now)]
    rows, columns = linear_sum_assignment(np.abs(places[0][:, None] - places[1][None, :]))
    return [(tested[int(i)], now[int(j)]) for i, j in zip(rows, columns, strict=True)]


def _types(tested: Nozzles, now: Nozzles, pairs: Sequence[Any]) -> Change | None:
    """Another type or size, of a nozzle that stayed or of one that was added."""
    swapped = [(_words(a), _words(b)) for a, b in pairs if _key(a) != _key(b)]
    if swapped:
        (before, after), _ = Counter(swapped).most_common(1)[0]
        return Change("nozzle_type", before, after, None, None, True)
    known = {_key(one) for one in tested}
    new = [one for one in now if _key(one) not in known]
    if not new or not tested:
        return None
    return Change("nozzle_type", _words(tested[0]), _words(new[0]), None, None, True)


def _key(nozzle: Mapping[str, Any]) -> str:
    return _words(nozzle).casefold()


def _words(nozzle: Mapping[str, Any]) -> str:
    return " ".join(f"{nozzle.get('type', '')} {nozzle.get('size', '')}".split())
