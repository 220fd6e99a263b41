"""The whole road in a browser, once on a desk and once on a phone.

Visit, aircraft and set-up, test, trace files, analysis, result with its slider, approval, and the
operator who reads the swath beside the aircraft until the set-up is changed.
"""

from __future__ import annotations

import datetime
import re
from pathlib import Path
from urllib.parse import urlsplit

import numpy as np
import pytest
from playwright.sync_api import Locator, Page, expect

from patterns.analyse import Analysis
from patterns.overlap import MANNERS, Manner, cv_by_folding, one_period
from tests.browser.conftest import Open
from tests.browser.looking import DESKTOP, PHONE, Guard, Size, faults, sign_in
from tests.browser.service import Service, wait_for

FEET = sorted((Path(__file__).resolve().parents[2] / "fixtures" / "demo" / "feet").glob("*.csv"))
BROKEN = {
    "name": "torn.csv",
    "mimeType": "text/csv",
    "buffer": b"position_ft,reading\n0.0,41\n0.5,4x1\n1.0,40\n",
}
FT = 0.3048  # exact: international foot of 1959
CONDITIONS = {
    "Line heading (°)": "180",
    "Wind speed (mph)": "5",
    "Wind from (°)": "185",
    "Wind gauge height (ft)": "8",
    "Temperature (°F)": "64",
    "Relative humidity (%)": "55",
}


@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=lambda size: size.name)
def test_road(size: Size, service: Service, open_as: Open, guard: Guard):
    registration = f"XX-B{size.width % 100:02d}"
    owner = open_as("owner", size)
    record_aircraft(owner, registration)

    analyst = open_as("", size)
    sign_in(analyst, "analyst")
    plan_visit(analyst, f"Dry Fork strip, {size.name}")
    start_test(analyst, registration)
    add_files(analyst)
    ask_for_analysis(analyst, service)

    result = service.analysis(key_of(analyst))
    see_result(analyst, result)
    try_swaths(analyst, result)
    refuse_then_approve(analyst)
    approved_ft = approve_recommended(analyst, result)
    sign_out(analyst)

    pilot = open_as("owner", PHONE)
    read_today(pilot, registration, approved_ft)
    get_report(pilot, guard)

    change_setup(open_as("staff", size), registration)
    see_change(pilot, registration)


# --- The steps -----------------------------------------------------------------------------------


def sound(page: Page) -> None:
    """No fault in the light, and no weak colour in the dark."""
    assert not faults(page) + faults(page, theme="dark")
    page.emulate_media(color_scheme="light")


def record_aircraft(page: Page, registration: str) -> None:
    page.goto("/fleet/")
    page.get_by_role("link", name="Add an aircraft").click()
    page.get_by_label("Registration").fill(registration)
    page.get_by_label("Model").fill("Sower 600")
    page.get_by_label("Wingspan or rotor diameter (ft)").fill("56")
    page.get_by_role("button", name="Save").click()
    page.get_by_role("link", name="Record a set-up").click()
    record_setup(page, "Main season work", "40")
    expect(page.locator("h1")).to_contain_text("Main season work")


def record_setup(page: Page, purpose: str, pressure_psi: str) -> None:
    page.get_by_label("Purpose").fill(purpose)
    page.get_by_label("Way of flying").select_option("back_and_forth")
    page.get_by_label("Airspeed (mph)").fill("145")
    page.get_by_label("Release height (ft)").fill("11")
    page.get_by_label("Boom pressure (psi)").fill(pressure_psi)
    page.get_by_label("Intended rate (gal/acre)").fill("3")
    page.get_by_label("Boom width (ft)").fill("41")
    page.get_by_label("Number of nozzles").fill("52")
    page.get_by_label(re.compile("^Type")).fill("straight stream")
    page.get_by_label(re.compile("^Size")).fill("SS-12")
    page.get_by_role("button", name="Record this set-up").click()
    expect(page).to_have_url(re.compile("/(set-ups|aircraft)/[^/]+/$"))


def plan_visit(page: Page, place: str) -> None:
    expect(page).to_have_url(re.compile("/visits/$"))
    page.get_by_role("link", name="Plan a visit").click()
    page.get_by_label("Kind").select_option("clinic")
    page.get_by_label("Place").fill(place)
    page.get_by_label("First day").fill(datetime.date.today().isoformat())
    page.get_by_label("Analyst").select_option(label="Anik String")
    page.get_by_role("button", name="Plan it").click()
    expect(page.locator("h1")).to_have_text(place)


