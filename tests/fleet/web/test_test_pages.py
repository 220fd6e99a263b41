"""A test, its passes as they come in, asking for the analysis and watching it."""

from __future__ import annotations

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import override_settings
from django.urls import reverse

from fleet import jobs, storage
from fleet.models import AnalysisRun, FlightPass, Job, RawFile, Test
from fleet.services import analyses
from fleet.services import passes as pass_services
from fleet.services import tests as test_services
from tests.cast import (
    Cast,
    make_aircraft,
    make_analysis,
    make_approval,
    make_setup,
    make_test,
    make_tested,
    trace_file,
)
from tests.fleet.web.asking import HTMX, queries_of, signed_in, words_of

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("everyone")]
SETTINGS = {
    "cv_limit_percent": "25",
    "line_error_m": "3.281",
    "centring": "flight_line",
    "sweep": "us",
}


@pytest.fixture
def bare(cast: Cast) -> Test:
    """A test without passes."""
    return make_test(cast, make_setup(cast, make_aircraft(cast)))


def upload(*names: str, **contents: bytes):
    files = [
        SimpleUploadedFile(name, trace_file(seed=number)) for number, name in enumerate(names, 1)
    ]
    files += [SimpleUploadedFile(name, data) for name, data in contents.items()]
    return {"files": files}


def page(test: Test) -> str:
    return reverse("test", args=[test.pk])


# --- what comes next


def test_one_step_follows_the_other(cast: Cast, bare: Test):
    client = signed_in(cast.analyst)
    assert "Next: add the passes" in words_of(client.get(page(bare)))
    client.post(reverse("passes-add", args=[bare.pk]), upload("a.csv", "b.csv", "c.csv"))
    words = words_of(client.get(page(bare)))
    assert "3 of 3 passes count." in words
    assert "Analyse 3 passes" in words
    answer = client.post(reverse("analyse", args=[bare.pk]), SETTINGS)
    job = Job.objects.get()
    assert answer.url == reverse("job", args=[job.pk])
    assert "Analysis running" in words_of(client.get(page(bare)))
    jobs.run(job.pk)
    run = AnalysisRun.objects.get()
    answer = client.get(page(bare))
    assert "See the result" in words_of(answer)
    assert reverse("analysis", args=[run.pk]) in answer.content.decode()
    approval = make_approval(cast, run)
    answer = client.get(page(bare))
    assert "See the evidence" in words_of(answer)
    assert reverse("approval", args=[approval.pk]) in answer.content.decode()


def test_a_changed_pass_asks_for_a_new_analysis(cast: Cast):
    run = make_analysis(cast)
    client, test = signed_in(cast.analyst), run.test
    first = test.passes.first()
    pass_services.overrule(first, by=cast.analyst, overrule="leave_out", reason="A gust.")
    assert "have changed since analysis 1" in words_of(client.get(page(test)))
    pass_services.overrule(first, by=cast.analyst, overrule="", reason="")
    assert "have changed" not in words_of(client.get(page(test)))


def test_exactly_one_primary_action_at_every_step(cast: Cast, bare: Test):
    client = signed_in(cast.analyst)

    def primaries() -> int:
        return client.get(page(bare)).content.decode().count('primary"')

    assert primaries() == 1
    client.post(reverse("passes-add", args=[bare.pk]), upload("a.csv", "b.csv", "c.csv"))
    assert primaries() == 1
    run = make_analysis(cast, bare)
    assert primaries() == 1
    make_approval(cast, run)
    assert primaries() == 1


# --- who may


@pytest.mark.parametrize("who", ["owner", "pilot", "staff"])
def test_others_read_a_test_but_find_no_form_on_it(cast: Cast, who: str):
    test = make_tested(cast)
    answer = signed_in(cast.everybody[who]).get(page(test))
    assert answer.status_code == 200
    assert "<form" not in answer.content.decode().split("<main", 1)[1]


