"""What the pages of droplet cards show: the test as a whole, each scan, one card."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from django.conf import settings as django_settings
from django.http import HttpRequest

from fleet import measures, rules, storage
from fleet.models import AnalysisRun, CardRun, Test
from fleet.queries.cards import (
    CardsOfTest,
    SeenCard,
    SeenScan,
    confirmation_of,
    scans_seen,
    seen_cards,
)
from fleet.services.cards import AddedScan
from fleet.services.cards_together import cards_of_test
from fleet.web.card_view import WHY, result_of
from fleet.web.forms_cards import ConfirmForm, EvenPlacesForm, MeasureForm, PlacesForm, ScansForm
from patterns.cards.across import AcrossSwath
from patterns.cards.classes import SizeClass, class_table
from patterns.cards.drift import DriftPotential
from patterns.cards.drops import spread_factor
from patterns.cards.spectrum import Spectrum
from patterns.draw import COMPACT, WIDE, across_chart, spectrum_chart
from patterns.draw.cards import Across

SIZES = (("desk", WIDE), ("phone", COMPACT))
FIRST_ON_DRIFT: Final = ("fines", "fines_by_class")
CHARTS: Final[tuple[Across, ...]] = ("deposit", "coverage", "dv50")


@dataclass(frozen=True, slots=True)
class ScanSheet:
    """One scan with its forms; `is_next` where the next step of the whole page is its own."""

    seen: SeenScan
    places_form: PlacesForm | None
    even_form: EvenPlacesForm | None
    again_form: MeasureForm | None
    confirm_form: ConfirmForm | None
    rows: list[dict[str, Any]]
    is_next: bool = False

    @property
    def left_out(self) -> int:
        """How many cards are left out."""
        return sum(bool(card.left_out_reason) for card in self.seen.cards)

    @property
    def unplaced(self) -> bool:
        """Whether the place of a card is still to be said."""
        return any(card.position_m is None for card in self.seen.cards)

    @property
    def runs(self) -> list[dict[str, Any]]:
        """Every measurement, the newest first, with its settings in words."""
        return [{"run": run, "settings": settings_words(run)} for run in self.seen.scan.runs.all()]


def sheet(
    request: HttpRequest,
    test: Test,
    added: Sequence[AddedScan] = (),
    scans_form: ScansForm | None = None,
    **forms: Any,
) -> dict[str, Any]:
    """Return what the page of a test's cards needs. `forms` replace those of one scan."""
    system = request.user.unit_system
    found, trouble = _found(request, test)
    may_test = rules.may_test(request.user)
    scans = [scan_sheet(seen, system, may_test, **forms) for seen in (found.scans if found else [])]
    scans = _with_next(scans) if may_test else scans
    return {
        "test": test,
        "visit": test.visit,
        "together": together(test, found, system) if found else None,
        "trouble": trouble,
        "scans": scans,
        "waiting": [one.seen for one in scans if one.seen.job and not one.seen.job.has_ended],
        "added": added,
        "may_test": may_test,
        "scans_form": scans_form or ScansForm(test=test, system=system),
        "most_files": django_settings.DATA_UPLOAD_MAX_NUMBER_FILES,
        "section": "visits",
    }


def _with_next(scans: list[ScanSheet]) -> list[ScanSheet]:
    """Mark the one scan whose step comes next: outlines first, then places."""
    waits = next((one for one in scans if one.seen.awaits_confirmation), None)
    waits = waits or next((one for one in scans if one.unplaced), None)
    return [replace(one, is_next=one is waits) for one in scans]


def _found(request: HttpRequest, test: Test) -> tuple[CardsOfTest | None, str]:
    """Return the cards, and why they cannot be told together where a kept file is gone."""
    try:
        return cards_of_test(request.user, test), ""
    except storage.KeptFileError as error:
        return CardsOfTest(scans_seen(request.user, test)), str(error)


