"""What the droplet cards of a test say, as rows of words for the test report.

Every figure is one that `fleet.queries.cards` gives; nothing is worked out anew. It stands for the
measurements and places as they were when the paper was made, not when the analysis was: files and
digests say which those were.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

from fleet.measures import NOTHING, number, said, unit_of
from fleet.queries.cards import CardsOfTest, SeenCard, SeenScan
from patterns.cards.across import AcrossSwath
from patterns.cards.classes import SizeClass
from patterns.cards.drift import DriftStatement
from patterns.cards.spectrum import Figure as Bounded
from patterns.cards.spectrum import Spectrum
from patterns.cards.together import Way
from patterns.draw import Size, System, across_chart, spectrum_chart
from patterns.plain import canonical_bytes, plain
from patterns.units import from_si
from reports.answer import Reason
from reports.embedded import EmbeddedFile
from reports.evidence import Digest, Fact
from reports.figures import Figure, figure

# Deposits differ by the hundredth of a gallon; the intended rate is told more coarsely.
_DEPOSIT_DIGITS = {"us": 2, "metric": 1}
_LEADS = {"raises": "Beyond the limit.", "unknown": "Not known.", "states": ""}


@dataclass(frozen=True, slots=True)
class PlaceRow:
    """One place across the swath; bounds in brackets."""

    place: str
    cards: int
    coverage: str
    per_cm2: str
    deposit: str
    dv50: str


@dataclass(frozen=True, slots=True)
class Droplets:
    """The section, in the reader's units and words."""

    rests_on: str
    sizes: tuple[Fact, ...]
    amounts: tuple[Fact, ...]
    size_class: tuple[Reason, ...]
    figures: tuple[Figure, ...]
    places: tuple[PlaceRow, ...]
    length_unit: str
    deposit_unit: str
    drift: tuple[Reason, ...]
    remarks: tuple[str, ...]
    digests: tuple[Digest, ...]


def droplets(
    seen: CardsOfTest | None,
    string: tuple[Any, Any],
    system: System,
    size: Size,
) -> Droplets | None:
    """Return the section; None where no card of the test counts.

    Parameters
    ----------
    seen : the cards of the test.
    string : positions [m] and mean deposit of the string, to lay behind that of the cards.
    system : of the reader.
    size : of the charts.
    """
    if seen is None or seen.across is None or seen.drift is None:
        return None
    whole = seen.across.whole
    return Droplets(
        rests_on=_rests_on(seen),
        sizes=_sizes(whole),
        amounts=_amounts(seen, system),
        size_class=_class(seen.size_class),
        figures=_figures(seen.across, string, system, size),
        places=_places(seen.across, system),
        length_unit=unit_of("length", system),
        deposit_unit=unit_of("rate", system),
        drift=tuple(_statement(one, system) for one in seen.drift.statements),
        remarks=(
            *(said(one.text, system) for one in seen.remarks),
            *_warnings(seen.counting),
            *_left_out(seen.cards),
        ),
        digests=tuple(_digests(seen)),
    )


# --- Words ----------------------------------------------------------------------------------------


def _rests_on(seen: CardsOfTest) -> str:
    counting = len(seen.counting)
    everyone = sum(not card.not_card_reason for card in seen.cards)
    places = seen.across.position_m.size if seen.across else 0
    scans = sum(bool(one.cards) for one in seen.scans)
    ways = sorted(map(_way, seen.ways))
    return (
        f"{counting} of {_many(everyone, 'card')} on {_many(scans, 'scan')} count, at "
        f"{_many(places, 'place')} across the swath, as they were measured and placed when this "
        f"report was made. Measured by {'; and by '.join(ways)}. {unconfirmed_words(seen)}"
    ).rstrip()


def unconfirmed_words(seen: CardsOfTest | None) -> str:
    """Say that nobody has confirmed the outlines of some scans; "" where all are."""
    if seen is None or not seen.unconfirmed:
        return ""
    names = [str(number) for number in seen.unconfirmed]
    which = f"scan {names[0]}" if len(names) == 1 else f"scans {', '.join(names)}"
    return (
        f"Nobody has confirmed that the outlines found on {which} are cards: nothing on "
        f"{'it' if len(names) == 1 else 'them'} counts here."
    )


