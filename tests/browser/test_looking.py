"""The looking itself: planted faults are found, else a walk without findings proves nothing."""

from __future__ import annotations

import pytest

from tests.browser.conftest import Open
from tests.browser.looking import PHONE, Guard, faults
from tests.browser.service import Service

PLANTED = """<!doctype html><html lang="de"><head><title>Swathbook</title></head><body>
<main><h1>One</h1><h1>Two</h1>
<p class="figure" style="background: #fff">
<span class="value" style="color: #6b7580">42 ft</span></p>
<form><input type="text"><button style="height: 30px">Save</button></form>
<p style="color: #999; background: #fff">faint</p>
<div style="width: 900px">wide</div></main></body></html>"""


FAULTS = [
    "no lang",
    "no title of its own",
    "2 elements h1",
    "scrolls sideways: 9",
    "contrast 4.69",
    "30 px high: <button",
    "label: ",
    "color-contrast: ",
]


def test_planted_faults_are_found(open_as: Open):
    page = open_as("", PHONE)
    page.set_content(PLANTED)
    found = faults(page)
    missed = [fault for fault in FAULTS if not any(fault in one for one in found)]
    assert not missed, found


def test_guard_sees_what_a_policy_forbids(open_as: Open, guard: Guard, service: Service):
    page = open_as("", PHONE)
    page.goto("/sign-in/")
    page.evaluate("document.head.append(document.createElement('style'))")
    page.evaluate("document.querySelector('style').textContent = 'h1 { color: red }'")
    page.evaluate("document.body.setAttribute('onclick', 'alert(1)')")
    page.evaluate("fetch('https://elsewhere.example/').catch(() => 0)")
    page.wait_for_timeout(100)
    seen = " ".join(guard.errors)
    for directive in ("style-src", "script-src", "connect-src"):
        assert directive in seen, guard.errors
    with pytest.raises(AssertionError, match="errors in the console"):
        guard.check()
    guard.requests.append("https://elsewhere.example/font.woff2")
    with pytest.raises(AssertionError, match=r"leave the service.*elsewhere\.example"):
        guard.check()
    guard.requests.pop()
    guard.errors.clear()