def scan_sheet(
    seen: SeenScan, system: str, may_test: bool, scan_id: Any = None, **forms: Any
) -> ScanSheet:
    """Return one scan with its forms; those given are of the scan `scan_id`."""
    own = forms if seen.scan.pk == scan_id else {}
    name = f"id_scan{seen.scan.number}_%s"
    places = even = again = confirm = None
    if may_test and (seen.run or (seen.job and seen.job.has_ended)):
        settings = seen.run.parameters if seen.run else {}
        again = own.get("again_form") or MeasureForm(
            system=system, auto_id=f"{name}_again", initial=_chosen(settings)
        )
        if seen.cards and seen.run and seen.run.asks_confirmation:
            confirm = own.get("confirm_form") or ConfirmForm(
                cards=seen.cards, system=system, auto_id=name
            )
        if seen.cards:
            places = own.get("places_form") or PlacesForm(
                cards=seen.cards, system=system, auto_id=name
            )
        if len(seen.cards) > 1:
            even = own.get("even_form") or EvenPlacesForm(system=system, auto_id=name)
    return ScanSheet(seen, places, even, again, confirm, [card_row(card) for card in seen.cards])


def _chosen(settings: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in settings.items() if value not in (None, "")}


def settings_words(run: CardRun) -> str:
    """Say how a scan was measured."""
    chosen = run.parameters
    if chosen["spread_a"] is not None:
        spread = f"drop = {chosen['spread_a']:g} · stain^{chosen['spread_b']:g}"
    else:
        spread = spread_factor(chosen["spread"] or "water_on_water_sensitive").name
    table = class_table(chosen["table"]) if chosen["table"] else class_table()
    return f"{spread}; classes by {table.name}; {run.content['dpi']:g} dpi"


# --- The test as a whole -------------------------------------------------------------------------


def together(test: Test, found: CardsOfTest, system: str) -> dict[str, Any]:
    """Return what the cards that count say together."""
    across = found.across
    said: dict[str, Any] = {
        "cards": len(found.cards),
        "counting": len(found.counting),
        "unconfirmed": found.unconfirmed,
        "unplaced": found.unplaced,
        "across": across,
        "size_class": found.size_class,
        **_drift(found.drift),
        "remarks": found.remarks,
    }
    if across is None:
        return said
    said["charts"] = _across_charts(test, across, system)
    if across.whole is not None:
        said["whole"] = spectrum_figures(across.whole)
        said["charts"]["spectrum"] = spectrum_charts(across.whole, found.size_class, "cards")
    return said


def _drift(found: DriftPotential | None) -> dict[str, Any]:
    """Part what is said on drift: beyond a limit or unknown first, then the rest, then "always"."""
    statements = found.statements if found else ()
    always = [one for one in statements if one.code == "always"]
    first = [one for one in statements if one.weight != "states" or one.code in FIRST_ON_DRIFT]
    more = [one for one in statements if one not in first and one not in always]
    return {"drift": found, "drift_first": first, "drift_more": more, "drift_always": always}


def spectrum_figures(found: Spectrum) -> dict[str, Any]:
    """Return the figures of a spectrum as pages write them, diameters in µm."""
    fines = [
        {
            "below_um": f"{one.cut_off_um:g}",
            "percent": f"{one.percent.value:.1f}",
            "bounds": bounds(one.percent.low, one.percent.high, 1),
        }
        for one in found.volume_below
    ]
    return {
        "dv10": f"{found.dv10_um.value:.0f}",
        "dv50": f"{found.dv50_um.value:.0f}",
        "dv50_bounds": bounds(found.dv50_um.low, found.dv50_um.high, 0),
        "dv90": f"{found.dv90_um.value:.0f}",
        "span": f"{found.relative_span.value:.2f}",
        "number_median": f"{found.number_median_um.value:.0f}",
        "sauter": f"{found.sauter_um.value:.0f}",
        "stains": found.stains,
        "confidence": f"{100 * found.confidence:.0f}",
        # Where drift becomes a real concern by the sources beside the cut-offs: the largest.
        "fines": fines[-1] if fines else None,
        "other_fines": fines[:-1],
        "remarks": found.remarks,
    }


