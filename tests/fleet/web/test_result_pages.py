"""A result with its slider, approving it, the evidence, reports."""

from __future__ import annotations

import datetime
import json
import re

import numpy as np
import pytest
from django.urls import reverse
from django.utils import timezone

from fleet import jobs, storage
from fleet.models import Approval, Job, Paper
from fleet.services import analyses, approvals
from fleet.services import passes as pass_services
from fleet.web.slider import data, slider
from patterns.overlap import cv_percent
from tests.cast import (
    Cast,
    make_aircraft,
    make_analysis,
    make_approval,
    make_setup,
    make_tested,
)
from tests.fleet.web.asking import HTMX, queries_of, signed_in, words_of

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("everyone")]


@pytest.fixture
def run(cast: Cast):
    return make_analysis(cast)


def result(run) -> str:
    return reverse("analysis", args=[run.pk])


def wish(run, **changes):
    values = {
        "swath_m": f"{run.back_and_forth_swath_m / 0.3048:.0f}",
        "manner": "back_and_forth",
        "valid_until": (timezone.localdate() + datetime.timedelta(days=200)).isoformat(),
    }
    return {**values, **changes}


# --- the result


def test_the_recommended_swath_comes_first_with_its_reason(cast: Cast, run):
    words = words_of(signed_in(cast.pilot).get(result(run)))
    feet = f"{run.back_and_forth_swath_m / 0.3048:.0f}"
    assert f"Recommended swath, back-and-forth {feet} ft" in words
    assert f"CV {run.back_and_forth_cv_percent:.1f} %" in words
    assert "not permission to spray" in words
    choice = run.result.recommended.back_and_forth
    assert choice.reason.split(" ")[0] in words


def test_metric_readers_see_metres(cast: Cast, run):
    cast.owner.unit_system = "metric"
    cast.owner.save(update_fields=["unit_system"])
    words = words_of(signed_in(cast.owner).get(result(run)))
    metres = f"{run.back_and_forth_swath_m:.1f}".removesuffix(".0")
    assert f"Recommended swath, back-and-forth {metres} m" in words
    assert " ft" not in words


@pytest.mark.parametrize("who", ["owner", "pilot", "staff"])
def test_others_read_but_are_not_asked_to_approve(cast: Cast, run, who: str):
    client = signed_in(cast.everybody[who])
    answer = client.get(result(run))
    assert answer.status_code == 200
    assert reverse("approve", args=[run.pk]) not in answer.content.decode()
    assert client.get(reverse("approve", args=[run.pk])).status_code == 403
    assert client.post(reverse("approve", args=[run.pk]), wish(run)).status_code == 403
    assert not Approval.objects.exists()


def test_an_outsider_finds_nothing(cast: Cast, run):
    approval = make_approval(cast, run)
    client = signed_in(cast.outsider)
    for name, key in (
        ("analysis", run.pk),
        ("approve", run.pk),
        ("approval", approval.pk),
    ):
        assert client.get(reverse(name, args=[key])).status_code == 404, name
    assert client.post(reverse("report", args=[run.pk])).status_code == 404
    assert client.post(reverse("withdraw", args=[approval.pk])).status_code == 404


def test_one_pass_and_changed_passes_are_cautioned(cast: Cast):
    run = make_analysis(cast, make_tested(cast, passes=1))
    client = signed_in(cast.analyst)
    words = words_of(client.get(result(run)))
    assert "One pass only" in words
    assert "One pass: no bounds" in words
    first = run.test.passes.first()
    pass_services.overrule(first, by=cast.analyst, overrule="include", reason="Looks well.")
    assert "have changed since this analysis" in words_of(client.get(result(run)))


def test_the_reason_of_a_left_out_pass_stands_in_the_table(cast: Cast):
    test = make_tested(cast, passes=4)
    last = test.passes.last()
    pass_services.overrule(last, by=cast.analyst, overrule="leave_out", reason="A tailwind gust.")
    words = words_of(signed_in(cast.owner).get(result(make_analysis(cast, test))))
    assert "A tailwind gust." in words
    assert "3 of 4 count" in words


