"""An aircraft's season in one picture: time along the bottom, a lane for each purpose.

Each lane has its set-up revisions and tests on a line, and below it the approvals as bars that
run until their end; how a bar ended is told by the sign at its end and by a word.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

from patterns.draw.frame import WIDE, Axis, Furniture, Key, Mark, Sheet, Size
from patterns.draw.lettering import in_lanes, width_px
from patterns.draw.scales import Plot
from patterns.draw.signs import area_key, cross, disc, square, stroke_key, triangle
from patterns.draw.svg import element, line, num, words
from patterns.errors import InputError

Ended = Literal["stands", "expired", "superseded", "withdrawn", "changed"]
ENDED_WORDS: Final[dict[Ended, str]] = {
    "stands": "stands",
    "expired": "expired",
    "superseded": "superseded",
    "withdrawn": "withdrawn",
    "changed": "ended by a changed set-up",
}
_SIGN: Final = 10.0  # px
_BAR: Final = 11.0


@dataclass(frozen=True, slots=True)
class StoryRevision:
    """A set-up revision recorded on a day."""

    day: datetime.date
    number: int


@dataclass(frozen=True, slots=True)
class StoryTest:
    """A test flown on a day; `figure` is what it said in words, "" where it is not analysed."""

    day: datetime.date
    figure: str


@dataclass(frozen=True, slots=True)
class StoryApproval:
    """An approval from a day until its last one; `swath` in words."""

    from_day: datetime.date
    until: datetime.date
    ended: Ended
    swath: str


@dataclass(frozen=True, slots=True)
class StoryLane:
    """One purpose of an aircraft."""

    purpose: str
    revisions: Sequence[StoryRevision] = ()
    tests: Sequence[StoryTest] = ()
    approvals: Sequence[StoryApproval] = ()


@dataclass(frozen=True, slots=True)
class StoryDay:
    """A day in the lanes at the foot: a rule that falls due, a visit."""

    day: datetime.date
    text: str


@dataclass(frozen=True, slots=True)
class Story:
    """What happened to an aircraft between two days. What lies outside is cut off at the edge."""

    title: str
    first: datetime.date
    last: datetime.date
    today: datetime.date
    lanes: Sequence[StoryLane] = ()
    due: Sequence[StoryDay] = ()
    visits: Sequence[StoryDay] = ()


@dataclass(slots=True)
class _Pen:
    """Where the next row goes [px below the top of the plot], and what was drawn."""

    left: float
    right: float
    per_day: float
    story: Story
    size: Size
    y: float = 0.0
    parts: list[str] = field(default_factory=list)

    @property
    def row(self) -> float:
        """Return the height of a row of text."""
        return round(self.size.font * 1.4, 1)

    def x(self, day: datetime.date, share: float = 0.5) -> float:
        """Return the middle of a day (or another share of it), cut off at the edges."""
        at = (day - self.story.first).days + share
        return min(max(self.left + at * self.per_day, self.left), self.right)


def story_chart(story: Story, *, chart_id: str = "story", size: Size = WIDE) -> str:
    """Draw the story of a season.

    Parameters
    ----------
    story : Story
        Its last day must not come before its first.
    chart_id : str
        Id of the drawing.
    size : Size
        `WIDE`, `PAPER`, `COMPACT` or another; the height follows from what there is to show.

    Returns
    -------
    str
        A complete ``<svg>``.

    Raises
    ------
    InputError
        For a story that ends before it begins.
    """
    if story.last < story.first:
        raise InputError("story", "it ends before it begins", "give the first day first")
    sheet = Sheet(chart_id, size, _furniture(story, size))
    pen = _pen(sheet.plot, story, size)
    _draw(pen)
    sheet.resize(max(pen.y + 6.0, 40.0))
    moved = f'<g transform="translate(0 {num(sheet.plot.top)})">{"".join(pen.parts)}</g>'
    return sheet.render(_today_line(sheet.plot, story), outside=[moved])


def story_words(story: Story) -> list[tuple[datetime.date, str]]:
    """Tell the same in sentences, the earliest first."""
    told = []
    for lane in story.lanes:
        name = lane.purpose
        told += [(one.day, f"{name}: set-up revision {one.number}.") for one in lane.revisions]
        told += [
            (one.day, f"{name}: tested, {one.figure or 'not analysed'}.") for one in lane.tests
        ]
        for one in lane.approvals:
            told.append((one.from_day, f"{name}: {one.swath} approved until {_day(one.until)}."))
            if one.ended != "stands":
                words_of_end = f"{name}: the approval of {one.swath} {_ended(one.ended)}."
                told.append((one.until, words_of_end))
    told += [(one.day, f"Due: {one.text}.") for one in story.due]
    told += [(one.day, f"Visit: {one.text}.") for one in story.visits]
    return sorted(told)


def _ended(ended: Ended) -> str:
    return {
        "expired": "expired",
        "superseded": "was superseded",
        "withdrawn": "was withdrawn",
        "changed": "ended because the set-up changed",
    }[ended]


# Round the plot ----------------------------------------------------------------------------------


def _furniture(story: Story, size: Size) -> Furniture:
    first, last = story.first.toordinal(), story.last.toordinal() + 1
    return Furniture(
        kind="sw-story",
        title=story.title,
        description=_description(story),
        x=Axis("Month", float(first), float(last), _months(story, size)),
        y=Axis("", 0.0, 1.0, [(0.0, "")]),
        keys=_keys(story),
    )


def _description(story: Story) -> str:
    told = [f"{_day(day)}: {text}" for day, text in story_words(story)]
    span = f"From {_day(story.first)} to {_day(story.last)}."
    return " ".join([span, *told] if told else [span, "Nothing is on record."])


def _months(story: Story, size: Size) -> list[tuple[float, str]]:
    """Return the first of each month; on a phone every second or third is named."""
    firsts = []
    day = story.first.replace(day=1)
    while day <= story.last:
        if day >= story.first:
            firsts.append(day)
        day = (day + datetime.timedelta(days=32)).replace(day=1)
    room = (size.width - 60.0) / max(len(firsts), 1)
    every = next((n for n in (1, 2, 3, 6, 12) if room * n >= 3.4 * size.font), 12)
    return [
        (float(one.toordinal()), f"{one:%b}" if index % every == 0 else "")
        for index, one in enumerate(firsts)
    ]


def _keys(story: Story) -> list[Key]:
    keys = []
    if any(lane.revisions for lane in story.lanes):
        keys.append(Key(_small(square("sw-event-open")), "set-up recorded"))
    if any(lane.tests for lane in story.lanes):
        keys.append(Key(_small(disc("sw-event")), "test"))
    if any(lane.approvals for lane in story.lanes):
        keys.append(Key(area_key("", "sw-span"), "approval"))
    ends = {one.ended for lane in story.lanes for one in lane.approvals}
    for ended in ("expired", "superseded", "withdrawn", "changed"):
        if ended in ends:
            keys.append(Key(_small(_end_sign(ended)), ENDED_WORDS[ended]))
    if story.due:
        keys.append(Key(_small(triangle("sw-due", up=False)), "due"))
    if story.visits:
        keys.append(Key(_small(disc("sw-event-open")), "visit"))
    if story.first <= story.today <= story.last:
        keys.append(Key(stroke_key("sw-now"), "today"))
    return keys


def _small(mark: Mark) -> Mark:
    return lambda x, y, _wide: mark(x, y, _SIGN)


def _around(x: float, y: float, wide: float) -> str:
    """Sign of a revision: a square wide enough to be seen round a test of the same day."""
    return square("sw-event-open")(x, y, wide + 6.0)


def _end_sign(ended: Ended) -> Mark:
    """Return the sign at the end of a bar: a post, a double point, a cross, a triangle."""
    if ended == "withdrawn":
        return cross("sw-end")
    if ended == "changed":
        return triangle("sw-end-mark", up=True)
    if ended == "superseded":
        return lambda x, y, wide: element(
            "path",
            "sw-end",
            d=f"M{num(x - wide / 2)},{num(y - wide / 2)}L{num(x)},{num(y)}"
            f"L{num(x - wide / 2)},{num(y + wide / 2)}M{num(x)},{num(y - wide / 2)}"
            f"L{num(x + wide / 2)},{num(y)}L{num(x)},{num(y + wide / 2)}",
        )
    return lambda x, y, wide: line("sw-end", x, y - wide * 0.75, x, y + wide * 0.75)


# Inside the plot ---------------------------------------------------------------------------------


def _pen(plot: Plot, story: Story, size: Size) -> _Pen:
    days = (story.last - story.first).days + 1
    return _Pen(plot.left, plot.right, (plot.right - plot.left) / days, story, size)


def _draw(pen: _Pen) -> None:
    story = pen.story
    for lane in story.lanes:
        _heading(pen, lane.purpose)
        _events(pen, lane)
        _bars(pen, lane.approvals)
    for name, days, sign in (
        ("Due", story.due, triangle("sw-due", up=False)),
        ("Visits", story.visits, disc("sw-event-open")),
    ):
        if days:
            _heading(pen, name)
            marks = [(pen.x(one.day), one.text, sign) for one in days]
            _track(pen, marks)
    if not pen.parts:
        pen.y += pen.row
        pen.parts.append(words("sw-label", pen.left, pen.y, "Nothing on record in this season."))


def _heading(pen: _Pen, name: str) -> None:
    pen.y += pen.row + (4.0 if pen.parts else 0.0)
    pen.parts.append(words("sw-label", pen.left, pen.y, name, font_weight="bold"))


def _events(pen: _Pen, lane: StoryLane) -> None:
    marks: list[tuple[float, str, Mark]] = [
        (pen.x(one.day), _revision_words(one, pen.story), _around) for one in lane.revisions
    ]
    marks += [
        (pen.x(one.day), one.figure or "not analysed", disc("sw-event")) for one in lane.tests
    ]
    _track(pen, marks)


def _revision_words(one: StoryRevision, story: Story) -> str:
    return f"rev. {one.number}" + (", from before" if one.day < story.first else "")


def _track(pen: _Pen, marks: Sequence[tuple[float, str, Mark]]) -> None:
    """Draw signs on a line, each with its label above it in as few rows as keep them apart."""
    size = pen.size
    wide = [width_px(text, size.font) for _, text, _ in marks]
    placed = in_lanes([x for x, _, _ in marks], wide, pen.left, pen.right)
    rows = max((row + 1 for _, row in placed), default=0)
    y = pen.y + rows * pen.row + 12.0
    pen.parts.append(line("sw-track", pen.left, y, pen.right, y))
    for (x, text, _sign), (middle, row) in zip(marks, placed, strict=True):
        base = y - 10.0 - row * pen.row
        below = [
            (at, half)
            for (at, lower), half in zip(placed, (one / 2 for one in wide), strict=True)
            if lower < row
        ]
        # A leader would strike through labels that stand in its way; then the stack says enough.
        if row and not any(abs(x - at) <= half for at, half in below):
            pen.parts.append(line("sw-track", x, y - 6, x, base + 3))
        pen.parts.append(words("sw-label", middle, base, text, anchor="middle"))
    pen.parts += [sign(x, y, _SIGN) for x, _, sign in marks]
    pen.y = y + 8.0


def _bars(pen: _Pen, approvals: Sequence[StoryApproval]) -> None:
    """Draw approvals as bars below the line, each with its words under it."""
    spans = [
        (pen.x(one.from_day), max(pen.x(one.until, 1.0), pen.x(one.from_day) + 2))
        for one in approvals
    ]
    texts = [_bar_words(one) for one in approvals]
    wide = [
        max(end - start, width_px(text, pen.size.font))
        for (start, end), text in zip(spans, texts, strict=True)
    ]
    placed = in_lanes([(s + e) / 2 for s, e in spans], wide, pen.left, pen.right)
    tall = _BAR + pen.row + 6.0
    for one, (start, end), text, (middle, row) in zip(approvals, spans, texts, placed, strict=True):
        top = pen.y + row * tall
        ended = one.ended != "stands"
        pen.parts.append(
            element(
                "rect",
                "sw-span-ended" if ended else "sw-span",
                x=start,
                y=top,
                width=end - start,
                height=_BAR,
            )
        )
        if ended and one.until <= pen.story.last:
            pen.parts.append(_end_sign(one.ended)(end, top + _BAR / 2, _SIGN))
        base = top + _BAR + pen.row - 3.0
        pen.parts.append(words("sw-label", middle, base, text, anchor="middle"))
    if approvals:
        pen.y += (max(row for _, row in placed) + 1) * tall


def _bar_words(one: StoryApproval) -> str:
    if one.ended == "stands":
        return f"{one.swath}, until {_short(one.until)}"
    return f"{one.swath}, {_SHORT_ENDS[one.ended]} {_short(one.until)}"


_SHORT_ENDS: Final = {
    "expired": "expired",
    "superseded": "superseded",
    "withdrawn": "withdrawn",
    "changed": "set-up changed",
}


def _today_line(plot: Plot, story: Story) -> list[str]:
    if not story.first <= story.today <= story.last:
        return []
    x = plot.px(story.today.toordinal() + 0.5)
    return [line("sw-now", x, plot.top, x, plot.bottom)]


def _day(day: datetime.date) -> str:
    return f"{day:%-d %B %Y}"


def _short(day: datetime.date) -> str:
    return f"{day:%-d %b %Y}"
