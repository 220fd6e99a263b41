"""With the keyboard alone: the skip link first, the primary action in reach, focus always seen."""

from __future__ import annotations

import pytest

from tests.browser.conftest import Open
from tests.browser.looking import DESKTOP

# Who, where, and how the words of the primary action begin.
ACTIONS = [
    ("", "/sign-in/", "Sign in"),
    ("analyst", "/visits/new/", "Plan it"),
    ("analyst", "/visits/{visit}/", "Start a test"),
    ("analyst", "/tests/{test_without_passes}/", "Add passes"),
    ("analyst", "/tests/{test_not_analysed}/", "Analyse 3 passes"),
    ("analyst", "/analyses/{analysis}/", "Make the report"),
    ("analyst", "/analyses/{other_analysis}/", "Approve "),
    ("analyst", "/analyses/{analysis}/approve/", "Approve"),
    ("owner", "/aircraft/{aircraft}/", "Record a set-up"),
    ("owner", "/aircraft/{aircraft}/set-ups/new/", "Record this set-up"),
    ("owner", "/me/", "Save"),
]
# The element in focus: its words, its outline, and whether it lies within the window.
FOCUSED = """() => {
  const e = document.activeElement;
  const style = getComputedStyle(e);
  const box = e.getBoundingClientRect();
  return {
    words: (e.innerText || e.getAttribute("aria-label") || e.name || "").trim(),
    html: e.outerHTML.slice(0, 120),
    top: e === document.body,
    outlined: style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2,
    inside: box.bottom > 0 && box.top < innerHeight && box.right > 0 && box.left < innerWidth,
  };
}"""
MOST = 60


@pytest.mark.parametrize(("role", "address", "action"), ACTIONS)
def test_primary_action_by_keyboard(
    role: str, address: str, action: str, made: dict[str, str], open_as: Open
):
    page = open_as(role, DESKTOP)
    page.goto(address.format(**made))
    if role:  # the sign-in puts the focus into its first field
        page.keyboard.press("Tab")
        assert page.evaluate(FOCUSED)["words"] == "Skip to the page"
        page.keyboard.press("Enter")
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.closest('main') !== null")
    for _ in range(MOST):
        now = page.evaluate(FOCUSED)
        assert not now["top"], f"focus ran out of the page before “{action}”"
        assert now["outlined"], f"focus cannot be seen on {now['html']}"
        assert now["inside"], f"focus lies outside the window on {now['html']}"
        if now["words"].startswith(action):
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"“{action}” not reached with {MOST} presses of Tab")
