"""The test report: a stored analysis, and the approval given on it, as a paper.

What it says comes from the stored rows alone, and so does its date: the same rows give the same
paper, byte for byte.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final, cast

from fleet.measures import unit_of
from fleet.models import AnalysisRun, Approval, FlightPass, PaperSlip
from fleet.queries.cards import CardsOfTest, last_word
from fleet.queries.inputs import is_current
from fleet.queries.records import approval_record
from fleet.services.cards_together import cards_of_test
from patterns.draw import Size, System
from patterns.overlap import Manner
from reports import answer, comparison, droplets, evidence, figures
from reports.embedded import EmbeddedFile
from reports.paper import Draft, Foot, page

# Spacing of the lines and height of the plots [px], from roomy to what would not fit otherwise.
ROOMY_PX: Final = 140.0
DRAFTS: Final = (("roomy", ROOMY_PX), ("tight", 100.0))
MOST_PAGES: Final = 2
# Droplet cards may take one page more.
TIGHTEST: Final = ("tight", 75.0)
DRAFTS_WITH_CARDS: Final = (*DRAFTS, TIGHTEST)
# A comparison that finds no room is told in one line; the record inside has it whole.
ONE_LINE: Final = "Compared with the test of {day} in the record inside this paper."
MOST_PAGES_WITH_CARDS: Final = 3

CAUTIONS: Final = (
    "A test finding, not permission to spray. The product label and local rules decide.",
    "It holds for this aircraft with this set-up only. After any change to boom, nozzles, pressure "
    "or airspeed, test again.",
    "Swath and evenness were found on a string in the wind of the test; they say nothing about "
    "drift, droplet size or dose.",
)


@dataclass(frozen=True, slots=True)
class TestReport:
    """Everything the paper says, in the reader's units and words."""

    __test__ = False  # not a test case, whatever a test runner may think of the name

    registration: str
    aircraft: str
    operator: str
    base: str
    setup: str
    flown: str
    analyst: str
    code: str
    answers: tuple[answer.Answer, ...]
    reasons: tuple[answer.Reason, ...]
    passes_figure: figures.Figure
    evenness_figure: figures.Figure
    field_figure: figures.Figure | None
    boom_figure: figures.Figure
    findings: tuple[evidence.Fact, ...]
    passes: list[evidence.PassRow]
    pass_notes: tuple[str, ...]
    stale: bool
    setup_facts: list[evidence.Fact]
    condition_facts: list[evidence.Fact]
    weather_remarks: tuple[str, ...]
    method_facts: list[evidence.Fact]
    digests: list[evidence.Digest]
    droplets: droplets.Droplets | None
    no_droplets: str
    since: tuple[evidence.Fact, ...]
    wind_unit: str
    length_unit: str
    cautions: tuple[str, ...] = CAUTIONS


def shown_approval(analysis: AnalysisRun, approval_id: str | None) -> Approval | None:
    """Return the approval the report speaks of: the one named, else the last on this analysis."""
    rows = Approval.objects.filter(analysis=analysis).select_related(
        "approved_by", "withdrawal__withdrawn_by", "superseded_by"
    )
    chosen: Approval | None = (
        rows.get(pk=approval_id) if approval_id else rows.order_by("created_at", "id").last()
    )
    return chosen


def compose(
    analysis: AnalysisRun,
    approval: Approval | None,
    system: System,
    plot_px: float = ROOMY_PX,
    cards: CardsOfTest | None = None,
    since: tuple[evidence.Fact, ...] = (),
) -> TestReport:
    """Gather what the report says, with the plots of its charts this high."""
    test, result = analysis.test, analysis.result
    setup, visit = test.setup, test.visit
    aircraft = setup.aircraft
    standing = approval if approval and not answer.ended_word(approval) else None
    size = figures.column(plot_px)
    passes = list(FlightPass.objects.filter(test=test).select_related("raw_file"))
    string = (result.pattern.position_m, result.pattern.deposit)
    on_cards = droplets.droplets(cards, string, system, figures.half_column(plot_px))
    return TestReport(
        registration=aircraft.registration,
        aircraft=f"{aircraft.make} {aircraft.model}".strip(),
        operator=analysis.operator.name,
        base=analysis.operator.base,
        setup=str(setup),
        flown=f"{answer.day(test.flown_on)}, {visit.place}",
        analyst=visit.analyst.name,
        code=analysis.document_digest[:12],
        answers=answer.answers(analysis, approval, setup.manner, system),
        reasons=answer.reasons(analysis, approval, setup.manner, system),
        passes_figure=figures.passes_figure(result, system, size),
        evenness_figure=figures.evenness_figure(
            result, system, standing.swath_m if standing else None, size
        ),
        field_figure=_field(analysis, standing, setup.manner, system, size),
        boom_figure=figures.boom_figure(setup, system),
        findings=evidence.findings(result, system),
        passes=evidence.pass_rows(analysis, passes, system),
        pass_notes=evidence.pass_notes(analysis, system),
        stale=not is_current(analysis, test, [one for one in passes if one.raw_file is not None]),
        setup_facts=evidence.setup_facts(setup, system),
        condition_facts=evidence.condition_facts(analysis, test, system),
        weather_remarks=evidence.weather_remarks(analysis, system),
        method_facts=evidence.method_facts(analysis, system),
        digests=[*evidence.digests(analysis), *(on_cards.digests if on_cards else ())],
        droplets=on_cards,
        no_droplets="" if on_cards else droplets.unconfirmed_words(cards),
        since=since,
        wind_unit=unit_of("wind", system),
        length_unit=unit_of("length", system),
    )


