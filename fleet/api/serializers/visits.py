"""Visits, tests, passes."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from fleet.api.serializers.base import Number, Out, Strict
from fleet.models import FlightPass, Origin, Overrule, Test, Visit, VisitKind
from fleet.queries.clinics import why_closed


class VisitOut(Out):
    analyst_name = serializers.CharField(source="analyst.name")
    host_name = serializers.CharField(source="host.name", default=None, allow_null=True)
    test_count = serializers.IntegerField(help_text="Of the tests that you may see.")
    sign_up_open = serializers.SerializerMethodField()

    class Meta:
        model = Visit
        fields = [
            "id",
            "kind",
            "place",
            "starts_on",
            "ends_on",
            "analyst",
            "analyst_name",
            "host",
            "host_name",
            "note",
            "latitude_deg",
            "longitude_deg",
            "aircraft_per_day",
            "first_slot_at",
            "slot_minutes",
            "sign_up_until",
            "sign_up_open",
            "cancelled_on",
            "cancelled_reason",
            "test_count",
            "created_at",
        ]

    def get_sign_up_open(self, visit: Visit) -> bool:
        """Whether operators may sign up today."""
        return not why_closed(visit)


class VisitIn(Strict):
    kind = serializers.ChoiceField(VisitKind.choices)
    place = serializers.CharField()
    starts_on = serializers.DateField()
    ends_on = serializers.DateField()
    analyst = serializers.UUIDField()
    host = serializers.UUIDField(
        required=False, allow_null=True, help_text="The operator of a private visit."
    )
    note = serializers.CharField(required=False, allow_blank=True)
    latitude_deg = Number(required=False, allow_null=True)
    longitude_deg = Number(required=False, allow_null=True, help_text="East positive.")
    aircraft_per_day = serializers.IntegerField(
        required=False, allow_null=True, help_text="Of a clinic with sign-up."
    )
    first_slot_at = serializers.TimeField(required=False, allow_null=True)
    slot_minutes = serializers.IntegerField(required=False, allow_null=True)
    sign_up_until = serializers.DateField(
        required=False, allow_null=True, help_text="Null means the first day."
    )


class VisitChange(VisitIn):
    let_wait = serializers.BooleanField(
        required=False,
        help_text="Whoever loses a place by this goes to the waiting list; else it is refused.",
    )


class TestOut(Out):
    __test__ = False

    aircraft = serializers.UUIDField(source="setup.aircraft_id")
    registration = serializers.CharField(source="setup.aircraft.registration")
    pass_count = serializers.IntegerField()
    analysis_count = serializers.IntegerField()

    class Meta:
        model = Test
        fields = [
            "id",
            "operator",
            "visit",
            "setup",
            "aircraft",
            "registration",
            "flown_on",
            "line_heading_deg",
            "wind_speed_m_s",
            "wind_from_deg",
            "wind_height_m",
            "temperature_c",
            "humidity_percent",
            "liquid",
            "reader",
            "file_unit",
            "file_origin",
            "file_flight_line",
            "note",
            "pass_count",
            "analysis_count",
            "created_at",
        ]


class TestChange(Strict):
    __test__ = False

    flown_on = serializers.DateField()
    line_heading_deg = Number(required=False, allow_null=True, help_text="As flown.")
    wind_speed_m_s = Number(required=False, allow_null=True)
    wind_from_deg = Number(required=False, allow_null=True)
    wind_height_m = Number(required=False, allow_null=True)
    temperature_c = Number(required=False, allow_null=True)
    humidity_percent = Number(required=False, allow_null=True)
    liquid = serializers.CharField(required=False, allow_blank=True)
    reader = serializers.CharField(required=False, allow_blank=True)
    file_unit = serializers.ChoiceField(
        Test.file_unit.field.choices,
        required=False,
        allow_blank=True,
        help_text="Unit of position where the file itself does not say.",
    )
    file_origin = serializers.ChoiceField(Origin.choices, required=False, allow_blank=True)
    file_flight_line = Number(
        required=False,
        allow_null=True,
        help_text="Where the flight line crosses the string, in the unit and count of the files.",
    )
    note = serializers.CharField(required=False, allow_blank=True)


class TestNew(TestChange):
    visit = serializers.UUIDField()
    setup = serializers.UUIDField()


class PassOut(Out):
    file = serializers.CharField(source="raw_file.name", default=None, allow_null=True)
    file_digest = serializers.CharField(
        source="raw_file.digest", default=None, allow_null=True, help_text="SHA-256."
    )
    file_size = serializers.IntegerField(source="raw_file.size", default=None, allow_null=True)

    class Meta:
        model = FlightPass
        fields = [
            "id",
            "operator",
            "test",
            "number",
            "file",
            "file_digest",
            "file_size",
            "aborted_reason",
            "overrule",
            "overrule_reason",
            "heading_deg",
            "airspeed_m_s",
            "release_height_m",
            "wind_speed_m_s",
            "wind_from_deg",
            "flown_at",
            "read_at",
            "created_at",
        ]


class AddedOut(serializers.Serializer[Any]):
    """What became of one file: a pass, or the reason why there is none."""

    name = serializers.CharField()
    flight_pass = PassOut(allow_null=True)
    error = serializers.CharField(allow_blank=True)


class UploadOut(serializers.Serializer[Any]):
    results = AddedOut(many=True)


class AbortedIn(Strict):
    aborted_reason = serializers.CharField()


class PassChange(Strict):
    """What differed from the test on this pass; null where nothing did."""

    heading_deg = Number(allow_null=True)
    airspeed_m_s = Number(allow_null=True)
    release_height_m = Number(allow_null=True)
    wind_speed_m_s = Number(allow_null=True)
    wind_from_deg = Number(allow_null=True)
    flown_at = serializers.DateTimeField(allow_null=True)
    read_at = serializers.DateTimeField(allow_null=True)


class OverruleIn(Strict):
    overrule = serializers.ChoiceField(
        Overrule.choices, allow_blank=True, help_text="Empty takes an earlier word back."
    )
    overrule_reason = serializers.CharField(required=False, allow_blank=True, default="")


class RemarkOut(serializers.Serializer[Any]):
    code = serializers.CharField()
    text = serializers.CharField()
    weight = serializers.CharField(help_text="note, warning or suspect")


class QualityOut(serializers.Serializer[Any]):
    """How good a pass is, judged beside the others of its test as an analysis would."""

    flight_pass = serializers.UUIDField(source="flight_pass.id")
    number = serializers.IntegerField(source="flight_pass.number")
    state = serializers.ChoiceField(
        [
            ("accepted", "Counts"),
            ("left_out", "Left out"),
            ("aborted", "Broken off"),
            ("failed", "Cannot be read"),
        ]
    )
    remarks = RemarkOut(many=True)
    error = serializers.CharField(allow_blank=True)
