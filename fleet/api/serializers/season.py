"""Seasons, memberships, invitations and imports."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from fleet.api.serializers.base import Out, Strict
from fleet.models import Invitation, Membership, MembershipKind, Role, Season, SheetImport


class SeasonOut(Out):
    member_count = serializers.IntegerField(help_text="Of the operators you may see.")
    lapsed_count = serializers.IntegerField()

    class Meta:
        model = Season
        fields = [
            "id", "name", "starts_on", "ends_on", "member_count", "lapsed_count", "created_at",
        ]  # fmt: skip


class SeasonNew(Strict):
    name = serializers.CharField(max_length=40)
    starts_on = serializers.DateField()
    ends_on = serializers.DateField()


class CarriedOverOut(serializers.Serializer[Any]):
    """How many came along, and why the others did not."""

    source = serializers.UUIDField(source="source.pk", help_text="The season before.")
    carried = serializers.IntegerField()
    there_already = serializers.IntegerField()
    guests = serializers.IntegerField()
    lapsed = serializers.IntegerField()
    left = serializers.IntegerField()


class MembershipOut(Out):
    operator_name = serializers.CharField(source="operator.name")
    season_name = serializers.CharField(source="season.name")

    class Meta:
        model = Membership
        fields = [
            "id", "operator", "operator_name", "season", "season_name", "kind", "joined_on",
            "lapsed_on", "note", "created_at",
        ]  # fmt: skip


class MembershipNew(Strict):
    operator = serializers.UUIDField()
    season = serializers.UUIDField()
    kind = serializers.ChoiceField(MembershipKind.choices)
    joined_on = serializers.DateField(
        required=False, help_text="Today, or the nearest day of the season, when left out."
    )
    note = serializers.CharField(required=False, allow_blank=True)


class MembershipChange(Strict):
    kind = serializers.ChoiceField(MembershipKind.choices)
    joined_on = serializers.DateField()
    lapsed_on = serializers.DateField(allow_null=True)
    note = serializers.CharField(allow_blank=True)


class InvitationOut(Out):
    operator_name = serializers.CharField(source="operator.name")
    invited_by_name = serializers.CharField(source="invited_by.name")
    role = serializers.ChoiceField(Role.choices)

    class Meta:
        model = Invitation
        fields = [
            "id", "operator", "operator_name", "email", "name", "role", "may_change_setups",
            "invited_by", "invited_by_name", "expires_at", "accepted_at", "withdrawn_at", "person",
            "created_at",
        ]  # fmt: skip


class LetterOut(serializers.Serializer[Any]):
    """An invitation, and whether its letter went out."""

    invitation = InvitationOut()
    problem = serializers.CharField(
        allow_blank=True, help_text="Why the letter did not go out; empty when it did."
    )


class InvitationNew(Strict):
    operator = serializers.UUIDField(required=False, help_text="Your own when left out.")
    email = serializers.EmailField()
    name = serializers.CharField(max_length=120)
    role = serializers.ChoiceField(Role.choices, help_text="Owner or pilot.")
    may_change_setups = serializers.BooleanField(required=False)


class ImportOut(Out):
    class Meta:
        model = SheetImport
        fields = [
            "id", "name", "digest", "size", "season", "state", "tally", "trouble", "brought_by",
            "looked_at", "applied_at", "created_at",
        ]  # fmt: skip


class ImportFaultOut(serializers.Serializer[Any]):
    """What is wrong in a row, and what would be right."""

    row = serializers.IntegerField(allow_null=True)
    column = serializers.CharField()
    what = serializers.CharField()
    right = serializers.CharField()


class ImportDifferenceOut(serializers.Serializer[Any]):
    """A field that the file says otherwise than the record, in SI."""

    field = serializers.CharField()
    old = serializers.SerializerMethodField()
    new = serializers.SerializerMethodField()

    def get_old(self, one: Any) -> str | None:
        return _said(one["old"])

    def get_new(self, one: Any) -> str | None:
        return _said(one["new"])


def _said(value: Any) -> str | None:
    return None if value is None or value == "" else str(value)


class ImportStepOut(serializers.Serializer[Any]):
    """One thing that a row brings."""

    what = serializers.CharField(help_text="operator, member or aircraft")
    action = serializers.ChoiceField(["added", "changed", "same"])
    name = serializers.CharField()
    differences = ImportDifferenceOut(many=True)


class ImportRowOut(serializers.Serializer[Any]):
    """One row of the file, what it brings, and what is wrong with it."""

    row = serializers.IntegerField()
    operator = serializers.CharField()
    registration = serializers.CharField()
    state = serializers.ChoiceField(["wrong", "added", "changed", "same"])
    moved = serializers.BooleanField(help_text="Comes out otherwise than when it was looked at.")
    steps = ImportStepOut(many=True)
    faults = ImportFaultOut(many=True)


class ImportPlanOut(serializers.Serializer[Any]):
    """What a file would change. Send `mark` back to have exactly that carried out."""

    mark = serializers.CharField()
    tally = serializers.DictField()
    remarks = serializers.ListField(child=serializers.CharField())
    rows = ImportRowOut(many=True)


class ApplyIn(Strict):
    mark = serializers.CharField(help_text="Of the plan that you looked at.")