def start_test(page: Page, registration: str) -> None:
    page.get_by_role("link", name="Start a test").click()
    page.get_by_label("Registration, operator or purpose").press_sequentially(registration)
    expect(page.locator("#found .line")).to_have_count(1)  # found while typing, without a reload
    page.get_by_role("button", name=f"Start the test of {registration}").click()
    for label, value in CONDITIONS.items():
        page.get_by_label(label).fill(value)
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_role("heading", name="Next: add the passes")).to_be_visible()


def add_files(page: Page) -> None:
    files = [
        {"name": file.name, "mimeType": "text/csv", "buffer": file.read_bytes()} for file in FEET
    ]
    page.evaluate("window.sameDocument = true")
    page.get_by_label("Trace files").set_input_files([*files, BROKEN])
    sent = page.get_by_role("region", name="Files just sent").get_by_role("listitem")
    expect(sent).to_have_count(len(FEET) + 1)
    for number, file in enumerate(FEET, start=1):
        expect(sent.filter(has_text=file.name)).to_contain_text(f"is pass {number}")
    torn = sent.filter(has_text=BROKEN["name"])
    expect(torn).to_contain_text("Not added.")
    expect(torn).to_contain_text("4x1")  # what is wrong, in the words of the file
    assert page.evaluate("window.sameDocument"), "the page was loaded anew"
    for number in range(1, len(FEET) + 1):
        one = page.locator(f"#pass-{number}")
        expect(one.locator("svg:visible path.sw-raw")).to_have_count(1)
        expect(one.locator(".remarks li, p:has-text('Nothing to remark.')").first).to_be_visible()
    sound(page)


def ask_for_analysis(page: Page, service: Service) -> None:
    """The page of the job follows the work: waiting, under way, done; never loaded again."""
    loads: list[str] = []
    with service.worker_standing_still() as go_on:
        page.get_by_role("button", name=f"Analyse {len(FEET)} passes").click()
        expect(page).to_have_url(re.compile("/jobs/"))
        job_id = key_of(page)
        expect(page.get_by_role("status")).to_contain_text("Waiting for a free worker")
        page.evaluate("window.sameDocument = true")
        page.on("domcontentloaded", lambda: loads.append(page.url))
        go_on()
        wait_for(lambda: service.job(job_id)[1] > 0, "the first step of the work", 20, pause=0.002)
        with service.worker_standing_still() as go_on_again:
            state, share, words = service.job(job_id)
            if state == "running":
                expect(page.get_by_role("status")).to_contain_text(words)
                shown = page.get_by_role("progressbar").evaluate("(bar) => bar.value")
                assert shown == pytest.approx(share, abs=5e-4)
                assert page.evaluate("window.sameDocument")
            go_on_again()
        assert state == "running", "the work was over before anybody could see it"
        expect(page).to_have_url(re.compile("/analyses/"), timeout=60_000)
    assert not [url for url in loads if "/jobs/" in url], "the page of the job was loaded again"


def see_result(page: Page, result: Analysis) -> None:
    swath_m = result.recommended.back_and_forth.swath_m
    assert swath_m is not None
    answer = page.get_by_role("region", name="Recommended swath")
    expect(answer.locator(".figure .value").first).to_have_text(f"{swath_m / FT:g} ft")
    expect(page.get_by_role("region", name="Passes and mean")).to_be_visible()
    sound(page)


# --- The slider ----------------------------------------------------------------------------------