def bounds(low: float, high: float, digits: int) -> str:
    """Write bounds; nothing where none were taken."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return ""
    return f"{low:.{digits}f} to {high:.{digits}f}"


def _across_charts(test: Test, across: AcrossSwath, system: Any) -> dict[str, Any]:
    analysis: AnalysisRun | None = test.analyses.order_by("-number").first()
    pattern = analysis.result.pattern if analysis else None
    string = (pattern.position_m, pattern.deposit) if pattern else None
    silent = replace(across, remarks=())  # the page tells them once, in the reader's units
    return {
        what: {
            name: across_chart(
                silent,
                what,
                string=string if what == "deposit" else None,
                system=system,
                chart_id=f"cards-{what}-{name}",
                size=size,
            )
            for name, size in SIZES
        }
        for what in CHARTS
    }


def spectrum_charts(found: Spectrum, size_class: SizeClass | None, ident: str) -> dict[str, str]:
    """Draw a spectrum for a desk and for a phone."""
    return {
        name: spectrum_chart(found, size_class, chart_id=f"{ident}-spectrum-{name}", size=size)
        for name, size in SIZES
    }


# --- One card ------------------------------------------------------------------------------------


def one_card(run: CardRun, entry: dict[str, Any], system: str) -> dict[str, Any]:
    """Return what the page of a card needs. Raises KeptFileError where its result is gone."""
    scan, result = run.scan, result_of(entry)
    confirmation = confirmation_of(run, scan.confirmations.all())
    cards = seen_cards(run, scan, confirmation)
    seen = next(card for card in cards if card.number == entry["number"])
    runs = list(scan.runs.all())
    beside = [card_row(one) for one in (_same_card(other, seen) for other in runs) if one]
    drops = result.drops
    return {
        "test": scan.test,
        "run": run,
        "newest": runs[0],
        "runs": [{"run": one, "settings": settings_words(one)} for one in runs],
        "settings": settings_words(run),
        "beside": [(one, settings_words(one["card"].run)) for one in beside],
        "numbers": [one["number"] for one in run.cards],
        "seen": seen,
        "place": place_words(seen.position_m, system),
        "row": card_row(seen),
        "result": result,
        "figures": spectrum_figures(drops) if drops else None,
        "charts": spectrum_charts(drops, result.size_class, "card") if drops else None,
        "coverage": bounds(result.coverage_percent.low, result.coverage_percent.high, 1),
        "left_out": [
            (WHY[why].removeprefix("left out: "), count)
            for why, count in result.left_out.items()
            if count
        ],
        "section": "visits",
    }


def _same_card(run: CardRun, seen: SeenCard) -> SeenCard | None:
    """The card of one measurement as another found it; None where that found other outlines."""
    if run.outlines_digest != seen.run.outlines_digest:
        return None
    entry = next(one for one in run.cards if one["number"] == seen.number)
    return replace(seen, run=run, entry=entry)


def card_row(card: SeenCard) -> dict[str, Any]:
    """Return what lists show of a card."""
    entry, drops = card.entry, card.entry["drops"]
    return {
        "card": card,
        "outline": " ".join(f"{x:g},{y:g}" for x, y in entry["corners_px"]),
        "middle": _middle(entry["corners_px"]),
        "font": f"{_letter_px(card):.0f}",
        "per_cm2": f"{entry['stains_per_cm2']['value']:.0f}",
        "coverage": f"{entry['coverage_percent']['value']:.1f} %",
        "dv": "\u202f/\u202f".join(f"{drops[key]['value']:.0f}" for key in DIAMETERS)
        if drops
        else "–",
        "size_class": entry["size_class"],
        "warnings": [one for one in entry["remarks"] if one["weight"] != "note"],
    }


DIAMETERS = ("dv10_um", "dv50_um", "dv90_um")


def _middle(corners: Sequence[Sequence[float]]) -> dict[str, str]:
    x, y = (sum(column) / len(corners) for column in zip(*corners, strict=True))
    return {"x": f"{x:.0f}", "y": f"{y:.0f}"}


def _letter_px(card: SeenCard) -> float:
    """Height of the number on a card: of a bed readable, of a single card no curtain. [px]"""
    across_px = max(card.run.content["image_px"])
    return min(0.35 * _breadth(card.entry["corners_px"]), 0.06 * across_px)


def _breadth(corners: Sequence[Sequence[float]]) -> float:
    """Length of the shorter edge at the upper left corner. [px]"""
    first, second, _, last = corners
    return min(math.dist(first, second), math.dist(first, last))


def place_words(position_m: float | None, system: str) -> str:
    """Say where a card lay."""
    if position_m is None:
        return ""
    if abs(position_m) < 0.005:
        return "on the flight line"
    side = "left" if position_m < 0 else "right"
    return f"{measures.show(abs(position_m), 'place', system)} {side} of the flight line"
