"""Colours, weights and dashes of the charts, by class name, for light, dark and paper.

Every drawn thing carries its class *and* the presentation attributes of the light theme, so that
a chart stands alone in a paper. A page may restyle through the classes: presentation attributes
lose against any CSS rule. `stylesheet` writes the rules for the dark theme.

The two ways of flying are told apart by dash and label, low and high by the slant of their hatch
and the direction of their triangle, passes and mean by weight; colour only repeats it. Blue, rust
and violet keep apart under the common kinds of colour blindness and differ in lightness in grey.
"""

from __future__ import annotations

from collections.abc import Container, Mapping
from types import MappingProxyType
from typing import Final

FONT: Final = "system-ui, 'Segoe UI', Roboto, 'Noto Sans', 'DejaVu Sans', sans-serif"

LIGHT: Final[Mapping[str, str]] = MappingProxyType(
    {
        "ink": "#17212b",
        "muted": "#4a5763",
        "grid": "#dde3e8",
        "rule": "#7d8a97",
        "pass": "#6f8191",
        "blue": "#0b5a8a",
        "rust": "#a1430a",
        "violet": "#6a3d9a",
        "sand": "#8a6d00",
    }
)
DARK: Final[Mapping[str, str]] = MappingProxyType(
    {
        "ink": "#eef2f5",
        "muted": "#b3bfca",
        "grid": "#2f3a44",
        "rule": "#72808d",
        "pass": "#93a3b1",
        "blue": "#6cbcf0",
        "rust": "#f5a06a",
        "violet": "#c9a7f0",
        "sand": "#e0c65a",
    }
)