def test_an_outsider_finds_nothing_at_all(cast: Cast):
    run = make_analysis(cast)
    test, first = run.test, run.test.passes.first()
    client = signed_in(cast.outsider)
    for name, key in (
        ("test", test.pk),
        ("test-edit", test.pk),
        ("pass", first.pk),
        ("raw-file", first.pk),
        ("job", run.job_id),
    ):
        assert client.get(reverse(name, args=[key])).status_code == 404, name
    for name, key in (
        ("passes-add", test.pk),
        ("pass-aborted", test.pk),
        ("analyse", test.pk),
        ("pass-overrule", first.pk),
    ):
        assert client.post(reverse(name, args=[key])).status_code == 404, name


@pytest.mark.parametrize("who", ["owner", "pilot", "staff"])
def test_nobody_but_an_analyst_works_on_a_test(cast: Cast, who: str):
    test = make_tested(cast)
    first = test.passes.first()
    client = signed_in(cast.everybody[who])
    assert client.get(reverse("test-edit", args=[test.pk])).status_code == 403
    assert client.get(reverse("pass", args=[first.pk])).status_code == 200
    for name, key in (
        ("test-edit", test.pk),
        ("passes-add", test.pk),
        ("pass-aborted", test.pk),
        ("analyse", test.pk),
        ("pass", first.pk),
        ("pass-overrule", first.pk),
    ):
        assert client.post(reverse(name, args=[key])).status_code == 403, name
    assert test.passes.count() == 3
    assert not Job.objects.exists()


# --- files


def test_a_bad_file_among_good_ones_is_named_and_hinders_no_other(cast: Cast, bare: Test):
    sent = upload("good.csv", **{"bad.csv": b"position_ft,reading\n1,two\n", "empty.csv": b""})
    answer = signed_in(cast.analyst).post(reverse("passes-add", args=[bare.pk]), sent)
    words = words_of(answer)
    assert "good.csv is pass 1" in words
    assert "bad.csv Not added." in words
    assert "empty.csv Not added." in words
    assert [p.raw_file.name for p in bare.passes.all()] == ["good.csv"]


def test_the_same_file_again_is_told_by_its_pass(cast: Cast, bare: Test):
    client, address = signed_in(cast.analyst), reverse("passes-add", args=[bare.pk])
    client.post(address, upload("a.csv"))
    assert "The same file is pass 1 already" in words_of(client.post(address, upload("again.csv")))


def test_no_file_chosen_says_so(cast: Cast, bare: Test):
    answer = signed_in(cast.analyst).post(reverse("passes-add", args=[bare.pk]))
    assert "Choose one or more files first" in words_of(answer)


def test_a_file_over_the_limit_is_refused_by_its_size(cast: Cast, bare: Test):
    with override_settings(UPLOAD_LIMIT_BYTES=1000):
        sent = upload(**{"big.csv": b"0" * 1001})
        answer = signed_in(cast.analyst).post(reverse("passes-add", args=[bare.pk]), sent)
    assert "big.csv Not added. The file has" in words_of(answer)
    assert not RawFile.objects.exists()


def test_htmx_gets_the_live_part_of_the_page_only(cast: Cast, bare: Test):
    address = reverse("passes-add", args=[bare.pk])
    answer = signed_in(cast.analyst).post(address, upload("a.csv"), **HTMX)
    assert answer.content.decode().strip().startswith('<div id="live">')
    assert "a.csv is pass 1" in words_of(answer)


def test_each_pass_shows_trace_state_and_remarks_at_once(cast: Cast, bare: Test):
    client = signed_in(cast.analyst)
    good = [(f"p{n}.csv", trace_file(seed=n)) for n in (1, 2, 3)]
    weak = ("weak.csv", trace_file(seed=4, width_ft=40.0))
    pass_services.add_passes(bare, by=cast.analyst, files=[*good, weak])
    answer = client.get(page(bare))
    html, words = answer.content.decode(), words_of(answer)
    for number in (1, 2, 3, 4):
        assert f'id="pass-{number}-desk"' in html
        assert f'id="pass-{number}-phone"' in html
    assert words.count("Counts") == 3
    assert words.count("Left out") == 1
    assert "remark-suspect" in html.split('id="pass-4"', 1)[1]


