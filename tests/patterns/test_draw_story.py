"""The story of a season: everything given is drawn and told, and nothing runs off the paper."""

from __future__ import annotations

import datetime
import xml.etree.ElementTree as ET
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from patterns.draw import (
    COMPACT,
    PAPER,
    WIDE,
    Story,
    StoryApproval,
    StoryDay,
    StoryLane,
    StoryRevision,
    StoryTest,
    story_chart,
    story_words,
)
from patterns.errors import InputError

SVG = "{http://www.w3.org/2000/svg}"
FIRST, LAST = datetime.date(2025, 11, 1), datetime.date(2026, 8, 31)  # across New Year
ENDS = ("stands", "expired", "superseded", "withdrawn", "changed")

days = st.dates(FIRST - datetime.timedelta(days=90), LAST + datetime.timedelta(days=90))
names = st.text(min_size=1, max_size=30).filter(lambda text: text.strip() == text)


@st.composite
def lanes(draw: st.DrawFn) -> StoryLane:
    approvals = []
    for _ in range(draw(st.integers(0, 4))):
        start, end = sorted((draw(days), draw(days)))
        approvals.append(StoryApproval(start, end, draw(st.sampled_from(ENDS)), "60 ft one-way"))
    return StoryLane(
        draw(names),
        [StoryRevision(draw(days), n) for n in range(draw(st.integers(0, 4)))],
        [
            StoryTest(draw(days), draw(st.sampled_from(("", "60 ft, CV 14 %"))))
            for _ in range(draw(st.integers(0, 6)))
        ],
        approvals,
    )


stories = st.builds(
    Story,
    title=names,
    first=st.just(FIRST),
    last=st.just(LAST),
    today=days,
    lanes=st.lists(lanes(), max_size=3),
    due=st.lists(st.builds(StoryDay, days, names), max_size=2),
    visits=st.lists(st.builds(StoryDay, days, names), max_size=3),
)


@settings(max_examples=60, deadline=None)
@given(story=stories, size=st.sampled_from([WIDE, PAPER, COMPACT]))
def test_any_story_is_a_complete_drawing(story: Story, size):
    drawing = story_chart(story, size=size)
    root = ET.fromstring(drawing)
    assert root.find(f"{SVG}title") is not None
    desc = root.find(f"{SVG}desc")
    assert desc is not None
    assert desc.text
    for number in (
        value
        for one in root.iter()
        for key, value in one.attrib.items()
        if key in ("x", "y", "x1", "x2", "y1", "y2", "cx", "cy", "width", "height")
    ):
        assert -20 <= float(number) <= 5000  # a number, and no infinity
    width = float(root.attrib["viewBox"].split()[2])
    plot = (float(root.attrib["data-x0"]), float(root.attrib["data-x1"]))
    for rect in root.iter(f"{SVG}rect"):
        if rect.attrib.get("class", "").startswith("sw-span"):
            left = float(rect.attrib["x"])
            assert left + float(rect.attrib["width"]) <= width
            if rect.attrib["width"] != "26":  # the sign in the row of keys
                assert plot[0] - 0.1 <= left
    counted = sum(len(x.revisions) + len(x.tests) for x in story.lanes)
    counted += len(story.due) + len(story.visits)
    ended = sum(a.ended != "stands" for x in story.lanes for a in x.approvals)
    held = sum(len(x.approvals) for x in story.lanes)
    assert len(story_words(story)) == counted + held + ended
    assert [day for day, _ in story_words(story)] == sorted(day for day, _ in story_words(story))


def test_each_end_has_its_own_sign_and_word():
    drawn = {}
    for ended in ENDS:
        lane = StoryLane("Main", (), (), [StoryApproval(FIRST, LAST, ended, "60 ft one-way")])
        story = Story("T", FIRST, LAST, LAST, [lane])
        drawn[ended] = story_chart(story)
    assert "sw-span-ended" not in drawn["stands"]
    for ended, word in (
        ("expired", "expired"),
        ("superseded", "was superseded"),
        ("withdrawn", "was withdrawn"),
        ("changed", "ended because the set-up changed"),
    ):
        assert word in drawn[ended]
    assert len(set(drawn.values())) == len(ENDS)


def test_days_stand_where_they_belong():
    """The middle of a season of even days stands in the middle of the plot."""
    first, last = datetime.date(2026, 1, 1), datetime.date(2026, 1, 31)
    lane = StoryLane("Main", (), [StoryTest(datetime.date(2026, 1, 16), "60 ft")])
    root = ET.fromstring(story_chart(Story("T", first, last, last, [lane])))
    x0, x1 = float(root.attrib["data-x0"]), float(root.attrib["data-x1"])
    dots = [
        float(one.attrib["cx"])
        for one in root.iter(f"{SVG}circle")
        if one.attrib["class"] == "sw-event"
    ]
    assert dots[0] == pytest.approx((x0 + x1) / 2, abs=0.2)


def test_an_empty_season_says_so():
    story = Story("T", FIRST, LAST, LAST)
    assert "Nothing on record in this season." in story_chart(story)
    with pytest.raises(InputError, match="first day first"):
        story_chart(replace(story, last=FIRST - datetime.timedelta(days=1)))
