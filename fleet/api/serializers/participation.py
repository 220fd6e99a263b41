"""What a season counted."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from fleet.models import AircraftKind, MembershipKind, VisitKind
from fleet.queries.participants import PART_WORDS


class ChangeOut(serializers.Serializer[Any]):
    """Medians from the first test of the season to what was approved last, and what is left out."""

    aircraft = serializers.IntegerField(help_text="Of which the medians are.")
    lines = serializers.IntegerField(help_text="Aircraft and purposes compared.")
    not_approved_again = serializers.IntegerField(
        help_text="Tested again and not approved then: left out."
    )
    none_at_first = serializers.IntegerField(
        help_text="No swath recommended at the first test: left out."
    )
    cv_first_percent = serializers.FloatField(allow_null=True)
    cv_last_percent = serializers.FloatField(allow_null=True)
    cv_change_percent = serializers.FloatField(
        allow_null=True, help_text="Median of the changes, in percentage points."
    )
    swath_first_m = serializers.FloatField(allow_null=True)
    swath_last_m = serializers.FloatField(allow_null=True)
    swath_change_m = serializers.FloatField(allow_null=True)


class FiguresOut(serializers.Serializer[Any]):
    """The figures of a season. Of an operator's people: those of their own part."""

    season = serializers.UUIDField(source="season.pk")
    name = serializers.CharField(source="season.name")
    starts_on = serializers.DateField(source="season.starts_on")
    ends_on = serializers.DateField(source="season.ends_on")
    is_over = serializers.BooleanField()
    members = serializers.IntegerField(help_text="Operators with a membership, of any kind.")
    members_part = serializers.IntegerField(help_text="Members that flew a test.")
    others_part = serializers.IntegerField(help_text="Operators without a membership that did.")
    first_timers = serializers.IntegerField(help_text="Flew in this season, in none before.")
    returners = serializers.IntegerField(help_text="Flew in this season and in an earlier one.")
    lapsed = serializers.IntegerField(
        allow_null=True, help_text="Flew in the season before and not in this one."
    )
    tests = serializers.IntegerField()
    analysed = serializers.IntegerField(help_text="Tests with an analysis.")
    aircraft_tested = serializers.IntegerField()
    visits = serializers.IntegerField()
    as_of = serializers.DateField(
        allow_null=True, help_text="The day of the fleet's figures; null before the season."
    )
    members_on_day = serializers.IntegerField(help_text="Members on that day.")
    fleet = serializers.IntegerField(help_text="Their aircraft in service on that day.")
    approved = serializers.IntegerField(help_text="Of these, with a valid approval on that day.")
    change = ChangeOut()


class GroupOut(serializers.Serializer[Any]):
    """One line of a tally; members are null where they do not come in such groups."""

    name = serializers.CharField()
    members = serializers.IntegerField(allow_null=True)
    part = serializers.IntegerField(allow_null=True)
    tests = serializers.IntegerField()
    tested = serializers.IntegerField(help_text="Aircraft.")
    fleet = serializers.IntegerField()
    approved = serializers.IntegerField()


class SeasonVisitOut(serializers.Serializer[Any]):
    """A visit on which tests of the season were flown."""

    visit = serializers.UUIDField()
    kind = serializers.ChoiceField(VisitKind.choices)
    place = serializers.CharField()
    starts_on = serializers.DateField()
    ends_on = serializers.DateField()
    analyst_name = serializers.CharField(source="analyst")
    tests = serializers.IntegerField(source="test_count")
    aircraft = serializers.IntegerField()
    operators = serializers.IntegerField()


class ParticipationOut(FiguresOut):
    """The figures of a season with its tallies."""

    by_jurisdiction = GroupOut(many=True)
    by_aircraft_kind = GroupOut(many=True)
    by_membership = GroupOut(many=True)
    by_visit = SeasonVisitOut(many=True)


class SeasonMemberOut(serializers.Serializer[Any]):
    """How an operator took part."""

    operator = serializers.UUIDField(source="pk")
    name = serializers.CharField()
    membership = serializers.ChoiceField(
        MembershipKind.choices, allow_blank=True, help_text="Empty: none in this season."
    )
    part = serializers.ChoiceField(list(PART_WORDS.items()))
    tests = serializers.IntegerField(source="test_count")
    tested = serializers.IntegerField(help_text="Aircraft.")
    fleet = serializers.IntegerField()
    approved = serializers.IntegerField()


class SeasonAircraftOut(serializers.Serializer[Any]):
    """How an aircraft took part."""

    aircraft = serializers.UUIDField(source="pk")
    registration = serializers.CharField()
    kind = serializers.ChoiceField(AircraftKind.choices)
    operator = serializers.UUIDField(source="operator_id")
    operator_name = serializers.CharField(source="operator.name")
    tests = serializers.IntegerField(source="test_count")
    last_flown_on = serializers.DateField(allow_null=True)
    in_fleet = serializers.BooleanField(help_text="Counts for the share of the fleet.")
    approved = serializers.BooleanField(help_text="Had a valid approval on the day of the share.")
