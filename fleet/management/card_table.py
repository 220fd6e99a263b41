"""The result of a card as plain values for programs, and as lines for a terminal."""

import math
from collections.abc import Sequence
from typing import Any

from patterns.cards.bed import FoundCard
from patterns.cards.measure import CardResult
from patterns.cards.spectrum import Figure
from patterns.plain import plain
from patterns.units import from_si

CAUTION = (
    "Sizes hold for the liquid and paper of the spread factor named. A size class is one of the "
    "table named, and there is always some potential for drift."
)
_SIZES = {
    "dv10": "dv10_um",
    "dv50": "dv50_um",
    "dv90": "dv90_um",
    "number_median": "number_median_um",
    "mean": "mean_um",
    "volume_mean": "volume_mean_um",
    "sauter": "sauter_um",
}


def card_document(card: FoundCard, result: CardResult, cards: int) -> dict[str, Any]:
    """Lay out one card for JSON; lengths in µm, areas in cm², deposits in L/ha, shares in %.

    Parameters
    ----------
    card : where it lay on the scan.
    result : what it says; figures of the drops are null without a stain.
    cards : how many cards the scan holds.
    """
    spread = result.parameters.spread
    document = {
        "file": result.source,
        "card": result.number,
        "cards": cards,
        "corners_px": card.corners_px.tolist(),
        "dpi": result.dpi,
        "area_cm2": result.area_cm2,
        "paper": result.paper,
        "threshold": result.threshold_why,
        "stains": result.stains,
        "stains_per_cm2": result.stains_per_cm2.value,
        "coverage_percent": result.coverage_percent.value,
        "split_percent": result.split_percent,
        "smallest_stain_um": result.smallest_um,
        "left_out": result.left_out,
        **_sizes(result),
        "deposit_l_per_ha": result.deposit_l_per_ha.value,
        "deposit_gal_per_acre": from_si(result.deposit_l_per_ha.value, "gal/acre"),
        "size_class": result.size_class,
        "spread": spread,
        "outside_spread_percent": result.outside_percent,
        "method_version": result.method_version,
        "warnings": [one.text for one in result.remarks if one.weight != "note"],
        "notes": [one.text for one in result.remarks if one.weight == "note"],
    }
    return {name: _plain(value) for name, value in document.items()}


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _plain(one) for name, one in value.items()}
    return plain(value)


def _sizes(result: CardResult) -> dict[str, Any]:
    """Figures of stains and drops, and the bounds of all that have any."""
    drops, stains = result.drops, result.stain_um
    figures = {name: getattr(drops, field) if drops else None for name, field in _SIZES.items()}
    shares = (
        {f"{one.cut_off_um:g}": one.percent for one in drops.volume_below}
        if drops
        else {f"{cut:g}": None for cut in result.parameters.spectrum.cut_offs_um}
    )
    span = drops.relative_span if drops else None
    return {
        "stain_um": {
            name: getattr(stains, f"{name}_um") if stains else None
            for name in ("dv10", "dv50", "dv90")
        },
        "drop_um": {name: _value(one) for name, one in figures.items()},
        "relative_span": _value(span),
        "volume_below_percent": {cut: _value(one) for cut, one in shares.items()},
        "bounds": {
            "confidence": result.parameters.spectrum.confidence,
            "stains_per_cm2": _ends(result.stains_per_cm2),
            "coverage_percent": _ends(result.coverage_percent),
            "drop_um": {name: _ends(one) for name, one in figures.items()},
            "relative_span": _ends(span),
            "volume_below_percent": {cut: _ends(one) for cut, one in shares.items()},
            "deposit_l_per_ha": _ends(result.deposit_l_per_ha),
        },
    }


def _value(figure: Figure | None) -> float | None:
    return None if figure is None else figure.value


def _ends(figure: Figure | None) -> list[float] | None:
    """Low and high; None where no bounds are known."""
    if figure is None or math.isnan(figure.low):
        return None
    return [figure.low, figure.high]


def card_table(documents: Sequence[dict[str, Any]]) -> str:
    """Lay out cards for people, plain ASCII but for names and sentences."""
    return "\n\n".join([*(_block(one) for one in documents), CAUTION])


def _block(one: dict[str, Any]) -> str:
    bounds = one["bounds"]
    place = f", card {one['card']} of {one['cards']}" if one["cards"] > 1 else ""
    lines = [
        f"CARD {one['file']}{place}: {one['area_cm2']:.2f} cm2 at {one['dpi']:.0f} dpi",
        f"  stains    {one['stains']} counted, "
        f"{_with(one['stains_per_cm2'], bounds['stains_per_cm2'], 1)} per cm2, "
        f"cover {_with(one['coverage_percent'], bounds['coverage_percent'], 2)} %, "
        f"smallest trusted {one['smallest_stain_um']:.0f} um",
    ]
    out = ", ".join(
        f"{many} {why.replace('_', ' ')}" for why, many in one["left_out"].items() if many
    )
    if out:
        lines.append(f"  left out  {out}")
    if one["stains"]:
        lines += _drop_lines(one)
    lines += [f"  warning: {text}" for text in one["warnings"]]
    lines += [f"  note: {text}" for text in one["notes"]]
    return "\n".join(lines)


def _drop_lines(one: dict[str, Any]) -> list[str]:
    bounds, drops, spread, size = one["bounds"], one["drop_um"], one["spread"], one["size_class"]
    sizes = ", ".join(
        f"Dv0.{name[2]} {_with(drops[name], bounds['drop_um'][name], 0)}"
        for name in ("dv10", "dv50", "dv90")
    )
    shares = ", ".join(
        f"{value:.1f} % under {cut} um" for cut, value in one["volume_below_percent"].items()
    )
    ends = (size["finest"], size["coarsest"])
    reach = "" if ends[0] == ends[1] else f", by the bounds {ends[0]} to {ends[1]}"
    deposit = _with(one["deposit_l_per_ha"], bounds["deposit_l_per_ha"], 1)
    return [
        f"  drops     {sizes} um, relative span {one['relative_span']:.2f}",
        f"            number median {drops['number_median']:.0f}, Sauter mean "
        f"{drops['sauter']:.0f} um; by {spread['name']}, {spread['a']:g} * S^{spread['b']:g}",
        f"  fines     {shares}",
        f"  deposit   {deposit} L/ha ({one['deposit_gal_per_acre']:.2f} gal/acre)",
        f"  class     {size['letters']} ({size['name']}){reach}, by: {size['table_name']} "
        f"({size['source']})",
        f"            {size['note']}",
    ]


def _with(value: float | None, ends: list[float] | None, decimals: int) -> str:
    if value is None:
        return "-"
    if ends is None:
        return f"{value:.{decimals}f}"
    return f"{value:.{decimals}f} ({ends[0]:.{decimals}f} to {ends[1]:.{decimals}f})"
