"""Seasons and memberships: no shared day, who belongs, carried over in one deed."""

from __future__ import annotations

import datetime

import pytest
from django.core.exceptions import PermissionDenied, ValidationError

from fleet.models import AuditRow, Membership, Season
from fleet.queries.members import season_on
from fleet.services import people, season
from tests.cast import Cast

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("everyone")]


def day(text: str) -> datetime.date:
    return datetime.date.fromisoformat(text)


def make(cast: Cast, name: str, first: str, last: str) -> Season:
    return season.add_season(by=cast.staff, name=name, starts_on=day(first), ends_on=day(last))


@pytest.fixture
def old(cast: Cast) -> Season:
    return make(cast, "2025/26", "2025-07-01", "2026-06-30")


@pytest.fixture
def new(cast: Cast, old: Season) -> Season:
    return make(cast, "2026/27", "2026-07-01", "2027-06-30")


@pytest.mark.parametrize(
    ("first", "last"),
    [
        ("2026-06-30", "2027-06-30"),  # the last day is shared
        ("2024-07-01", "2025-07-01"),  # the first day is shared
        ("2025-10-01", "2025-12-31"),  # inside
        ("2025-01-01", "2026-12-31"),  # around
    ],
)
def test_two_seasons_share_no_day(cast: Cast, old: Season, first: str, last: str):
    with pytest.raises(ValidationError, match="two seasons never share a day"):
        make(cast, "another", first, last)
    assert Season.objects.count() == 1


def test_seasons_that_touch_are_two(cast: Cast, new: Season):
    assert Season.objects.count() == 2
    with pytest.raises(ValidationError, match="of this name already"):
        make(cast, "2026/27", "2030-01-01", "2030-12-31")
    with pytest.raises(ValidationError, match="after the first day"):
        make(cast, "x", "2031-01-01", "2031-01-01")
    with pytest.raises(ValidationError, match="at most two years"):
        make(cast, "x", "2031-01-01", "2041-01-01")


def test_a_season_is_moved_but_not_away_from_its_members(cast: Cast, old: Season):
    season.join(
        by=cast.staff, operator=cast.operator, season=old, kind="full", joined_on=day("2026-05-01")
    )
    with pytest.raises(ValidationError, match="Redgrass Aerial joined on 1 May 2026"):
        season.change_season(old, by=cast.staff, ends_on=day("2026-04-30"))
    assert season.change_season(old, by=cast.staff, ends_on=day("2026-05-31"))
    assert not season.change_season(old, by=cast.staff, ends_on=day("2026-05-31"))


def test_season_of_a_day(cast: Cast, new: Season, old: Season):
    assert season_on(day("2026-06-30")) == old
    assert season_on(day("2026-07-01")) == new
    assert season_on(day("2029-01-01")) == new  # the last that began
    assert season_on(day("2020-01-01")) == old  # the next


def test_only_staff_keep_the_season(cast: Cast, old: Season):
    for person in (cast.analyst, cast.owner, cast.pilot, cast.checker):
        with pytest.raises(PermissionDenied):
            season.join(by=person, operator=cast.operator, season=old, kind="full")
        with pytest.raises(PermissionDenied):
            season.carry_over(old, by=person)


def test_join_change_lapse_and_come_back(cast: Cast, old: Season):
    one = season.join(
        by=cast.staff, operator=cast.operator, season=old, kind="full", joined_on=day("2025-08-01")
    )
    with pytest.raises(ValidationError, match="belongs to season 2025/26 already"):
        season.join(by=cast.staff, operator=cast.operator, season=old, kind="guest")
    assert season.change_membership(one, by=cast.staff, kind="associate")
    assert season.lapse(one, by=cast.staff, lapsed_on=day("2026-02-28"), note="Fees")
    with pytest.raises(ValidationError, match="and lapsed on 28 February 2026; change that"):
        season.join(by=cast.staff, operator=cast.operator, season=old, kind="full")
    for wrong, says in (
        ("2025-07-31", "Joined on 1 August 2025; not before that."),
        ("2026-07-01", "has not lapsed"),
    ):
        with pytest.raises(ValidationError, match=says):
            season.lapse(one, by=cast.staff, lapsed_on=day(wrong))
    assert season.change_membership(one, by=cast.staff, lapsed_on=None)
    one.refresh_from_db()
    assert (one.kind, one.lapsed_on, one.note) == ("associate", None, "Fees")
    deeds = AuditRow.objects.filter(subject_id=one.pk).values_list("deed", flat=True)
    assert sorted(deeds) == ["member_changed"] * 3 + ["member_joined"]


@pytest.mark.parametrize(
    ("joined", "says"),
    [("2026-07-01", "ends on 30 June 2026"), ("2024-06-01", "More than a year before")],
)
def test_joining_fits_the_season(cast: Cast, old: Season, joined: str, says: str):
    with pytest.raises(ValidationError, match=says):
        season.join(
            by=cast.staff, operator=cast.operator, season=old, kind="full", joined_on=day(joined)
        )


def test_who_left_does_not_join_and_keeps_the_past(cast: Cast, old: Season, new: Season):
    kept = season.join(by=cast.staff, operator=cast.operator, season=old, kind="full")
    people.change_operator(cast.operator, by=cast.staff, left_on=day("2026-06-01"))
    with pytest.raises(ValidationError, match="left the association on 1 June 2026"):
        season.join(by=cast.staff, operator=cast.operator, season=new, kind="full")
    assert Membership.objects.get() == kept


def test_carry_over_once_and_twice(cast: Cast, old: Season, new: Season):
    def operator(name: str, kind: str) -> Membership:
        added = people.add_operator(by=cast.staff, name=name, base="Somewhere")
        return season.join(by=cast.staff, operator=added, season=old, kind=kind)

    operator("Full Field Air", "full")
    operator("Half Field Air", "associate")
    operator("Passing Guest Air", "guest")
    season.lapse(operator("Lapsed Air", "full"), by=cast.staff, lapsed_on=old.ends_on)
    left = operator("Left Air", "full").operator
    people.change_operator(left, by=cast.staff, left_on=day("2026-05-01"))
    there = operator("Early Air", "associate").operator
    season.join(by=cast.staff, operator=there, season=new, kind="full")

    done = season.carry_over(new, by=cast.staff)
    assert (done.source, done.carried, done.there_already) == (old, 2, 1)
    assert (done.guests, done.lapsed, done.left) == (1, 1, 1)
    rows = {m.operator.name: m for m in Membership.objects.filter(season=new)}
    assert set(rows) == {"Full Field Air", "Half Field Air", "Early Air"}
    assert rows["Half Field Air"].kind == "associate"
    assert rows["Early Air"].kind == "full"  # as it was
    assert rows["Full Field Air"].joined_on == new.starts_on

    again = season.carry_over(new, by=cast.staff)
    assert (again.carried, again.there_already) == (0, 3)
    assert AuditRow.objects.filter(deed="members_carried_over").count() == 1
    with pytest.raises(ValidationError, match="no season before 2025/26"):
        season.carry_over(old, by=cast.staff)