def test_other_analyses_of_the_test_are_listed(cast: Cast, run):
    later = make_analysis(cast, run.test, cv_limit_percent=20.0)
    html = signed_in(cast.owner).get(result(later)).content.decode()
    assert result(run) in html


def test_a_result_asks_as_much_for_three_passes_as_for_one(cast: Cast):
    client = signed_in(cast.owner)
    one = make_analysis(cast, make_tested(cast, passes=1))
    three = make_analysis(cast, make_tested(cast, make_setup(cast, make_aircraft(cast, number=2))))
    assert queries_of(client, result(one)) == queries_of(client, result(three))


# --- the slider


def test_the_slider_stands_at_the_recommended_swath(cast: Cast, run):
    shown = slider(run.result, "us", "back_and_forth")
    assert shown.swath_m == run.back_and_forth_swath_m
    assert shown.value == round(run.back_and_forth_swath_m / 0.3048, 1)
    assert shown.least < shown.value < shown.most
    html = signed_in(cast.analyst).get(result(run)).content.decode()
    assert f'value="{shown.value:g}"' in html


def test_the_slider_data_give_the_cv_of_the_analysis(cast: Cast, run):
    html = signed_in(cast.analyst).get(result(run)).content.decode()
    found = re.search(r'<script id="slider-data" type="application/json">(.*?)</script>', html)
    sent = json.loads(found[1])
    deposit = np.array(sent["deposit"])
    swaths = np.array(sent["swaths_m"])
    curve = run.result.uniformity.back_and_forth
    for index in (5, 40, len(swaths) - 1):
        cv = cv_percent(
            deposit, sent["step_m"], swaths[index], (deposit.size - 1) // 2, "back_and_forth"
        )
        assert cv == pytest.approx(curve.cv_percent[index], abs=1e-6)
    assert sent["back_and_forth"]["high_percent"] == curve.high_percent.tolist()
    assert sent["stops_m"] == [run.one_way_swath_m, run.back_and_forth_swath_m]


def test_one_pass_sends_no_bounds(cast: Cast):
    run = make_analysis(cast, make_tested(cast, passes=1))
    sent = data(run.result, slider(run.result, "us", "one_way"), "us")
    assert sent["one_way"] == {"low_percent": None, "high_percent": None}


def test_without_script_the_server_draws_the_swath_asked_for(cast: Cast, run):
    client = signed_in(cast.owner)
    answer = client.get(result(run), {"swath": "40", "manner": "one_way"})
    html = answer.content.decode()
    assert 'data-swath="12.192"' in html  # 40 ft
    assert 'data-manner="one_way"' in html
    at = float(
        np.interp(12.192, run.result.uniformity.swath_m, run.result.uniformity.one_way.cv_percent)
    )
    assert f"<span data-value>{at:.1f}</span>" in html


@pytest.mark.parametrize("asked", ["", "wide", "nan", "inf", "-5", "1e9"])
def test_a_swath_that_is_none_shows_the_recommended_one(cast: Cast, run, asked: str):
    shown = slider(run.result, "us", "one_way", asked)
    assert shown.swath_m == run.one_way_swath_m


# --- approving


def test_approve_the_swath_of_the_slider(cast: Cast, run):
    client, address = signed_in(cast.analyst), reverse("approve", args=[run.pk])
    page = client.get(address, {"at_m": "15.24", "manner": "one_way"})
    html = page.content.decode()
    assert 'value="50"' in html
    assert '<option value="one_way" selected' in html
    assert "Within the evidence" in words_of(page)
    answer = client.post(address, wish(run, swath_m="50", manner="one_way", note="Calm."))
    approval = Approval.objects.get()
    assert answer.url == reverse("approval", args=[approval.pk])
    assert approval.swath_m == pytest.approx(15.24)
    assert (approval.manner, approval.note) == ("one_way", "Calm.")


def test_the_recommended_swath_is_within_the_evidence_after_rounding_to_feet(cast: Cast, run):
    address = reverse("approve", args=[run.pk])
    signed_in(cast.analyst).post(address, wish(run))
    assert Approval.objects.get().swath_m == pytest.approx(run.back_and_forth_swath_m)


