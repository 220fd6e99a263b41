"""Charts of seasons: complete drawings that say in words what they show."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import pytest

from patterns.draw import (
    COMPACT,
    PAPER,
    WIDE,
    ChangeBar,
    PartBar,
    SharePoint,
    change_chart,
    part_chart,
    share_chart,
)
from patterns.errors import InputError

NAMES = [f"20{year}/{year + 1}" for year in range(17, 27)]
SVG = "{http://www.w3.org/2000/svg}"


def charts(names: list[str], size=WIDE) -> list[str]:
    part = [PartBar(name, at, 10 * at, 7 - min(at, 7)) for at, name in enumerate(names)]
    share = [SharePoint(name, 3 * at, 10 * at) for at, name in enumerate(names)]
    change = [
        ChangeBar(name, 22.0 - at if at else None, 15.0 if at else None, at)
        for at, name in enumerate(names)
    ]
    return [
        part_chart(part, what="operators", size=size),
        share_chart(share, title="A share <&>", name="Share", of_what="aircraft", size=size),
        change_chart(change, quantity="cv", system="us", size=size),
        change_chart(change, quantity="swath", system="metric", size=size),
    ]


@pytest.mark.parametrize("size", [WIDE, PAPER, COMPACT])
@pytest.mark.parametrize("count", [1, 2, 10])
def test_complete_drawings(size, count):
    for drawing in charts(NAMES[:count], size):
        root = ET.fromstring(drawing)
        title, desc = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
        assert title is not None
        assert title.text
        assert desc is not None
        assert all(name in (desc.text or "") for name in NAMES[:count])
        assert "nan" not in drawing.lower().replace("nance", "")
        assert "inf" not in drawing.lower()
        assert any(text.text == "Season" for text in root.iter(f"{SVG}text"))
        width, height = (float(value) for value in root.attrib["viewBox"].split()[2:])
        for text in root.iter(f"{SVG}text"):
            assert 0 <= float(text.attrib["x"]) <= width
            assert 0 <= float(text.attrib["y"]) <= height


def test_figures_are_those_given():
    drawing = part_chart([PartBar("2026", 3, 9, 4)], what="operators")
    assert "12 of 16" in drawing
    assert "12 took part (3 for the first time, 9 again), 4 took no part." in drawing
    nothing = share_chart(
        [SharePoint("2026", 0, 0)], title="T", name="Share", of_what="aircraft in service"
    )
    assert "no aircraft in service, so no share" in nothing
    assert "sw-share-mark" not in nothing
    swath = change_chart(
        [ChangeBar("2026", 15.24, 18.288, 5)], quantity="swath", system="us"
    )  # 0.3048 m a foot, exactly: NIST SP 811
    assert "from 50.0 to 60.0 ft, 5 aircraft" in swath


def test_pieces_are_told_without_colour():
    drawing = part_chart([PartBar("2026", 3, 9, 4)], what="operators")
    for piece in ("sw-bar", "sw-bar-hatched", "sw-bar-open"):
        assert drawing.count(f'class="{piece}"') == 2  # in the key and in the plot
    assert 'fill="url(#part-again)"' in drawing


def test_no_season_is_said():
    with pytest.raises(InputError, match="at least one season"):
        part_chart([], what="operators")