# Attributes that begin with @ name a colour of the theme.
_LINE = {"fill": "none", "stroke-linejoin": "round", "stroke-linecap": "butt"}
CLASSES: Final[Mapping[str, Mapping[str, str]]] = MappingProxyType(
    {
        # furniture
        "sw-heading": {"fill": "@ink", "font-weight": "bold"},
        "sw-summary": {"fill": "@muted"},
        "sw-axis-name": {"fill": "@ink"},
        "sw-tick": {"fill": "@muted"},
        "sw-label": {"fill": "@ink"},
        "sw-note": {"fill": "@ink"},
        "sw-grid": {"stroke": "@grid", "stroke-width": "1"},
        "sw-ground": {"stroke": "@ink", "stroke-width": "1.6"},
        "sw-tick-mark": {"stroke": "@rule", "stroke-width": "1"},
        "sw-flight-line": {"stroke": "@muted", "stroke-width": "1.2", "stroke-dasharray": "1 3"},
        "sw-leader": {"stroke": "@muted", "stroke-width": "1"},
        # pattern
        "sw-spread": {"fill": "@blue", "fill-opacity": "0.17", "stroke": "none"},
        "sw-pass": {**_LINE, "stroke": "@pass", "stroke-width": "1.1"},
        "sw-pass-out": {
            **_LINE,
            "stroke": "@pass",
            "stroke-width": "1.1",
            "stroke-dasharray": "2 3",
        },
        "sw-mean": {**_LINE, "stroke": "@blue", "stroke-width": "2.8"},
        # findings, and stretches of the field under and over the mean
        "sw-low-hatch": {"stroke": "@rust", "stroke-width": "1.1"},
        "sw-high-hatch": {"stroke": "@violet", "stroke-width": "1.1"},
        "sw-low-tint": {"fill": "@rust", "fill-opacity": "0.1"},
        "sw-high-tint": {"fill": "@violet", "fill-opacity": "0.1"},
        "sw-low-bracket": {"fill": "none", "stroke": "@rust", "stroke-width": "1.8"},
        "sw-high-bracket": {"fill": "none", "stroke": "@violet", "stroke-width": "1.8"},
        "sw-low-mark": {"fill": "@rust"},
        "sw-high-mark": {"fill": "@violet"},
        # CV against swath
        "sw-one-way": {**_LINE, "stroke": "@blue", "stroke-width": "2.6"},
        "sw-back-and-forth": {
            **_LINE,
            "stroke": "@rust",
            "stroke-width": "2.6",
            "stroke-dasharray": "8 4",
        },
        "sw-one-way-band": {"fill": "@blue", "fill-opacity": "0.15"},
        "sw-back-and-forth-hatch": {"stroke": "@rust", "stroke-width": "0.8"},
        "sw-limit": {"stroke": "@ink", "stroke-width": "1.6", "stroke-dasharray": "10 3 2 3"},
        "sw-one-way-text": {"fill": "@blue", "font-weight": "bold"},
        "sw-back-and-forth-text": {"fill": "@rust", "font-weight": "bold"},
        "sw-one-way-mark": {"fill": "@blue", "stroke": "@ink", "stroke-width": "1"},
        "sw-back-and-forth-mark": {"fill": "@rust", "stroke": "@ink", "stroke-width": "1"},
        "sw-one-way-drop": {"stroke": "@blue", "stroke-width": "1.4"},
        "sw-back-and-forth-drop": {
            "stroke": "@rust",
            "stroke-width": "1.4",
            "stroke-dasharray": "5 3",
        },
        "sw-chosen": {"stroke": "@ink", "stroke-width": "1.6"},
        "sw-chosen-mark": {"fill": "@ink"},
        # the overlapped field
        "sw-line": {**_LINE, "stroke": "@pass", "stroke-width": "1.2"},
        "sw-line-other": {
            **_LINE,
            "stroke": "@pass",
            "stroke-width": "1.2",
            "stroke-dasharray": "6 3",
        },
        "sw-flight-lines": {
            "fill": "none",
            "stroke": "@muted",
            "stroke-width": "1.2",
            "stroke-dasharray": "1 3",
        },
        "sw-under-tint": {"fill": "@rust", "fill-opacity": "0.14"},
        "sw-over-tint": {"fill": "@violet", "fill-opacity": "0.14"},
        "sw-total": {**_LINE, "stroke": "@blue", "stroke-width": "2.8"},
        "sw-mean-level": {"stroke": "@ink", "stroke-width": "1.3"},
        "sw-band-level": {"stroke": "@muted", "stroke-width": "1.2", "stroke-dasharray": "6 4"},
        "sw-direction": {"fill": "@muted"},
        # one trace
        "sw-raw": {**_LINE, "stroke": "@muted", "stroke-width": "1"},
        "sw-background": {
            **_LINE,
            "stroke": "@sand",
            "stroke-width": "1.8",
            "stroke-dasharray": "7 4",
        },
        "sw-kept": {"fill": "@blue", "fill-opacity": "0.17", "stroke": "none"},
        "sw-deposit": {**_LINE, "stroke": "@blue", "stroke-width": "2.6"},
        "sw-extent": {"stroke": "@blue", "stroke-width": "1.4"},
        "sw-saturated": {"fill": "none", "stroke": "@rust", "stroke-width": "1.8"},
        "sw-remark-bracket": {"fill": "none", "stroke": "@rust", "stroke-width": "1.8"},
        # droplet cards
        "sw-volume-bar": {"fill": "@blue", "fill-opacity": "0.22", "stroke": "@blue"},
        "sw-cumulative": {**_LINE, "stroke": "@blue", "stroke-width": "2.6"},
        "sw-dv-bounds": {**_LINE, "stroke": "@ink", "stroke-width": "1.6"},
        "sw-dv-mark": {"fill": "@blue", "stroke": "@ink", "stroke-width": "1"},
        "sw-cut-off": {"stroke": "@rust", "stroke-width": "1.4", "stroke-dasharray": "5 3"},
        "sw-string-behind": {"fill": "@pass", "fill-opacity": "0.22", "stroke": "@pass"},
        "sw-card-line": {**_LINE, "stroke": "@blue", "stroke-width": "1.6"},
        "sw-card-bounds": {**_LINE, "stroke": "@blue", "stroke-width": "1.6"},
        "sw-card-mark": {"fill": "@blue", "stroke": "@ink", "stroke-width": "1"},
        # the tallies of seasons
        "sw-bar": {"fill": "@blue", "stroke": "@ink", "stroke-width": "1"},
        "sw-bar-hatched": {"fill": "none", "stroke": "@ink", "stroke-width": "1"},
        "sw-bar-hatch": {"stroke": "@blue", "stroke-width": "2"},
        "sw-bar-open": {
            "fill": "none",
            "stroke": "@muted",
            "stroke-width": "1.2",
            "stroke-dasharray": "3 2",
        },
        "sw-share": {**_LINE, "stroke": "@blue", "stroke-width": "2.6"},
        "sw-share-mark": {"fill": "@blue", "stroke": "@ink", "stroke-width": "1"},
        "sw-from-mark": {"fill": "none", "stroke": "@ink", "stroke-width": "1.8"},
        "sw-change": {"fill": "none", "stroke": "@ink", "stroke-width": "1.6"},
        # the story of an aircraft's season
        "sw-span": {"fill": "@blue", "fill-opacity": "0.22", "stroke": "@blue"},
        "sw-span-ended": {"fill": "@pass", "fill-opacity": "0.2", "stroke": "@pass"},
        "sw-end": {"fill": "none", "stroke": "@ink", "stroke-width": "2"},
        "sw-end-mark": {"fill": "@ink"},
        "sw-track": {"stroke": "@rule", "stroke-width": "1.2"},
        "sw-event": {"fill": "@blue", "stroke": "@ink", "stroke-width": "1"},
        "sw-event-open": {"fill": "none", "stroke": "@ink", "stroke-width": "1.6"},
        "sw-due": {"fill": "@rust", "stroke": "@ink", "stroke-width": "1"},
        "sw-now": {"stroke": "@ink", "stroke-width": "1.6", "stroke-dasharray": "6 3"},
        # boom
        "sw-wing": {"fill": "none", "stroke": "@ink", "stroke-width": "2.6"},
        "sw-boom": {"fill": "none", "stroke": "@blue", "stroke-width": "4"},
        "sw-nozzle": {"fill": "@blue", "stroke": "none"},
        "sw-nozzle-off": {"fill": "none", "stroke": "@muted", "stroke-width": "1.3"},
        "sw-body": {"fill": "none", "stroke": "@ink", "stroke-width": "2"},
        "sw-measure": {"fill": "none", "stroke": "@muted", "stroke-width": "1.1"},
    }
)


def attributes(name: str, without: Container[str] = ()) -> str:
    """Write the class of a thing and its light presentation attributes, `without` some."""
    given = CLASSES[name].items()
    parts = [f'{key}="{_colour(value, LIGHT)}"' for key, value in given if key not in without]
    return " ".join([f'class="{name}"', *parts])


def stylesheet(theme: Mapping[str, str] = DARK) -> str:
    """Write the CSS rules that put the charts into a theme, one line for each class.

    Only colours are named, so that weights and dashes stay those of the chart.
    """
    rules = []
    for name, given in CLASSES.items():
        colours = [f"{key}:{_colour(v, theme)}" for key, v in given.items() if v.startswith("@")]
        if colours:
            rules.append(f".{name}{{{';'.join(colours)}}}")
    return "\n".join(rules) + "\n"


def _colour(value: str, theme: Mapping[str, str]) -> str:
    return theme[value[1:]] if value.startswith("@") else value