def test_outside_the_evidence_needs_a_reason(cast: Cast, run):
    client, address = signed_in(cast.analyst), reverse("approve", args=[run.pk])
    wide = f"{run.back_and_forth_swath_m / 0.3048 + 6:.0f}"
    answer = client.post(address, wish(run, swath_m=wide))
    words = words_of(answer)
    assert "Outside the evidence" in words
    assert "Write down why it is approved all the same" in words
    assert not Approval.objects.exists()
    client.post(address, wish(run, swath_m=wide, outside_reason="Border lines only."))
    approval = Approval.objects.get()
    assert approval.outside_reason == "Border lines only."
    evidence = words_of(client.get(reverse("approval", args=[approval.pk])))
    assert "Outside the evidence." in evidence
    assert "Approved because: Border lines only." in evidence


def test_the_evidence_follows_the_swath_while_it_is_typed(cast: Cast, run):
    client, address = signed_in(cast.analyst), reverse("approve", args=[run.pk])
    near = client.get(address, {"swath_m": "40", "manner": "one_way"}, **HTMX)
    assert "Within the evidence" in words_of(near)
    assert "40 ft: CV" in words_of(near)
    assert 'class="gap"' not in near.content.decode()
    far = client.get(address, {"swath_m": "120", "manner": "one_way"}, **HTMX)
    assert "Outside the evidence" in words_of(far)
    assert 'class="gap"' in far.content.decode()
    assert client.get(address, {"swath_m": "", "manner": "one_way"}, **HTMX).status_code == 200


def test_valid_for_a_year_from_the_test_unless_that_is_past(cast: Cast, run, monkeypatch):
    client, address = signed_in(cast.analyst), reverse("approve", args=[run.pk])
    flown = run.test.flown_on
    monkeypatch.setattr(timezone, "localdate", lambda *a: flown + datetime.timedelta(days=30))
    assert f'value="{flown.replace(year=flown.year + 1).isoformat()}"' in (
        client.get(address).content.decode()
    )
    monkeypatch.setattr(timezone, "localdate", lambda *a: flown + datetime.timedelta(days=400))
    assert 'name="valid_until" value=' not in client.get(address).content.decode()


def test_what_is_superseded_is_named_before_and_after(cast: Cast, run):
    first = make_approval(cast, run, swath_m=12.192)
    client, address = signed_in(cast.analyst), reverse("approve", args=[run.pk])
    words = words_of(client.get(address))
    assert "Takes the place of the approval of 40 ft, back-and-forth, by Anik String" in words
    client.post(address, wish(run))
    words = words_of(client.get(reverse("approval", args=[first.pk])))
    assert "Superseded" in words
    assert "A newer approval took its place" in words


def test_a_changed_set_up_can_no_longer_be_approved(cast: Cast, run):
    make_setup(cast, run.test.setup.aircraft, pressure_kpa=300.0)
    client = signed_in(cast.analyst)
    assert "changed to revision 2 since" in words_of(client.get(result(run)))
    assert reverse("approve", args=[run.pk]) not in client.get(result(run)).content.decode()
    answer = client.post(reverse("approve", args=[run.pk]), wish(run))
    assert "The set-up was changed to revision 2; test again." in words_of(answer)
    assert not Approval.objects.exists()


# --- evidence


def test_evidence_shows_what_the_approval_rests_on(cast: Cast, run):
    approval = make_approval(cast, run)
    answer = signed_in(cast.owner).get(reverse("approval", args=[approval.pk]))
    html, words = answer.content.decode(), words_of(answer)
    assert "In force" in words
    assert run.document_digest in words
    for entry in run.inputs["passes"]:
        assert entry["digest"] in words
    for one in run.test.passes.all():
        assert reverse("raw-file", args=[one.pk]) in html
    assert "Withdraw this approval" not in words


