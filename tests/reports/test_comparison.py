"""The test report since the test before: what it says, as data too, and that it stays in bounds.

The figures are held against the stored rows of both analyses.
"""

from __future__ import annotations

import datetime

import numpy as np
import pytest

from fleet.models import AnalysisRun, Approval
from fleet.services import passes
from patterns.zones import Zone
from reports import comparison, test_report
from tests import cast as casting
from tests.cast import Cast
from tests.reports.reading import broken_rules, opened, overprinted, text_of
from tests.reports.setting import pdf_of

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("everyone")]

LATER = datetime.date(2026, 6, 2)


@pytest.fixture
def before(cast: Cast) -> Approval:
    return casting.make_approval(cast)


def later_analysis(cast: Cast, before: Approval, **changes: object) -> AnalysisRun:
    setup = before.setup
    if changes:
        setup = casting.make_setup(cast, before.aircraft, **changes)
    test = casting.make_test(cast, setup, casting.make_visit(cast, LATER))
    files = [(f"later{n}.csv", casting.trace_file(seed=20 + n, width_ft=82.0)) for n in range(3)]
    passes.add_passes(test, by=cast.analyst, files=files)
    return casting.make_analysis(cast, test)


def drafted(analysis: AnalysisRun, page_size: str = "letter") -> test_report.Draft:
    approval = test_report.shown_approval(analysis, None)
    return test_report.drafted(analysis, approval, system="us", page_size=page_size)


def zone(kind: str, from_m: float, to_m: float) -> Zone:
    middle = (from_m + to_m) / 2
    depth = -20.0 if kind == "low" else 20.0
    return Zone(kind, from_m, to_m, middle, to_m - from_m, depth, 0.99, True)  # type: ignore[arg-type]


def test_it_says_what_changed_and_both_figures(cast: Cast, before: Approval):
    fewer = casting.nozzles(38)
    now = later_analysis(cast, before, nozzles=fewer, pressure_kpa=310.0, rate_l_per_ha=47.0)
    approval = casting.make_approval(cast, now)
    draft = drafted(now)
    pdf = pdf_of(draft)
    text = text_of(pdf)
    assert "Since the test before" in text
    assert f"14 April 2026, Tamber Flat airstrip, {before.setup}" in text
    assert "Nozzle count 40 to 38" in text
    assert "pressure 40 psi to 45 psi" in text  # 6.894757 kPa a psi, NIST SP 811
    assert "intended rate 3.0 gal/acre to 5.0 gal/acre" in text  # 9.353956 L/ha, the same
    then_ft, now_ft = (one.swath_m / 0.3048 for one in (before, approval))
    assert f"{then_ft:.0f} ft back-and-forth, CV {before.cv_percent:.1f} % (approved); now" in text
    assert f"now {now_ft:.0f} ft back-and-forth, CV {approval.cv_percent:.1f} %" in text
    for other in (pdf, pdf_of(drafted(now, "a4"))):
        assert broken_rules(other) == []
        assert overprinted(other) == []
        with opened(other) as document:
            assert len(document.pages) <= test_report.MOST_PAGES
    says = draft.record["since_the_test_before"]
    assert says["flown_on"] == "2026-04-14"
    assert says["analysis_id"] == str(before.analysis_id)
    assert [one["what"] for one in says["changes"]][:1] == ["nozzle_count"]
    assert (says["then"]["swath_m"], says["now"]["swath_m"]) == (before.swath_m, approval.swath_m)
    at = says["cv_percent_at_the_swath_of_now"]["back_and_forth"]
    curve = before.analysis.result.uniformity
    expected = np.interp(approval.swath_m, curve.swath_m, curve.back_and_forth.cv_percent)
    assert at["then"] == pytest.approx(float(expected))
    assert at["now"] == pytest.approx(approval.cv_percent)


def test_the_same_revision_without_an_approval(cast: Cast, before: Approval):
    now = later_analysis(cast, before)
    text = text_of(pdf_of(drafted(now)))
    assert "Nothing; it is the same revision." in text
    assert "(recommended, none approved)" in text


def test_the_first_test_has_none_and_neither_has_another_purpose(cast: Cast, before: Approval):
    now = later_analysis(cast, before, purpose="Edges near water")
    for one in (before.analysis, now):
        draft = drafted(one)
        assert draft.record["since_the_test_before"] is None
    assert "Since the test before" not in text_of(pdf_of(draft))


def test_another_analysis_of_the_same_test_is_no_test_before(cast: Cast, before: Approval):
    again = casting.make_analysis(cast, before.analysis.test, cv_limit_percent=20.0)
    assert comparison.previous(again) is None


def test_a_report_made_again_after_a_later_analysis_says_the_same(cast: Cast, before: Approval):
    """What was analysed later is not compared with: a paper is known by its bytes."""
    now = later_analysis(cast, before)
    first = drafted(now).record
    casting.make_analysis(cast, before.analysis.test, cv_limit_percent=20.0)
    assert drafted(now).record == first


def test_findings_are_paired_where_they_overlap_most():
    then = (zone("low", -5.0, -3.0), zone("high", 1.0, 2.0), zone("low", 6.0, 7.0))
    now = (zone("low", -4.0, -2.0), zone("low", -4.9, -3.1), zone("low", 1.0, 2.0))
    gone, stayed, came = comparison._zones(then, now)
    assert gone == (then[1], then[2])
    assert stayed == ((then[0], now[1]),)
    assert came == (now[0], now[2])


def test_where_there_is_no_room_one_line_is_left(cast: Cast, before: Approval):
    now = later_analysis(cast, before)
    found = comparison.compare(now, None)
    *_, (spacing, _, last) = test_report._drafts(found, "us", with_cards=False)
    assert (spacing, len(last)) == ("tight", 1)
    assert "Compared with the test of 14 April 2026" in last[0].value
