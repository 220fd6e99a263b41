"""The sketch of tours: well-formed, named, described; the scale bar is as long as it says."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest

from patterns.draw import COMPACT, WIDE, MapPlace, MapTour, tour_map

PLACES = [
    MapPlace("Home & <yard>", 40.0, -98.0),
    MapPlace("North", 41.0, -98.0),
    MapPlace("East", 40.0, -97.0),
    MapPlace("Unvisited", 40.5, -97.5),
]
TOURS = [MapTour("Tour 1", (0, 1, 2, 0))]


@pytest.mark.parametrize("size", [WIDE, COMPACT])
def test_tours_are_drawn_and_told_in_words(size):
    drawing = tour_map(PLACES, TOURS, system="metric", size=size)
    root = ElementTree.fromstring(drawing)
    said = root.find("{http://www.w3.org/2000/svg}desc").text
    assert said == "Tour 1: Home & <yard>, North, East, Home & <yard>."
    lines = re.findall(r'<line class="sw-card-line"', drawing)
    dots = re.findall(r'<circle class="sw-card-mark"', drawing)
    assert (len(lines), len(dots), drawing.count("<circle")) == (3, 2, 3)


def test_scale_bar_is_true():
    """A degree of a great circle is 111.195 km on the mean sphere (R1, GRS 80)."""
    drawing = tour_map(PLACES, TOURS, system="metric")
    bar = re.search(r'class="sw-measure"[^>]* x1="([\d.]+)" y1="[\d.]+" x2="([\d.]+)"', drawing)
    length_km = float(re.search(r">(\d+) km<", drawing)[1])
    dots = re.findall(r'<circle class="sw-card-mark"[^>]* cx="([\d.]+)" cy="([\d.]+)"', drawing)
    (_, north_y), (_, east_y) = dots  # one degree of latitude apart
    px_per_km = (float(east_y) - float(north_y)) / 111.195
    assert (float(bar[2]) - float(bar[1])) / px_per_km == pytest.approx(length_km, rel=0.005)


def test_nothing_planned_is_drawn_as_well():
    assert "No tours." in tour_map(PLACES[:1], [], system="us")