def expected(result: Analysis, swath_m: float, manner: Manner) -> tuple[float, list[float]]:
    """CV by adding up the lines of `patterns.overlap`, and the field's lowest and highest [%].

    A swath between the steps of the pattern's grid is met by laying the pattern, along straight
    lines, on the next finer grid that divides the swath.
    """
    position, deposit = result.pattern.position_m, result.pattern.deposit
    step = float(position[1] - position[0])
    steps = swath_m / step
    if abs(steps - round(steps)) > 1e-6:
        step = swath_m / np.ceil(steps)
        half = int(position[-1] // step)
        finer = np.arange(-half, half + 1) * step
        deposit = np.interp(finer, position, deposit)
    middle = (deposit.size - 1) // 2
    field = one_period(deposit, step, swath_m, middle, manner)
    ends = [100 * float(end) / float(field.mean()) for end in (field.min(), field.max())]
    return cv_by_folding(deposit, step, swath_m, middle, manner), ends


def try_swaths(page: Page, result: Analysis) -> None:
    slider = page.get_by_label("Swath, ft", exact=True)
    seen = {tried_ft(page): drawing(page)}
    moves = [
        lambda: [slider.press("ArrowLeft") for _ in range(7)],
        lambda: slider.press("ArrowRight"),
        lambda: slider.press("Home"),
        lambda: page.get_by_role("button", name="1 ft wider").click(),
        lambda: point_at(page, slider, 0.6),
        lambda: drag(page, slider, 0.6, 0.9),
        lambda: slider.press("End"),
    ]
    for way in ("one way", "back and forth"):
        page.get_by_label(way, exact=True).check()
        redrawn(page)
        for move in moves:
            before = drawing(page)
            move()
            check_slider(page, result, "one_way" if way == "one way" else "back_and_forth")
            assert drawing(page) != before, "the field was not drawn anew"
            seen[tried_ft(page)] = drawing(page)
    assert len(seen) >= 8
    assert len(set(seen.values())) == len(seen)
    sound(page)


def check_slider(page: Page, result: Analysis, flown: Manner) -> None:
    """What stands on the page is what Python makes of the stored pattern."""
    swath_m = tried_ft(page) * FT
    for manner in MANNERS:
        cv, ends = expected(result, swath_m, manner)
        box = page.locator(f"[data-cv={manner}]")
        shown = float(box.locator("[data-value]").inner_text())
        assert shown == pytest.approx(cv, abs=0.05 + 1e-6), (swath_m, manner)
        assert float(box.get_attribute("data-percent") or "nan") == pytest.approx(cv, abs=1e-5)
        in_sweep = np.isclose(result.uniformity.swath_m, swath_m, atol=1e-9)
        if in_sweep.any():
            curve = getattr(result.uniformity, manner)
            assert shown == pytest.approx(curve.cv_percent[in_sweep][0], abs=0.05 + 1e-6)
        if manner == flown:
            assert chosen_m(page) == pytest.approx(swath_m, abs=0.1)  # drawn to a tenth of a pixel
            words = page.locator("[data-field-words]").inner_text()
            low, high = map(int, re.findall(r"(?:lowest|highest) (\d+) %", words))
            assert [low, high] == pytest.approx(ends, abs=0.5 + 1e-6)


def redrawn(page: Page) -> None:
    """Let the page draw once: what is asked of it must be there at the next frame."""
    page.evaluate("new Promise((done) => requestAnimationFrame(() => setTimeout(done)))")


def tried_ft(page: Page) -> float:
    redrawn(page)
    return float(page.locator(".tried [data-swath]").inner_text().removesuffix(" ft"))


def drawing(page: Page) -> str:
    """The sum of the lines as drawn for this size of screen."""
    return page.locator("svg.sw-field:visible path.sw-total").get_attribute("d") or ""


def chosen_m(page: Page) -> float:
    """Where the line of the chosen swath stands among the curves of CV."""
    chart = page.locator("svg.sw-cv:visible")
    at = float(chart.locator("line.sw-chosen").get_attribute("x1") or "nan")
    x0, x1, xmin, xmax = (
        float(chart.get_attribute(f"data-{name}") or "nan") for name in ("x0", "x1", "xmin", "xmax")
    )
    return xmin + (at - x0) / (x1 - x0) * (xmax - xmin)


def point_at(page: Page, slider: Locator, share: float) -> None:
    slider.scroll_into_view_if_needed()
    box = slider.bounding_box()
    assert box is not None
    page.mouse.click(box["x"] + share * box["width"], box["y"] + box["height"] / 2)


def drag(page: Page, slider: Locator, start: float, end: float) -> None:
    """Move the thumb by pointer; the figures follow while it is held."""
    box = slider.bounding_box()
    assert box is not None
    middle = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + start * box["width"], middle)
    page.mouse.down()
    held = []
    for share in np.linspace(start, end, 4)[1:]:
        page.mouse.move(box["x"] + float(share) * box["width"], middle)
        held.append(tried_ft(page))
    page.mouse.up()
    assert held == sorted(set(held)), "the swath did not follow the pointer"


# --- Approving -----------------------------------------------------------------------------------


