"""Distances and daylight against values from outside the project; what is refused and how."""

from __future__ import annotations

import datetime
from dataclasses import replace

import numpy as np
import pytest

from fleet.planning.daylight import daylight_minutes
from fleet.planning.problem import Candidate, Day, Place, Problem, check, great_circle_m
from patterns.errors import InputError

DAY = datetime.date(2026, 5, 4)


def test_great_circle_against_a_worked_example():
    """36.12° N 86.67° W to 33.94° N 118.40° W: 2887.26 km on a sphere of 6372.8 km.

    The worked example of the haversine task of Rosetta Code; from memory. Scaled to our radius.
    """
    found = great_circle_m(np.array([36.12, 33.94]), np.array([-86.67, -118.40]))[0, 1]
    assert found == pytest.approx(2887.26e3 * 6371.0088 / 6372.8, rel=1e-5)


def test_great_circle_of_a_quarter_of_the_globe():
    """Pole to equator is π/2 · R, and R1 = 6371.0088 km (GRS 80, Moritz 2000): 10007.557 km."""
    found = great_circle_m(np.array([90.0, 0.0, 0.0]), np.array([0.0, 17.0, -163.0]))
    assert found[0, 1] == pytest.approx(10_007_557, abs=1)
    assert found[1, 2] == pytest.approx(2 * 10_007_557, abs=2)


def test_way_round_is_never_shorter_than_straight():
    random = np.random.default_rng(3)
    places = tuple(
        Place(f"{n}", float(random.uniform(38, 42)), float(random.uniform(-100, -96)))
        for n in range(12)
    )
    way = Problem(places[0], places[1:], (), (), DAY).distances_m()
    assert (way[:, :, None] + way[None, :, :] >= way[:, None, :]).all()
    assert (way % 100 == 0).all()


@pytest.mark.parametrize(
    ("latitude", "on", "hours"),
    [
        (0.0, "2026-03-20", 12 + 7 / 60),
        (40.0, "2026-06-21", 15 + 1 / 60),
        (40.0, "2026-12-21", 9 + 20 / 60),
        (51.48, "2026-06-21", 16 + 38 / 60),
    ],
)
def test_daylight_against_almanacs(latitude, on, hours):
    """Day lengths as almanacs print them, to the minute or two; from memory.

    Duration of daylight, US Naval Observatory tables: 40° N 15:01 and 9:20; Greenwich 16:38.
    """
    found = daylight_minutes(latitude, 0.0, datetime.date.fromisoformat(on))
    assert found == pytest.approx(60 * hours, abs=3)


def test_daylight_does_not_depend_on_the_clock_of_greenwich():
    lengths = [daylight_minutes(40.0, east, DAY) for east in (-179.0, -98.0, 0.0, 98.0, 179.0)]
    assert max(lengths) - min(lengths) < 5


def test_sun_that_does_not_set_or_rise():
    assert daylight_minutes(78.0, 15.0, datetime.date(2026, 6, 21)) == 1440
    assert daylight_minutes(78.0, 15.0, datetime.date(2026, 12, 21)) == 0


ONE = Candidate("a", "XX-A01", 0, DAY)
FINE = Problem(Place("Home", 40, -98), (Place("B", 40, -97),), (ONE,), (Day(DAY, 600, 1),), DAY)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"speed_m_s": 0.0}, "travel speed"),
        ({"detour_percent": -1.0}, "detour"),
        ({"home": Place("Nowhere", 91.0, 0.0)}, "Nowhere"),
        ({"aircraft": (ONE, ONE)}, "stands there twice"),
        ({"aircraft": (replace(ONE, base=1),)}, "no such base"),
        ({"days": (Day(DAY, 600, 1), Day(DAY, 600, 1))}, "not in order"),
        ({"aircraft": (replace(ONE, pinned_on=DAY.replace(day=5)),)}, "analyst is not free"),
        (
            {"aircraft": tuple(replace(ONE, key=key, pinned_on=DAY) for key in ("a", "b"))},
            "has 1 places",
        ),
    ],
)
def test_problem_that_cannot_be_says_why(changes, words):
    check(FINE)
    with pytest.raises(InputError, match=words):
        check(replace(FINE, **changes))
