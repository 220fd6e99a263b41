"""What is asked of every page, whatever it is about."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal
from urllib.parse import urlsplit

from playwright.sync_api import BrowserContext, ConsoleMessage, Page, Request, expect

from tests.cast import PASSWORD

AXE = (Path(__file__).parent / "axe" / "axe.min.js").read_text(encoding="utf-8")
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
TOUCH_PX = (
    48  # as the look of the pages has it; WCAG 2.2 AA asks for 24 px (success criterion 2.5.8)
)
FIGURE_CONTRAST = 7.0  # WCAG 2.2 AAA, success criterion 1.4.6: figures are read in the sun
EMAILS = {
    "checker": "checker@calloway.example",
    "staff": "staff@association.example",
    "analyst": "analyst@association.example",
    "owner": "owner@redgrass.example",
    "pilot": "pilot@redgrass.example",
}


@dataclass(frozen=True, slots=True)
class Size:
    """A screen. [CSS px]"""

    name: str
    width: int
    height: int
    touch: bool = False


DESKTOP = Size("desktop", 1280, 800)
ENLARGED = Size("enlarged", 640, 400)  # the desktop at 200 % zoom
PHONE = Size("phone", 360, 740, touch=True)


def sign_in(page: Page, role: str) -> None:
    """Sign in by the form, as a person does."""
    page.goto("/sign-in/")
    page.get_by_label("E-mail").fill(EMAILS[role])
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("navigation", name="Main")).to_be_visible()


@dataclass
class Guard:
    """Takes note of requests and of errors in the console of every page it watches."""

    own: str
    expected: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)

    def watch(self, context: BrowserContext) -> None:
        """Watch all pages of a context, also those it opens later."""
        context.on("request", self._request)
        context.on("console", self._console)
        context.on("weberror", lambda error: self.errors.append(f"uncaught: {error.error}"))

    def expect(self, *words: str) -> None:
        """Let errors pass that hold these words: the test brings them about."""
        self.expected += words

    def _request(self, request: Request) -> None:
        self.requests.append(request.url)

    def _console(self, message: ConsoleMessage) -> None:
        # A breach of the content security policy is an error in the console, too.
        if message.type in ("error", "warning"):
            self.errors.append(f"{message.type}: {message.text} ({message.location.get('url')})")

    def check(self) -> None:
        """Fail when something left the service or went wrong."""
        own = urlsplit(self.own)
        inside = ("data", "blob", "chrome", "chrome-extension")  # the browser and its PDF viewer
        asked = [(url, urlsplit(url)) for url in self.requests]
        left = [url for url, at in asked if at.scheme not in inside and at[:2] != own[:2]]
        assert not left, f"requests that leave the service: {left}"
        unexpected = [e for e in self.errors if not any(words in e for words in self.expected)]
        assert not unexpected, f"errors in the console: {unexpected}"


# --- Faults, each as a list of sentences ---------------------------------------------------------


def faults(page: Page, *, theme: Literal["light", "dark"] = "light") -> list[str]:
    """Return all that is wrong with the page as it stands at its size.

    In the dark theme only colours are looked at again: nothing else depends on it.
    """
    page.emulate_media(color_scheme=theme, reduced_motion="reduce")
    found = axe_findings(page, rules=["color-contrast"] if theme == "dark" else None)
    found += page.evaluate(WEAK_FIGURES, FIGURE_CONTRAST)
    if theme == "light":
        found += page.evaluate(MAKE_UP)
        found += page.evaluate(SMALL_TARGETS, TOUCH_PX)
    size = page.viewport_size or {"width": 0}
    return [f"{size['width']} px, {theme}: {fault}" for fault in found]


def axe_findings(page: Page, rules: list[str] | None = None) -> list[str]:
    """Run axe for WCAG 2.2 A and AA (or the rules named) and put its violations in words."""
    if not page.evaluate("typeof axe !== 'undefined'"):
        page.evaluate(AXE)
    only = {"type": "rule", "values": rules} if rules else {"type": "tag", "values": WCAG}
    options = {"runOnly": only, "resultTypes": ["violations"], "elementRef": False}
    result: dict[str, Any] = page.evaluate("(options) => axe.run(document, options)", options)
    return [
        f"{violation['id']}: {node['failureSummary']} {node['html'][:200]}"
        for violation in result["violations"]
        for node in violation["nodes"]
    ]


MAKE_UP = """() => {
  const found = [];
  if (document.documentElement.lang !== "en") found.push("no lang");
  const title = document.title.replace("· Swathbook", "").trim();
  if (!title || title === "Swathbook") found.push("no title of its own");
  const h1 = document.querySelectorAll("h1").length;
  if (h1 !== 1) found.push(`${h1} elements h1`);
  const wide = document.documentElement.scrollWidth;
  if (wide > innerWidth) found.push(`scrolls sideways: ${wide} px wide`);
  return found;
}"""

# Links in running text are excepted, as in WCAG; buttons and the navigation are not.
SMALL_TARGETS = """(least) => {
  const found = [];
  const all =
    ".bar a, nav a, button, a.button, summary, input:not([type=hidden]), select, textarea";
  for (const e of document.querySelectorAll(all)) {
    const target = /^(checkbox|radio)$/.test(e.type) ? e.closest("label") || e : e;
    const box = target.getBoundingClientRect();
    if (!target.checkVisibility({ visibilityProperty: true }) || !box.width) continue;
    if (box.height >= least - 0.5) continue;
    found.push(`${box.height.toFixed(0)} px high: ${e.outerHTML.slice(0, 120)}`);
  }
  return found;
}"""

# Contrast by the formula of WCAG 2.2 ("relative luminance", "contrast ratio").
WEAK_FIGURES = """(least) => {
  const canvas = document.createElement("canvas").getContext("2d", { willReadFrequently: true });
  const rgba = (colour) => {
    canvas.clearRect(0, 0, 1, 1);
    canvas.fillStyle = colour;
    canvas.fillRect(0, 0, 1, 1);
    return [...canvas.getImageData(0, 0, 1, 1).data];
  };
  const part = (c) => (c / 255 <= 0.04045 ? c / 255 / 12.92 : ((c / 255 + 0.055) / 1.055) ** 2.4);
  const luminance = ([r, g, b]) => 0.2126 * part(r) + 0.7152 * part(g) + 0.0722 * part(b);
  const ground = (e) => {
    for (let at = e; at; at = at.parentElement) {
      const colour = rgba(getComputedStyle(at).backgroundColor);
      if (colour[3] === 255) return colour;
      if (colour[3]) return null;
    }
    return rgba("Canvas");
  };
  const found = [];
  for (const e of document.querySelectorAll(".figure .value, .tried")) {
    if (!e.checkVisibility()) continue;
    const below = ground(e);
    const [a, b] = [luminance(rgba(getComputedStyle(e).color)), below ? luminance(below) : NaN];
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (!(ratio >= least)) found.push(`contrast ${ratio.toFixed(2)} of the figure ${e.innerText}`);
  }
  return found;
}"""
