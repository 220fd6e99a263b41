"""Since the test before: what changed between two tests of an aircraft for one purpose.

Both sides are read from what is stored; the curves are looked up, not worked out anew.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

from django.db.models import Q

from fleet.judging.changes import Change, changes_between
from fleet.judging.facts import Revision
from fleet.judging.words import difference_words
from fleet.measures import NOTHING, show
from fleet.models import AnalysisRun, Approval, Manner, SetUp
from fleet.queries.evidence import at_swath
from patterns.draw import System
from patterns.draw.passes import finding_words
from patterns.overlap import MANNERS
from patterns.zones import Zone
from reports.answer import day, ended_word
from reports.evidence import Fact

# Every difference is told here; no rule is asked whether it matters.
EVERYTHING: Final = {
    "nozzle_count": True,
    "nozzle_type": True,
    "nozzle_place_m": 0.0,
    "deflection_deg": 0.0,
    "boom_width_m": 0.0,
    "pressure_percent": 0.0,
    "airspeed_percent": 0.0,
    "release_height_m": 0.0,
}


@dataclass(frozen=True, slots=True)
class Figures:
    """A swath that one test led to; `approved` or else recommended. None where there is none."""

    swath_m: float | None
    cv_percent: float | None
    manner: str
    approved: bool


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two analyses of one aircraft and purpose, the earlier test's and this one's.

    `there` holds the CV of both, then and now, by way of flying, at the swath of now; None where
    that swath lies outside what a curve covers. Zones are of the patterns' findings.
    """

    before: AnalysisRun
    now: AnalysisRun
    then_figures: Figures
    now_figures: Figures
    there: tuple[tuple[str, float | None, float | None], ...]
    gone: tuple[Zone, ...]
    stayed: tuple[tuple[Zone, Zone], ...]
    came: tuple[Zone, ...]


def previous(analysis: AnalysisRun) -> AnalysisRun | None:
    """Return the newest analysis of the test before, of the same aircraft and purpose."""
    test = analysis.test
    earlier = Q(test__flown_on__lt=test.flown_on) | Q(
        test__flown_on=test.flown_on, test__created_at__lt=test.created_at
    )
    found: AnalysisRun | None = (
        AnalysisRun.objects.filter(
            earlier,
            operator=analysis.operator_id,
            test__setup__aircraft=test.setup.aircraft_id,
            test__setup__purpose_key=test.setup.purpose_key,
            created_at__lt=analysis.created_at,
        )
        .select_related("test__setup", "test__visit")
        .order_by("-test__flown_on", "-test__created_at", "-number")
        .first()
    )
    return found


def compare(analysis: AnalysisRun, approval: Approval | None) -> Comparison | None:
    """Hold an analysis against that of the test before; None where there was none."""
    before = previous(analysis)
    if before is None:
        return None
    now = _figures(analysis, approval if approval and not ended_word(approval) else None)
    then = _figures(before, _approved_then(before))
    gone, stayed, came = _zones(before.result.findings, analysis.result.findings)
    return Comparison(
        before=before,
        now=analysis,
        then_figures=then,
        now_figures=now,
        there=tuple(_there(before, analysis, manner, now.swath_m) for manner in MANNERS),
        gone=gone,
        stayed=stayed,
        came=came,
    )


def _approved_then(before: AnalysisRun) -> Approval | None:
    """What was approved on the earlier analysis; it may have been superseded since."""
    rows = Approval.objects.filter(analysis=before, withdrawal__isnull=True)
    found: Approval | None = rows.order_by("created_at", "id").last()
    return found


def _figures(analysis: AnalysisRun, approval: Approval | None) -> Figures:
    if approval is not None:
        return Figures(approval.swath_m, approval.cv_percent, approval.manner, approved=True)
    manner = analysis.test.setup.manner
    choice = getattr(analysis.result.recommended, manner)
    return Figures(choice.swath_m, choice.cv_percent, manner, approved=False)


def _there(
    before: AnalysisRun, now: AnalysisRun, manner: str, swath_m: float | None
) -> tuple[str, float | None, float | None]:
    return manner, _cv(before, manner, swath_m), _cv(now, manner, swath_m)


def _cv(analysis: AnalysisRun, manner: str, swath_m: float | None) -> float | None:
    swept = analysis.result.uniformity.swath_m
    if swath_m is None or not swept[0] <= swath_m <= swept[-1]:
        return None
    return at_swath(analysis, swath_m, manner).cv_percent


def _zones(
    then: Sequence[Zone], now: Sequence[Zone]
) -> tuple[tuple[Zone, ...], tuple[tuple[Zone, Zone], ...], tuple[Zone, ...]]:
    """Pair zones of one kind that overlap, those that overlap most first (own definition)."""
    pairs = [
        (_overlap_m(old, new), i, j)
        for i, old in enumerate(then)
        for j, new in enumerate(now)
        if old.kind == new.kind and _overlap_m(old, new) > 0
    ]
    paired: dict[int, int] = {}
    for _, i, j in sorted(pairs, key=lambda pair: (-pair[0], pair[1:])):
        if i not in paired and j not in paired.values():
            paired[i] = j
    return (
        tuple(zone for i, zone in enumerate(then) if i not in paired),
        tuple((then[i], now[j]) for i, j in sorted(paired.items())),
        tuple(zone for j, zone in enumerate(now) if j not in paired.values()),
    )