def _way(one: Way) -> str:
    formula = f"drop = {one.spread.a:g}·stain^{one.spread.b:g} in µm"
    return f"method {one.method_version}, spread factor {one.spread.name} ({formula})"


def _many(count: int, thing: str) -> str:
    return f"{count} {thing}{'' if count == 1 else 's'}"


def _bounded(one: Bounded, digits: int, unit: str = "") -> str:
    """A figure, its unit, and its bounds where they were taken."""
    if not math.isfinite(one.value):
        return NOTHING
    text = f"{one.value:.{digits}f}{unit and f' {unit}'}"
    if one.low < one.high:  # neither where bounds were not taken, nor where nothing differs
        text += f" ({one.low:.{digits}f} to {one.high:.{digits}f})"
    return text


def _deposit(value: float, system: System) -> str:
    return f"{from_si(value, unit_of('rate', system)):.{_DEPOSIT_DIGITS[system]}f}"


def _sizes(whole: Spectrum | None) -> tuple[Fact, ...]:
    if whole is None:
        return (Fact("Drops", "Not a single one was counted."),)
    return (
        Fact("Dv0.1", _bounded(whole.dv10_um, 0, "µm")),
        Fact("Dv0.5 (VMD)", _bounded(whole.dv50_um, 0, "µm")),
        Fact("Dv0.9", _bounded(whole.dv90_um, 0, "µm")),
        Fact("Relative span", _bounded(whole.relative_span, 2)),
        *(
            Fact(f"Below {one.cut_off_um:g} µm", _bounded(one.percent, 1, "%"))
            for one in whole.volume_below
        ),
    )


def _amounts(seen: CardsOfTest, system: System) -> tuple[Fact, ...]:
    across = seen.across
    assert across is not None
    unit, whole = unit_of("rate", system), across.whole
    facts = [
        Fact("Mean coverage", f"{across.mean_coverage_percent:.1f} %"),
        Fact("Mean deposit", f"{_deposit(across.mean_deposit_l_per_ha, system)} {unit}"),
    ]
    if whole is not None:
        per_cm2 = whole.per_cm2
        facts += [
            Fact("Drops per cm²", _bounded(per_cm2, 1) if per_cm2 else NOTHING),
            Fact("Stains counted", f"{whole.stains}"),
            Fact("Bounds, in brackets", f"{100 * whole.confidence:.0f} % over resampled stains"),
        ]
    if seen.size_class is not None:
        facts.insert(0, Fact("Size class", _letters(seen.size_class)))
    return tuple(facts)


def _letters(found: SizeClass) -> str:
    words = f"{found.letters}, {found.name}"
    if found.finest == found.coarsest:
        return words
    return f"{words} ({found.finest} to {found.coarsest} within the bounds)"


def _class(found: SizeClass | None) -> tuple[Reason, ...]:
    if found is None:
        return ()
    behind = f"standard: {found.standard}; instrument: {found.instrument}"
    return (Reason("Size class by:", f"{found.table_name} ({behind}). {found.note}".strip()),)


def _statement(one: DriftStatement, system: System) -> Reason:
    return Reason(_LEADS[one.weight], said(one.text, system))


def _warnings(cards: Iterable[SeenCard]) -> Iterable[str]:
    """Warnings on single cards, each once; those on their spectra are told of the whole."""
    about: dict[str, dict[str, str]] = {}
    for card in cards:
        of_spectrum = (card.entry["drops"] or {"remarks": []})["remarks"]
        for remark in card.entry["remarks"]:
            if remark["weight"] != "note" and remark not in of_spectrum:
                name = f"{card.scan.number}.{card.number}"
                about.setdefault(remark["code"], {})[name] = remark["text"]
    for texts in about.values():
        first, text = next(iter(texts.items()))
        which = f"{'Card' if len(texts) == 1 else 'Cards'} {', '.join(texts)} (scan.card)"
        yield (
            f"{which}: {text}" if len(set(texts.values())) == 1 else f"{which}; of {first}: {text}"
        )