def test_remarks_on_the_chart_are_in_the_readers_units(cast: Cast, bare: Test):
    test_services.change_conditions(bare, by=cast.analyst, file_flight_line=65.0)
    cut = b"\n".join(trace_file(seed=1).splitlines()[:160])  # the string ends within the deposit
    pass_services.add_passes(bare, by=cast.analyst, files=[("short.csv", cut)])
    answer = signed_in(cast.analyst).get(page(bare))
    chart = answer.context["passes"][0].drawings["desk"]
    remarks = answer.context["passes"][0].quality.remarks
    placed = [remark for remark in remarks if remark.from_m is not None]
    assert placed
    assert all(" m" in remark.text for remark in placed)  # SI where it comes from
    assert " ft" in chart
    assert not [word for word in chart.split() if word in ("m.", "m,", "m")]


def test_live_quality_is_what_the_analysis_decides(cast: Cast, bare: Test):
    files = [(f"p{n}.csv", trace_file(seed=n)) for n in (1, 2, 3)]
    files.append(("weak.csv", trace_file(seed=4, width_ft=40.0)))
    pass_services.add_passes(bare, by=cast.analyst, files=files)
    context = signed_in(cast.analyst).get(page(bare)).context
    live = [(one.quality.accepted, one.quality.remarks) for one in context["passes"]]
    run = make_analysis(cast, bare)
    assert live == [(one.accepted, one.remarks) for one in run.result.passes]
    assert [accepted for accepted, _ in live] == [True, True, True, False]


def test_a_damaged_kept_file_is_told_and_the_others_stay(cast: Cast, monkeypatch):
    test = make_tested(cast)
    lost = test.passes.first().raw_file.digest
    fetch = storage.fetch

    def gone(digest: str) -> bytes:
        if digest == lost:
            raise storage.KeptFileError("The kept file is missing from the store.")
        return fetch(digest)

    monkeypatch.setattr(storage, "fetch", gone)
    words = words_of(signed_in(cast.analyst).get(page(test)))
    assert "Cannot be read" in words
    assert "missing from the store" in words
    assert words.count("Counts") == 2


def test_a_test_asks_as_much_with_three_passes_as_with_one(cast: Cast):
    test = make_tested(cast, passes=1)
    client = signed_in(cast.analyst)
    before = queries_of(client, page(test))
    files = [(f"more{n}.csv", trace_file(seed=10 + n)) for n in (1, 2)]
    pass_services.add_passes(test, by=cast.analyst, files=files)
    assert queries_of(client, page(test)) == before


def test_raw_file_comes_back_byte_for_byte(cast: Cast):
    test = make_tested(cast)
    answer = signed_in(cast.owner).get(reverse("raw-file", args=[test.passes.first().pk]))
    assert answer.content == trace_file(seed=1)
    assert answer["Content-Disposition"] == 'attachment; filename="pass1.csv"'
    assert answer["Content-Type"] == "application/octet-stream"


def test_a_pass_without_file_has_none_to_hand_out(cast: Cast, bare: Test):
    aborted = pass_services.add_aborted_pass(bare, by=cast.analyst, reason="Dog on the strip.")
    client = signed_in(cast.analyst)
    assert client.get(reverse("raw-file", args=[aborted.pk])).status_code == 404
    assert "Dog on the strip." in words_of(client.get(reverse("pass", args=[aborted.pk])))


# --- one pass


def test_an_aborted_pass_has_its_reason(cast: Cast, bare: Test):
    client, address = signed_in(cast.analyst), reverse("pass-aborted", args=[bare.pk])
    assert "required" in words_of(client.post(address, {"aborted_reason": ""}))
    client.post(address, {"aborted_reason": "Wind swung round."})
    assert FlightPass.objects.get().aborted_reason == "Wind swung round."
    words = words_of(client.get(page(bare)))
    assert "Broken off" in words
    assert "Next: add the passes" in words


