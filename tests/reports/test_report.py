"""The test report: from the rows to a paper that is kept, and what stands in it.

The figures are checked against the stored rows and exact conversions (1 ft = 0.3048 m; NIST
Handbook 44, appendix C); the file against the rules of PDF/A-3a and PDF/UA-1 by a validator of
others.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
import pytest

from fleet import jobs, storage
from fleet.models import AnalysisRun, Approval, Paper, PaperSlip, Person, SetUp
from fleet.services import aircraft as aircraft_services
from fleet.services import approvals, papers, passes, people
from fleet.services import tests as test_services
from reports import test_report
from reports.evidence import nozzle_words
from reports.paper import make
from tests import cast as casting
from tests.cast import Cast
from tests.reports.reading import (
    broken_rules,
    draws,
    elements,
    fonts,
    opened,
    overprinted,
    scanned,
    text_of,
)
from tests.reports.setting import check_address, pdf_of, undone

pytestmark = pytest.mark.usefixtures("everyone")

LONG_NAME = "Cottonwood Bend and Lower Prairie Flying Applicators Cooperative of Calloway County"
LONG_MODEL = "Sower 400 Turbine Long-Wing Special Conversion"
LONG_REASON = (
    "The operator flies this width over open rangeland only, with the owner's written consent, and "
    "the analyst looked at the field at this spacing for every pass on the string. "
) * 2
LETTER, A4 = (612.0, 792.0), (595.28, 841.89)  # points: 8.5 by 11 in; ISO 216 A4


# --- Making ---------------------------------------------------------------------------------------


def issued(analysis: AnalysisRun, by: Person, page_size: str = "letter") -> Paper:
    job = papers.request_report(analysis, by=by, page_size=page_size)
    jobs.run(job.pk)
    job.refresh_from_db()
    assert (job.state, job.reason) == ("done", "")
    return Paper.objects.get(job=job)


def printed(analysis: AnalysisRun, system: str = "us", page_size: str = "letter") -> bytes:
    approval = test_report.shown_approval(analysis, None)
    return pdf_of(test_report.drafted(analysis, approval, system=system, page_size=page_size))  # type: ignore[arg-type]


@dataclass(frozen=True)
class Usual:
    """A report as most are, in feet, with a swath of 50 ft approved."""

    cast: Cast
    analysis: AnalysisRun
    approval: Approval
    pdf: bytes
    text: str


@pytest.fixture(scope="module")
def usual(django_db_setup: None, django_db_blocker: Any) -> Usual:
    """Made once for all tests that only read it."""
    with undone(django_db_blocker):
        cast = casting.make_cast()
        analysis = casting.make_analysis(cast)
        approval = casting.make_approval(cast, analysis, swath_m=15.24)  # 50 ft exactly
        pdf = printed(analysis)
    return Usual(cast, analysis, approval, pdf, text_of(pdf))


def pages_of(pdf: bytes) -> int:
    with opened(pdf) as document:
        return len(document.pages)


def uneven_trace() -> bytes:
    """Three spikes far apart: no swath of the sweep comes out even."""
    position = np.arange(0.0, 130.0 + 1e-9, 0.5)
    reading = 40.0 + 900.0 * sum(np.exp(-(((position - at) / 1.5) ** 2)) for at in (45, 65, 90))
    rows = (f"{p:.1f},{r:.2f}" for p, r in zip(position, reading, strict=True))
    return "\n".join(["position_ft,reading", *rows]).encode()


def long_setup(cast: Cast) -> SetUp:
    """Sixty nozzles of nine kinds on an aircraft and for an operator with long names."""
    operator = people.add_operator(by=None, name=LONG_NAME, base="Saint Bartholomew Flying Field")
    aircraft = aircraft_services.add_aircraft(
        by=cast.staff,
        operator=operator,
        registration="XX-L99",
        make="Invented Aeronautical Works",
        model=LONG_MODEL,
        kind="helicopter",
        span_m=15.0,
    )
    nozzles = casting.nozzles(60, 11.2)
    for index, nozzle in enumerate(nozzles):
        nozzle["type"] = ("flat fan", "straight stream", "hollow cone")[index % 3]
        nozzle["deflection_deg"] = (0.0, 15.0, 30.0)[index // 20]
    return casting.make_setup(cast, aircraft, nozzles=nozzles, boom_width_m=11.2)


# --- From the rows to the paper -------------------------------------------------------------------


@pytest.mark.service
@pytest.mark.parametrize(("page_size", "points"), [("letter", LETTER), ("a4", A4)])
def test_a_report_is_made_kept_and_issued(
    cast: Cast, page_size: str, points: tuple[float, float]
) -> None:
    approval = casting.make_approval(cast)
    paper = issued(approval.analysis, cast.owner, page_size)
    assert (paper.analysis, paper.approval) == (approval.analysis, approval)
    assert (paper.page_size, paper.unit_system) == (page_size, "us")
    pdf = storage.fetch(paper.digest)
    assert (hashlib.sha256(pdf).hexdigest(), len(pdf)) == (paper.digest, paper.size)
    with opened(pdf) as document:
        box = [float(edge) for edge in document.pages[0].MediaBox]
        assert box == pytest.approx([0, 0, *points], abs=0.01)
    assert scanned(pdf) == scanned(pdf, 0.5) == [check_address(paper)]


def test_the_same_rows_give_the_same_bytes(cast: Cast) -> None:
    approval = casting.make_approval(cast)
    paper = issued(approval.analysis, cast.owner)
    slip = PaperSlip.objects.get(pk=paper.slip_id)
    again = make(slip, test_report.draft(slip))  # as a worker would that begins again
    assert storage.digest_of(again.pdf) == paper.digest
    assert again.record.decode() == paper.record
    assert again.signed == paper.signed


def test_four_passes_fill_two_pages_and_keep_the_standards(cast: Cast) -> None:
    test = casting.make_tested(cast, passes=4)
    passes.add_aborted_pass(test, by=cast.analyst, reason="Gust before the string; flown again.")
    analysis = casting.make_analysis(cast, test)
    casting.make_approval(cast, analysis, note="Keep to lines of even height.")
    for system, page_size in product(("us", "metric"), ("letter", "a4")):
        pdf = printed(analysis, system, page_size)
        assert pages_of(pdf) <= 2, (system, page_size)
        assert broken_rules(pdf) == [], (system, page_size)
        assert overprinted(pdf) == [], (system, page_size)


def test_it_is_tagged_titled_and_its_fonts_are_inside(usual: Usual) -> None:
    with opened(usual.pdf) as document:
        assert document.Root.Lang == "en"
        assert str(document.docinfo.Title).startswith("Test report XX-R01, Main season work")
        kinds = [str(one.S) for one in elements(document)]
        assert kinds.count("/H1") == 1
        assert kinds.count("/H2") == 9
        assert kinds.count("/Figure") == 5  # four charts and the square code
        assert kinds.count("/Table") == 4
        for one in elements(document):
            if str(one.S) == "/Figure":
                assert len(str(one.Alt)) > 40
        assert all("/FontFile2" in one for one in fonts(document))


def test_result_and_inputs_are_inside_under_the_digests_printed(usual: Usual) -> None:
    analysis, text = usual.analysis, usual.text
    with opened(usual.pdf) as document:
        files = {
            name: document.attachments[name].get_file().read_bytes()
            for name in ("inputs.json", "result.json")
        }
        assert [str(one.AFRelationship) for one in document.Root.AF] == ["/Data"] * 4
    assert files["result.json"].decode() == analysis.document
    assert json.loads(files["inputs.json"]) == analysis.inputs
    for data in files.values():
        assert hashlib.sha256(data).hexdigest() in text
    for entry in analysis.inputs["passes"]:
        assert hashlib.sha256(storage.fetch(entry["digest"])).hexdigest() in text


def test_its_date_is_that_of_the_last_statement_in_it(usual: Usual) -> None:
    with opened(usual.pdf) as document:
        assert document.docinfo.CreationDate == f"{usual.approval.created_at:D:%Y%m%d%H%M%SZ}"


# --- What stands in it ----------------------------------------------------------------------------


def test_the_answer_in_feet(usual: Usual) -> None:
    analysis, approval, text = usual.analysis, usual.approval, usual.text
    choice = analysis.result.recommended.back_and_forth
    assert (
        f"Approved swath 50 ft Back-and-forth Valid until {approval.valid_until:%-d %B %Y}" in text
    )
    assert f"Approved by {usual.cast.analyst.name}" in text
    recommended_ft = choice.swath_m / 0.3048
    assert f"Recommended by the test {recommended_ft:.0f} ft Back-and-forth" in text
    bounds = f"{choice.cv_low_percent:.1f} to {choice.cv_high_percent:.1f} %"
    assert f"CV there {choice.cv_percent:.1f} %, {bounds}" in text
    assert draws(text, "50 ft approved")
    assert draws(text, "Field at a swath of 50 ft, back and forth")
    assert "flown 3.3 ft too wide or too narrow" in text
    assert "139 mph" in text  # 62 m/s
    assert "40 psi" in text  # 276 kPa
    assert "64 °F" in text  # 18 °C
    assert "9.4 °F" in text  # Delta T of 5.2 K


def test_the_answer_in_metres(cast: Cast) -> None:
    analysis = casting.make_analysis(cast)
    casting.make_approval(cast, analysis, swath_m=15.0)
    text = text_of(printed(analysis, "metric"))
    assert "Approved swath 15 m Back-and-forth" in text
    assert draws(text, "Field at a swath of 15 m, back and forth")
    assert analysis.result.recommended.back_and_forth.reason in text
    for words in (
        "223 km/h",
        "276 kPa",
        "18.0 °C",
        "2.5 m/s from 190°, read at 2.5 m",
        "28.0 L/ha",
    ):
        assert words in text


def test_method_passes_wind_and_cautions_stand_in_it(usual: Usual) -> None:
    analysis, text = usual.analysis, usual.text
    assert f"Method version {analysis.method_version}" in text
    assert "CV limit 25 %" in text
    for number in (1, 2, 3):
        assert f"{number} pass{number}.csv Used" in text
    # 2.5 m/s from 190° on a line of 180°: 2.5·sin 10° = 0.43 m/s = 1.0 mph across, from the right
    # wing; 2.5·cos 10° = 2.46 m/s = 5.5 mph against.
    assert "180° 1.0 from right 5.5 head" in text
    assert "ASTM E642" in text
    assert "40 flat fan 4010 at 10°" in text
    for caution in test_report.CAUTIONS:
        assert caution in text
    assert text.count(test_report.CAUTIONS[0]) >= 4  # answer, end, and the foot of both pages
    assert "Page 2 of 2" in text


def test_passes_not_used_are_there_with_the_reason(cast: Cast) -> None:
    test = casting.make_tested(cast, passes=3)
    other = casting.trace_file(seed=9, width_ft=30.0)
    passes.add_passes(test, by=cast.analyst, files=[("narrow.csv", other)])
    passes.add_aborted_pass(test, by=cast.analyst, reason="The string tore at the left stake.")
    third = test.passes.get(number=3)
    passes.overrule(third, by=cast.analyst, overrule="leave_out", reason="Flown 20 ft too high.")
    analysis = casting.make_analysis(cast, test)
    later = ("later.csv", casting.trace_file(seed=5))
    passes.add_passes(test, by=cast.analyst, files=[later])
    text = text_of(printed(analysis))
    (suspect,) = [r.text for r in analysis.result.passes[3].remarks if r.weight == "suspect"][:1]
    assert "4 narrow.csv Left out" in text
    assert suspect.split(".")[0] in text
    assert "3 pass3.csv Left out" in text
    assert "The analyst left this pass out, because: Flown 20 ft too high." in text
    assert "5 – Broken off – – – – – The string tore at the left stake." in text
    assert "6 later.csv Not in it" in text
    assert "Passes or conditions were changed after this analysis" in text


# --- Every state ----------------------------------------------------------------------------------


def test_without_an_approval(cast: Cast) -> None:
    analysis = casting.make_analysis(cast)
    paper = issued(analysis, cast.owner)
    assert paper.approval is None
    text = text_of(storage.fetch(paper.digest))
    assert "Approved swath None No swath has been approved on this analysis." in text
    swath_ft = analysis.back_and_forth_swath_m / 0.3048
    assert draws(text, f"Field at a swath of {swath_ft:.0f} ft")


def test_a_withdrawn_approval_says_so(cast: Cast) -> None:
    approval = casting.make_approval(cast)
    approvals.withdraw(approval, by=cast.analyst, reason="The left boom end was bent.")
    pdf = printed(approval.analysis)
    text = text_of(pdf)
    assert "Approved swath: WITHDRAWN" in text
    assert "Was valid until" in text
    assert f"Withdrawn by {cast.analyst.name}" in text
    assert "The left boom end was bent. Do not use this swath." in text
    assert not draws(text, "ft approved")
    with opened(pdf) as document:
        withdrawn = Approval.objects.get(pk=approval.pk).withdrawal
        assert document.docinfo.ModDate == f"{withdrawn.created_at:D:%Y%m%d%H%M%SZ}"


def test_a_superseded_approval_says_so(cast: Cast) -> None:
    analysis = casting.make_analysis(cast)
    older = casting.make_approval(cast, analysis, swath_m=15.24)
    casting.make_approval(cast, analysis, swath_m=13.716)  # 45 ft
    shown = test_report.shown_approval(analysis, str(older.pk))
    pdf = pdf_of(test_report.drafted(analysis, shown, system="us", page_size="letter"))
    text = text_of(pdf)
    assert "Approved swath: SUPERSEDED 50 ft" in text
    assert "by the approval of 45 ft, back-and-forth" in text
    assert text_of(printed(analysis)).count("Approved swath 45 ft") == 1


def test_an_approval_outside_the_evidence_says_why(cast: Cast) -> None:
    analysis = casting.make_analysis(cast)
    swath_m = analysis.back_and_forth_swath_m + 2.0
    casting.make_approval(cast, analysis, swath_m=swath_m, outside_reason=LONG_REASON)
    text = text_of(printed(analysis))
    assert "Outside the evidence, see the reason below" in text
    assert LONG_REASON.strip() in text


def test_one_pass_claims_no_bounds(cast: Cast) -> None:
    analysis = casting.make_analysis(cast, casting.make_tested(cast, passes=1))
    pdf = printed(analysis)
    text = text_of(pdf)
    assert broken_rules(pdf) == []
    assert "One pass says nothing about how much passes differ" in text
    assert f"CV there {analysis.back_and_forth_cv_percent:.1f} % Widest" in text
    assert not draws(text, "% bounds")


def test_no_recommended_swath(cast: Cast) -> None:
    test = casting.make_test(cast, casting.make_setup(cast, casting.make_aircraft(cast)))
    passes.add_passes(test, by=cast.analyst, files=[("spikes.csv", uneven_trace())])
    analysis = casting.make_analysis(cast, test)
    assert analysis.back_and_forth_swath_m is None
    pdf = printed(analysis)
    text = text_of(pdf)
    assert broken_rules(pdf) == []
    assert "Recommended by the test None Back-and-forth" in text
    assert "No swath can be recommended." in text
    assert not draws(text, "Field at a swath")


def test_long_names_many_nozzles_and_six_passes_lose_nothing(cast: Cast) -> None:
    test = casting.make_tested(cast, long_setup(cast), passes=6)
    for _ in range(2):
        passes.add_aborted_pass(test, by=cast.analyst, reason=LONG_REASON[:190])
    test_services.change_conditions(test, by=cast.analyst, liquid="Water with rhodamine dye")
    analysis = casting.make_analysis(cast, test)
    swath_m = analysis.back_and_forth_swath_m + 2.0
    casting.make_approval(cast, analysis, swath_m=swath_m, outside_reason=LONG_REASON)
    for page_size in ("letter", "a4"):
        pdf = printed(analysis, "us", page_size)
        assert broken_rules(pdf) == [], page_size
        assert overprinted(pdf) == [], page_size
        text = text_of(pdf)
        for words in (LONG_NAME, LONG_MODEL, LONG_REASON.strip(), "20 hollow cone 4010 (7 at"):
            assert words in text
        assert draws(text, "60 nozzles")
        # Both passes; the approval begins alike.
        assert text.count(LONG_REASON[:190].strip()) == 2 + 1


def test_names_cannot_write_markup(cast: Cast) -> None:
    sly = '</p><img src="file:///etc/hostname" alt="x"><script>&amp;'
    setup = casting.make_setup(cast, casting.make_aircraft(cast), purpose=sly)
    analysis = casting.make_analysis(cast, casting.make_tested(cast, setup))
    assert sly in text_of(printed(analysis))


def test_nozzles_are_counted_by_kind() -> None:
    def nozzle(size: str, angle: float) -> dict[str, Any]:
        return {"type": "flat fan", "size": size, "deflection_deg": angle}

    same = [nozzle("4010", 10.0)] * 3
    assert nozzle_words(same) == "3 flat fan 4010 at 10°"
    assert nozzle_words([*same, nozzle("4008", 0.0)]) == (
        "4: 3 flat fan 4010 at 10°, 1 flat fan 4008 at 0°"
    )
    assert nozzle_words([*same, nozzle("4010", 30.0)]) == ("4 flat fan 4010 (3 at 10°, 1 at 30°)")
    assert nozzle_words([]) == "–"