def _left_out(cards: Iterable[SeenCard]) -> Iterable[str]:
    for card in cards:
        which = f"{card.number} of scan {card.scan.number}"
        if card.not_card_reason:
            yield f"Outline {which} is no card: {card.not_card_reason}"
        elif card.left_out_reason:
            yield f"Card {which} left out: {card.left_out_reason}"


# --- Across the swath -----------------------------------------------------------------------------


def _places(across: AcrossSwath, system: System) -> tuple[PlaceRow, ...]:
    rows = []
    for at, position_m in enumerate(across.position_m):
        low, high = across.deposit_low_l_per_ha[at], across.deposit_high_l_per_ha[at]
        deposit = _deposit(across.deposit_l_per_ha[at], system)
        if low < high:
            deposit += f" ({_deposit(low, system)} to {_deposit(high, system)})"
        dv50 = Bounded(across.dv50_um[at], across.dv50_low_um[at], across.dv50_high_um[at])
        rows.append(
            PlaceRow(
                place=_sided(float(position_m), system),
                cards=int(across.cards[at]),
                coverage=f"{across.coverage_percent[at]:.1f}",
                per_cm2=f"{across.per_cm2[at]:.1f}",
                deposit=deposit,
                dv50=_bounded(dv50, 0),
            )
        )
    return tuple(rows)


def _sided(position_m: float, system: System) -> str:
    text = number(abs(position_m), "length", system)
    if float(text) == 0:
        return text
    return f"{text} {'left' if position_m < 0 else 'right'}"


def _figures(
    across: AcrossSwath, string: tuple[Any, Any], system: System, size: Size
) -> tuple[Figure, ...]:
    """Draw deposit across the swath over that of the string, and the spectrum."""
    silent = replace(across, remarks=())  # the remarks stand in the text
    behind = string if across.position_m.size > 1 else None  # one place has no area to share
    drawn = [figure(across_chart(silent, "deposit", system=system, string=behind, size=size))]
    if across.whole is not None:
        drawn.append(figure(spectrum_chart(across.whole, size=size, notes=False)))
    return tuple(drawn)


# --- What goes along ------------------------------------------------------------------------------


def _digests(seen: CardsOfTest) -> Iterable[Digest]:
    for one in seen.scans:
        number = one.scan.number
        yield Digest(f"Scan {number}, {one.scan.raw_file.name}", one.scan.raw_file.digest)
        if one.run is not None:
            name = f"Cards of scan {number}, attached as {_name(one)}"
            yield Digest(name, one.run.document_digest)
    together = hashlib.sha256(_together(seen)).hexdigest()
    yield Digest("Cards together, attached as cards.json", together)


def _name(one: SeenScan) -> str:
    return f"cards-{one.scan.number}.json"


def embedded(seen: CardsOfTest) -> list[EmbeddedFile]:
    """Return the documents whose digests stand in the report, and what they say together."""
    documents = [
        EmbeddedFile(
            _name(one), f"Measurement of scan {one.scan.number}", one.run.document.encode()
        )
        for one in seen.scans
        if one.run is not None
    ]
    return [*documents, EmbeddedFile("cards.json", "What the cards say together", _together(seen))]


def _together(seen: CardsOfTest) -> bytes:
    across = plain(seen.across)
    return canonical_bytes(
        {
            "scans": [
                {
                    "number": one.scan.number,
                    "file": one.scan.raw_file.name,
                    "digest": one.scan.raw_file.digest,
                    "document_digest": one.run.document_digest if one.run else None,
                    "places": [
                        {
                            "number": card.number,
                            "position_m": card.position_m,
                            "left_out_reason": card.left_out_reason,
                            "outlines_confirmed": card.is_confirmed,
                            "not_card_reason": card.not_card_reason,
                        }
                        for card in one.cards
                    ],
                }
                for one in seen.scans
            ],
            "across": across,
            "size_class": plain(seen.size_class),
            "drift": plain(seen.drift.statements) if seen.drift else [],
            "remarks": plain(seen.remarks),
        }
    )