def test_overrule_needs_a_reason_and_goes_back_to_the_pass(cast: Cast):
    test = make_tested(cast)
    second = test.passes.get(number=2)
    client, address = signed_in(cast.analyst), reverse("pass-overrule", args=[second.pk])
    answer = client.post(address, {"overrule": "leave_out", "overrule_reason": " "})
    assert "Say why" in words_of(answer)
    second.refresh_from_db()
    assert second.overrule == ""
    answer = client.post(address, {"overrule": "leave_out", "overrule_reason": "Flew off line."})
    assert answer.url == f"{page(test)}#pass-2"
    words = words_of(client.get(page(test)))
    assert "Flew off line." in words
    assert words.count("Counts") == 2


def test_what_differed_on_a_pass_is_kept_in_si(cast: Cast):
    test = make_tested(cast)
    first = test.passes.first()
    values = {"heading_deg": "360", "wind_speed_m_s": "6.7", "airspeed_m_s": "140"}
    signed_in(cast.analyst).post(reverse("pass", args=[first.pk]), values)
    first.refresh_from_db()
    # 1 mph = 0.44704 m/s exactly (international mile, NIST SP 811)
    assert first.wind_speed_m_s == pytest.approx(6.7 * 0.44704)
    assert first.airspeed_m_s == pytest.approx(140 * 0.44704)
    assert (first.heading_deg, first.release_height_m) == (360.0, None)
    words = words_of(signed_in(cast.owner).get(page(test)))
    assert "On this pass: heading 360°, airspeed 140 mph, wind 6.7 mph." in words
    # The other passes fly south, 180°: wind from 190° comes 10° from the right of the nose.
    # 2.5 m/s · sin 10° = 0.434 m/s = 0.97 mph, worked by hand.
    assert "1.0 mph from the right" in words


def test_a_heading_that_is_none_comes_back_with_what_was_typed(cast: Cast):
    first = make_tested(cast).passes.first()
    answer = signed_in(cast.analyst).post(reverse("pass", args=[first.pk]), {"heading_deg": "361"})
    assert 'value="361"' in answer.content.decode()
    assert "less than or equal to 360" in words_of(answer)


# --- conditions


def test_conditions_once_for_all_passes_with_remarks_at_once(cast: Cast, bare: Test):
    client, address = signed_in(cast.analyst), reverse("test-edit", args=[bare.pk])
    values = {
        "flown_on": "2026-04-14",
        "line_heading_deg": "180",
        "wind_speed_m_s": "20",
        "wind_from_deg": "270",
        "wind_height_m": "8.2",
        "temperature_c": "86",
        "humidity_percent": "20",
        "file_unit": "ft",
    }
    assert client.post(address, values).url == page(bare)
    bare.refresh_from_db()
    assert bare.wind_speed_m_s == pytest.approx(20 * 0.44704)
    assert bare.temperature_c == pytest.approx(30.0)
    assert bare.wind_height_m == 2.5  # shown as 8.2 ft, not typed anew, so not rounded
    words = words_of(client.get(page(bare)))
    assert "20.0 mph from 270°" in words
    assert "90° off the line" in words


def test_the_weather_is_judged_while_it_is_typed_and_nothing_is_saved(cast: Cast, bare: Test):
    typed = {
        "line_heading_deg": "180",
        "wind_speed_m_s": "20",
        "wind_from_deg": "270",
        "wind_height_m": "8.2",
        "temperature_c": "9999",
    }
    answer = signed_in(cast.analyst).get(reverse("test-edit", args=[bare.pk]), typed, **HTMX)
    words = words_of(answer)
    assert "90° off the line" in words
    assert "Delta T is not known" in words
    bare.refresh_from_db()
    assert bare.wind_from_deg == 190.0