def _field(
    analysis: AnalysisRun, standing: Approval | None, usual: str, system: System, size: Size
) -> figures.Figure | None:
    """The field at the approved swath, else at the one recommended for the set-up's way."""
    manner = cast(Manner, standing.manner if standing else usual)
    swath_m = standing.swath_m if standing else getattr(analysis.result.recommended, manner).swath_m
    if swath_m is None:
        return None
    return figures.field_figure(analysis.result, system, swath_m, manner, size)


def to_html(report: TestReport, foot: Foot, page_size: str, spacing: str = "roomy") -> str:
    """Write the report as one HTML document, with its lines "roomy" or "tight"."""
    return page("reports/test_report.html", foot, size=page_size, report=report, spacing=spacing)


def draft(slip: PaperSlip) -> Draft:
    """Return the report of the slip's analysis, with the approval and the cards that count."""
    assert slip.analysis is not None
    named = str(slip.approval_id) if slip.approval_id else None
    return drafted(
        slip.analysis,
        shown_approval(slip.analysis, named),
        system=cast(System, slip.unit_system),
        page_size=slip.page_size,
        cards=cards_of_test(slip.asked_by, slip.analysis.test),
    )


def drafted(
    analysis: AnalysisRun,
    approval: Approval | None,
    *,
    system: System,
    page_size: str,
    cards: CardsOfTest | None = None,
) -> Draft:
    """Return the report of an analysis; the result and the cards are inside it as data."""
    counting = cards if cards and cards.counting else None
    moments = [answer.stated_at(analysis, approval)]
    files = embedded(analysis)
    if cards and (counting or cards.unconfirmed):
        moments.append(last_word(cards))
    if counting:
        files += droplets.embedded(counting)

    before = comparison.compare(analysis, approval)

    def html(foot: Foot) -> Iterator[str]:
        for spacing, plot_px, since in _drafts(before, system, bool(counting)):
            report = compose(analysis, approval, system, plot_px, cards, since)
            yield to_html(report, foot, page_size, spacing)

    aircraft = analysis.test.setup.aircraft
    return Draft(
        title=f"Test report {aircraft}, {answer.day(analysis.test.flown_on)}",
        record=record(analysis, approval, before),
        stated_at=max(moments),
        html=html,
        valid_until=approval.valid_until if approval else None,
        most_pages=MOST_PAGES_WITH_CARDS if counting else MOST_PAGES,
        embedded=tuple(files),
    )


def _drafts(
    before: comparison.Comparison | None, system: System, with_cards: bool
) -> Iterator[tuple[str, float, tuple[evidence.Fact, ...]]]:
    """Spacing, height of the plots and the comparison, from roomy to what takes the least room."""
    drafts = DRAFTS_WITH_CARDS if with_cards else DRAFTS
    if before is None:
        yield from ((*one, ()) for one in drafts)
        return
    whole = comparison.facts(before, system)
    yield from ((*one, whole) for one in dict.fromkeys((*drafts, TIGHTEST)))
    line = ONE_LINE.format(day=answer.day(before.before.test.flown_on))
    yield (*drafts[-1], (evidence.Fact("", line),))
    yield (*TIGHTEST, (evidence.Fact("", line),))


def record(
    analysis: AnalysisRun, approval: Approval | None, before: comparison.Comparison | None = None
) -> dict[str, Any]:
    """Return what the report says as plain data, in SI."""
    test = analysis.test
    return {
        "aircraft": {
            "id": str(test.setup.aircraft_id),
            "registration": test.setup.aircraft.registration,
        },
        "operator": {"id": str(analysis.operator_id), "name": analysis.operator.name},
        "setup": {"id": str(test.setup_id), "name": str(test.setup)},
        "test": {"id": str(test.pk), "flown_on": test.flown_on.isoformat()},
        "analysis": {
            "id": str(analysis.pk),
            "method_version": analysis.method_version,
            "inputs_digest": analysis.inputs_digest,
            "document_digest": analysis.document_digest,
            "accepted_passes": analysis.accepted_passes,
            "one_way_swath_m": analysis.one_way_swath_m,
            "back_and_forth_swath_m": analysis.back_and_forth_swath_m,
        },
        "approval": approval_record(approval) if approval else None,
        "rests_on": [str(approval.pk)] if approval else [],
        "since_the_test_before": comparison.record(before) if before else None,
    }


def embedded(analysis: AnalysisRun) -> list[EmbeddedFile]:
    """Return inputs and result as the files whose digests stand in the report."""
    inputs = json.dumps(analysis.inputs, sort_keys=True).encode()
    return [
        EmbeddedFile("inputs.json", "Inputs of the analysis", inputs),
        EmbeddedFile("result.json", "Result of the analysis", analysis.document.encode()),
    ]