def refuse_then_approve(page: Page) -> None:
    """The slider stands at its end, outside the evidence: refused without a reason."""
    page.locator("[data-use]").click()
    expect(page.locator("#evidence .state")).to_contain_text("Outside the evidence")
    reason = page.get_by_label("Why it is approved all the same")
    page.get_by_role("button", name="Approve", exact=True).click()
    expect(page).to_have_url(re.compile("/approve/"))
    expect(page.get_by_text("Write down why it is approved all the same.")).to_be_visible()
    assert reason.get_attribute("aria-invalid") == "true"
    sound(page)
    reason.fill("The field is flown twice, across and along.")
    page.get_by_role("button", name="Approve", exact=True).click()
    expect(page).to_have_url(re.compile("/approvals/"))
    expect(page.get_by_text("Approved because: The field is flown twice")).to_be_visible()
    sound(page)


def approve_recommended(page: Page, result: Analysis) -> str:
    """Type the recommended swath: the page says at once that it is within the evidence."""
    swath_m = result.recommended.back_and_forth.swath_m
    assert swath_m is not None
    swath = f"{swath_m / FT:g}"
    page.locator(".crumbs").get_by_role("link", name="Result").click()
    page.locator("[data-use]").click()
    page.get_by_label("Swath (ft)").fill("70")
    expect(page.locator("#evidence .state")).to_contain_text("Outside the evidence")
    page.get_by_label("Swath (ft)").fill(swath)
    expect(page.locator("#evidence .state")).to_contain_text("Within the evidence")
    expect(page.get_by_text("Takes the place of the approval")).to_be_visible()
    page.get_by_label("Valid until").fill(
        (datetime.date.today() + datetime.timedelta(days=300)).isoformat()
    )
    page.get_by_role("button", name="Approve", exact=True).click()
    expect(page.locator(".figure .value")).to_have_text(f"{swath} ft")
    return swath


def sign_out(page: Page) -> None:
    page.get_by_role("link", name="You").click()
    page.get_by_role("button", name="Sign out").click()
    expect(page).to_have_url(re.compile("/sign-in/"))
    page.goto("/visits/")
    expect(page).to_have_url(re.compile("/sign-in/"))


# --- The operator --------------------------------------------------------------------------------


def read_today(page: Page, registration: str, swath_ft: str) -> None:
    page.goto("/")
    expect(page).to_have_url(re.compile("/today/$"))
    section = page.get_by_role("region", name=registration)
    value = section.locator(".figure .value")
    expect(value).to_have_text(f"{swath_ft} ft")
    assert value.evaluate("(e) => parseFloat(getComputedStyle(e).fontSize)") >= 44
    sound(page)
    section.locator("summary").click()
    section.get_by_role("link", name="What it rests on").click()
    expect(page.get_by_role("heading", name="What it rests on")).to_be_visible()
    expect(page.get_by_text(FEET[0].name)).to_be_visible()
    sound(page)


def get_report(page: Page, guard: Guard) -> None:
    """Asked for, made by the worker while the page waits, handed out as a PDF."""
    guard.expect("net::ERR_ABORTED")  # a browser without a PDF viewer takes it as a download
    guard.expect("/favicon.ico")  # a PDF names no icon, so the browser looks where one might be
    page.locator(".crumbs").get_by_role("link", name="Result").click()
    page.get_by_role("button", name="Make the report").click()
    with page.expect_response(re.compile(r"/papers/[^/]+/$"), timeout=60_000) as answer:
        pass
    paper = page.context.request.get(answer.value.url)
    assert paper.headers["content-type"] == "application/pdf"
    assert paper.body().startswith(b"%PDF")


def change_setup(page: Page, registration: str) -> None:
    page.goto("/fleet/")
    page.get_by_label("Registration, model or operator").fill(registration)
    page.get_by_role("button", name="Search").click()
    page.get_by_role("link", name=registration).click()
    page.get_by_role("link", name=re.compile("^Set-up, revision 1")).click()
    page.get_by_role("link", name="Record a change").click()
    page.get_by_label("Boom pressure (psi)").fill("48")
    page.get_by_role("button", name="Record this set-up").click()
    expect(page).to_have_url(re.compile("/(set-ups|aircraft)/[^/]+/$"))


def see_change(page: Page, registration: str) -> None:
    page.goto("/today/")
    section = page.get_by_role("region", name=registration)
    expect(section.locator(".figure .value")).to_have_text("No approved swath")
    expect(section.locator(".state")).to_contain_text("Set-up changed")
    expect(section).to_contain_text(re.compile("pressure", re.I))
    sound(page)


def key_of(page: Page) -> str:
    """The key of the record in the address."""
    return urlsplit(page.url).path.strip("/").split("/")[1]
