"""The style sheet of the charts is what the charts say it is."""

from pathlib import Path

from patterns.draw import stylesheet

STATIC = Path(__file__).resolve().parents[3] / "fleet" / "static" / "fleet"


def test_dark_theme_of_the_charts_is_what_the_palette_writes():
    """To write it anew: the two lines around `stylesheet()` here, into charts.css."""
    head = "/* The charts in the dark theme, as patterns.draw.stylesheet writes it. */\n"
    rules = "@media screen and (prefers-color-scheme: dark) {\n" + stylesheet() + "}\n"
    assert (STATIC / "charts.css").read_text() == head + rules