def _overlap_m(one: Zone, other: Zone) -> float:
    return min(one.to_m, other.to_m) - max(one.from_m, other.from_m)


# --- In words -------------------------------------------------------------------------------------


def facts(found: Comparison, system: System) -> tuple[Fact, ...]:
    """Say the comparison line by line."""
    before, now = found.before, found.now
    return (
        Fact(
            "Test before",
            f"{day(before.test.flown_on)}, {before.test.visit.place}, {before.test.setup}",
        ),
        Fact("Changed in the set-up", setup_words(before.test.setup, now.test.setup, system)),
        Fact(
            "Swath",
            f"{_swath(found.then_figures, system)}; now {_swath(found.now_figures, system)}",
        ),
        *_curves(found, system),
        *_findings(found, system),
    )


def setup_words(then: SetUp, now: SetUp, system: str) -> str:
    """Say what differs between two revisions, every difference however small."""
    if then.pk == now.pk:
        return "Nothing; it is the same revision."
    words = [difference_words(one, system) for one in _differences(then, now)]
    if then.rate_l_per_ha != now.rate_l_per_ha:
        rates = (show(one.rate_l_per_ha, "rate", system) for one in (then, now))
        words.append("intended rate {} to {}".format(*rates))
    if then.manner != now.manner:
        names = (one.get_manner_display().lower() for one in (then, now))
        words.append("way of flying {} to {}".format(*names))
    text = ", ".join(words)
    return f"{text[:1].upper()}{text[1:]}." if text else "Nothing that was recorded."


def _differences(then: SetUp, now: SetUp) -> tuple[Change, ...]:
    return changes_between(_revision(then), _revision(now), EVERYTHING)


def _revision(setup: SetUp) -> Revision:
    return Revision(
        setup_id=setup.pk,
        number=setup.number,
        recorded_at=setup.created_at,
        boom_width_m=setup.boom_width_m,
        pressure_kpa=setup.pressure_kpa,
        airspeed_m_s=setup.airspeed_m_s,
        release_height_m=setup.release_height_m,
        nozzles=setup.nozzles,
    )


def _swath(figures: Figures, system: str) -> str:
    if figures.swath_m is None:
        return "none recommended"
    kind = "approved" if figures.approved else "recommended, none approved"
    cv = NOTHING if figures.cv_percent is None else f"{figures.cv_percent:.1f} %"
    manner = Manner(figures.manner).label.lower()
    return f"{show(figures.swath_m, 'swath', system)} {manner}, CV {cv} ({kind})"


def _curves(found: Comparison, system: str) -> Iterator[Fact]:
    swath_m = found.now_figures.swath_m
    if swath_m is None:
        return
    each = [
        f"{Manner(manner).label.lower()} {_percent(then)}, now {_percent(now)}"
        for manner, then, now in found.there
    ]
    yield Fact(f"CV at {show(swath_m, 'swath', system)}", "; ".join(each))


def _percent(value: float | None) -> str:
    return "not in the sweep" if value is None else f"{value:.1f} %"


def _findings(found: Comparison, system: System) -> Iterator[Fact]:
    then, now = _passes(found.before), _passes(found.now)
    for name, zones, count in (
        ("Went away", found.gone, then),
        ("Stayed", tuple(new for _, new in found.stayed), now),
        ("Came", found.came, now),
    ):
        if zones:
            yield Fact(name, " ".join(finding_words(zone, system, count) for zone in zones))
    if not (found.gone or found.stayed or found.came):
        yield Fact("Findings", "None then, none now.")


def _passes(analysis: AnalysisRun) -> int:
    return int(analysis.result.pattern.passes.shape[0])


# --- As data --------------------------------------------------------------------------------------


def record(found: Comparison) -> dict[str, Any]:
    """Return the comparison as plain data, in SI."""
    then, now = found.before.test.setup, found.now.test.setup
    return {
        "analysis_id": str(found.before.pk),
        "document_digest": found.before.document_digest,
        "flown_on": found.before.test.flown_on.isoformat(),
        "setup": {"id": str(then.pk), "name": str(then)},
        "changes": [
            {"what": one.key, "before": one.before, "after": one.after}
            for one in _differences(then, now)
        ],
        "then": _figures_record(found.then_figures),
        "now": _figures_record(found.now_figures),
        "cv_percent_at_the_swath_of_now": {
            manner: {"then": before, "now": after} for manner, before, after in found.there
        },
        "findings": {
            "went_away": [_zone(zone) for zone in found.gone],
            "stayed": [{"then": _zone(old), "now": _zone(new)} for old, new in found.stayed],
            "came": [_zone(zone) for zone in found.came],
        },
    }


def _figures_record(figures: Figures) -> dict[str, Any]:
    return {
        "swath_m": figures.swath_m,
        "cv_percent": figures.cv_percent,
        "manner": figures.manner,
        "approved": figures.approved,
    }


def _zone(zone: Zone) -> dict[str, Any]:
    return {
        "kind": zone.kind,
        "from_m": zone.from_m,
        "to_m": zone.to_m,
        "depth_percent": zone.depth_percent,
    }