def test_conditions_that_make_the_files_unreadable_are_refused(cast: Cast):
    test = make_tested(cast)
    values = {"flown_on": "2026-04-14", "file_flight_line": "65", "file_unit": "ft"}
    client, address = signed_in(cast.analyst), reverse("test-edit", args=[test.pk])
    assert client.post(address, values).status_code == 302
    answer = client.post(address, {**values, "flown_on": "2027-01-01"})
    assert "Must be on the visit" in words_of(answer)
    test.refresh_from_db()
    assert (test.file_flight_line, test.flown_on.year) == (65.0, 2026)


# --- asking for an analysis, and watching it


def test_settings_out_of_range_come_back(cast: Cast):
    test = make_tested(cast)
    values = {**SETTINGS, "cv_limit_percent": "2"}
    answer = signed_in(cast.analyst).post(reverse("analyse", args=[test.pk]), values)
    assert "from 5 to 60 %" in words_of(answer)
    assert not Job.objects.exists()


def test_settings_are_kept_with_the_job_in_si(cast: Cast):
    test = make_tested(cast)
    values = {**SETTINGS, "cv_limit_percent": "20", "line_error_m": "5", "sweep": "metric"}
    signed_in(cast.analyst).post(reverse("analyse", args=[test.pk]), values)
    kept = Job.objects.get().parameters["settings"]
    assert kept["cv_limit_percent"] == 20
    assert kept["line_error_m"] == pytest.approx(1.524)  # 5 ft
    assert kept["sweep"] == "metric"


def test_the_sweep_begins_in_the_persons_own_units(cast: Cast):
    test = make_tested(cast)
    for system in ("us", "metric"):
        cast.analyst.unit_system = system
        cast.analyst.save(update_fields=["unit_system"])
        html = signed_in(cast.analyst).get(page(test)).content.decode()
        assert f'<option value="{system}" selected' in html


def test_nothing_to_analyse_says_so(cast: Cast, bare: Test):
    answer = signed_in(cast.analyst).post(reverse("analyse", args=[bare.pk]), SETTINGS)
    assert "no pass with a file yet" in words_of(answer)


def test_a_job_shows_its_own_words_and_leads_to_the_result(cast: Cast):
    test = make_tested(cast)
    job = analyses.request_analysis(test, by=cast.analyst)
    client, address = signed_in(cast.owner), reverse("job", args=[job.pk])
    whole = client.get(address)
    assert 'hx-trigger="every 1s"' in whole.content.decode()
    assert "Waiting for a free worker" in words_of(client.get(address, **HTMX))
    Job.objects.filter(pk=job.pk).update(state="running", words="Reading pass 2", share=0.25)
    answer = client.get(address, **HTMX)
    assert "Reading pass 2" in words_of(answer)
    assert 'value="0.250"' in answer.content.decode()
    Job.objects.filter(pk=job.pk).update(state="queued", words="")
    jobs.run(job.pk)
    there = reverse("analysis", args=[AnalysisRun.objects.get().pk])
    assert client.get(address, **HTMX)["HX-Redirect"] == there
    assert client.get(address).url == there
    staying = client.get(address + "?stay", **HTMX)
    assert (staying.status_code, "See what came of it" in words_of(staying)) == (286, True)


def test_an_analysis_that_cannot_be_done_says_why_and_what_to_do(cast: Cast):
    test = make_tested(cast)
    for one in test.passes.all():
        pass_services.overrule(one, by=cast.analyst, overrule="leave_out", reason="Gusts.")
    job = analyses.request_analysis(test, by=cast.analyst)
    jobs.run(job.pk)
    client = signed_in(cast.analyst)
    answer = client.get(reverse("job", args=[job.pk]), **HTMX)
    assert answer.status_code == 286  # htmx stops asking
    assert "no pass is accepted" in words_of(answer)
    assert "then ask again" in words_of(answer)
    words = words_of(client.get(page(test)))
    assert "The last analysis could not be done" in words
    assert "No pass counts" in words
    # After a later analysis that went well nobody wants to read about the failed one.
    for one in test.passes.all():
        pass_services.overrule(one, by=cast.analyst, overrule="", reason="")
    make_analysis(cast, test)
    assert "could not be done" not in words_of(client.get(page(test)))