def test_withdraw_needs_a_reason_which_stays_beside_it(cast: Cast):
    approval = make_approval(cast)
    client, address = signed_in(cast.analyst), reverse("withdraw", args=[approval.pk])
    assert "Say why" in words_of(client.post(address, {"reason": ""}))
    assert not hasattr(Approval.objects.get(), "withdrawal")
    client.post(address, {"reason": "Boom was bent."})
    words = words_of(client.get(reverse("approval", args=[approval.pk])))
    assert "Withdrawn" in words
    assert "Boom was bent." in words
    assert "Withdraw this approval" not in words


@pytest.mark.parametrize("who", ["owner", "pilot", "staff"])
def test_nobody_but_an_analyst_withdraws(cast: Cast, who: str):
    approval = make_approval(cast)
    client = signed_in(cast.everybody[who])
    answer = client.post(reverse("withdraw", args=[approval.pk]), {"reason": "No."})
    assert answer.status_code == 403
    assert not hasattr(Approval.objects.get(), "withdrawal")


def test_evidence_asks_as_much_after_three_approvals_as_after_two(cast: Cast, run):
    first = make_approval(cast, run, swath_m=12.192)
    client, address = signed_in(cast.owner), reverse("approval", args=[first.pk])
    make_approval(cast, run, swath_m=12.8016)
    before = queries_of(client, address)
    third = make_approval(cast, run, swath_m=13.1064)
    approvals.withdraw(third, by=cast.analyst, reason="Test.")
    assert queries_of(client, address) == before


# --- papers


def test_a_paper_comes_as_it_was_issued(cast: Cast, run):
    digest = storage.keep(b"%PDF-1.7 a paper")
    paper = Paper.objects.create(
        operator=run.operator,
        kind="test_report",
        analysis=run,
        job=analyses.request_analysis(run.test, by=cast.analyst),
        unit_system="us",
        page_size="letter",
        digest=digest,
        size=16,
        issued_by=cast.owner,
    )
    client, address = signed_in(cast.pilot), reverse("paper", args=[paper.pk])
    answer = client.get(address)
    assert (answer.content, answer["Content-Type"]) == (b"%PDF-1.7 a paper", "application/pdf")
    assert answer["Content-Disposition"] == 'inline; filename="XX-R01 pattern test 2026-04-14.pdf"'
    assert signed_in(cast.outsider).get(address).status_code == 404
    assert address in client.get(result(run)).content.decode()


def test_a_report_is_a_job_in_the_persons_paper_size(cast: Cast, run, monkeypatch):
    monkeypatch.setitem(jobs._handlers, "paper", lambda job, progress: lambda: None)
    answer = signed_in(cast.pilot).post(reverse("report", args=[run.pk]), {"page_size": "a4"})
    job = Job.objects.get(kind="paper")
    assert answer.url == reverse("job", args=[job.pk])
    assert job.parameters["page_size"] == "a4"
    page = words_of(signed_in(cast.pilot).get(answer.url))
    assert "Paper of XX-R01" in page
    wrong = signed_in(cast.pilot).post(reverse("report", args=[run.pk]), {"page_size": "a0"})
    assert wrong.url == result(run)
    assert Job.objects.filter(kind="paper").count() == 1


# --- what has ended never looks as if it stood


def test_an_ended_approval_is_called_so_wherever_it_is_shown(cast: Cast, run):
    approval = make_approval(cast, run)
    aircraft, test = approval.aircraft, run.test
    pages = [
        reverse("aircraft", args=[aircraft.pk]),
        reverse("setup", args=[approval.setup_id]),
        reverse("approval", args=[approval.pk]),
        reverse("analysis", args=[run.pk]),
        reverse("test", args=[test.pk]),
        reverse("visit", args=[test.visit_id]),
    ]
    owner, analyst = signed_in(cast.owner), signed_in(cast.analyst)
    for page in pages[:4]:
        assert "In force" in words_of(owner.get(page)), page
    make_setup(cast, aircraft, pressure_kpa=310.0)
    for page in pages:
        for reader in (owner, analyst):
            words = words_of(reader.get(page))
            assert "Set-up changed" in words, page
            assert "In force" not in words, page
