"""Scans of droplet cards, measurements, and what the cards of a test say together."""

from __future__ import annotations

import json
from typing import Any

from rest_framework import serializers

from fleet.api.serializers.base import Number, Out, Strict
from fleet.api.serializers.visits import RemarkOut
from fleet.api.serializers.work import JobOut
from fleet.models import CardRun, CardScan, JobState
from patterns.cards.classes import class_table_names
from patterns.cards.drops import spread_factor_names

# --- Figures --------------------------------------------------------------------------------------


class FigureOut(serializers.Serializer[Any]):
    """A figure and its bounds, in the unit of its name; null where it cannot be told."""

    value = serializers.FloatField(allow_null=True)
    low = serializers.FloatField(allow_null=True)
    high = serializers.FloatField(allow_null=True)


class BelowOut(serializers.Serializer[Any]):
    """Share of the volume in drops smaller than a cut-off."""

    cut_off_um = serializers.FloatField()
    percent = FigureOut()


class SpectrumOut(serializers.Serializer[Any]):
    """Sizes of the drops: 10, 50 and 90 % of the volume are in drops smaller than Dv0.1 … Dv0.9."""

    dv10_um = FigureOut()
    dv50_um = FigureOut()
    dv90_um = FigureOut()
    relative_span = FigureOut(help_text="(Dv0.9 − Dv0.1) / Dv0.5")
    number_median_um = FigureOut()
    mean_um = FigureOut(help_text="D10")
    volume_mean_um = FigureOut(help_text="D30")
    sauter_um = FigureOut(help_text="D32")
    volume_below = BelowOut(many=True)
    stains = serializers.IntegerField()
    count = serializers.FloatField(help_text="Stains with the weights of the edge rule.")
    smallest_um = serializers.FloatField()
    largest_um = serializers.FloatField()
    per_cm2 = FigureOut(allow_null=True)
    deposit_l_per_ha = FigureOut(allow_null=True)
    confidence = serializers.FloatField(help_text="Share of the resamplings between the bounds.")
    remarks = RemarkOut(many=True)


class DistributionOut(serializers.Serializer[Any]):
    """Shares by class of diameter; one edge more than classes."""

    edge_um = serializers.ListField(child=serializers.FloatField())
    volume_percent = serializers.ListField(child=serializers.FloatField())
    number_percent = serializers.ListField(child=serializers.FloatField())


class WholeSpectrumOut(SpectrumOut):
    """The same with the shares by class of diameter."""

    distribution = DistributionOut()


class SizeClassOut(serializers.Serializer[Any]):
    """Size class by the table named; `note` says what it is worth."""

    letters = serializers.CharField()
    name = serializers.CharField()
    finest = serializers.CharField(help_text="Class at the lower bounds of the diameters.")
    coarsest = serializers.CharField(help_text="Class at their upper bounds.")
    by_figure = serializers.ListField(
        child=serializers.CharField(allow_null=True), help_text="By Dv0.1, Dv0.5, Dv0.9."
    )
    whole_curve = serializers.BooleanField()
    table = serializers.CharField()
    table_name = serializers.CharField()
    use = serializers.CharField()
    standard = serializers.CharField()
    instrument = serializers.CharField()
    source = serializers.CharField()
    trust = serializers.CharField()
    note = serializers.CharField(allow_blank=True)


# --- Scans and cards ------------------------------------------------------------------------------


class CardSettingsIn(Strict):
    """How to measure; what is left out is the usual."""

    dpi = Number(required=False, help_text="Stands above what the file says.")
    spread = serializers.ChoiceField(
        spread_factor_names(), required=False, help_text="Spread factor, by liquid and paper."
    )
    spread_a = Number(required=False, help_text="Drop = A·stain^B in µm, in place of `spread`.")
    spread_b = Number(required=False, help_text="Goes with `spread_a`.")
    table = serializers.ChoiceField(
        class_table_names(), required=False, help_text="Table of the size classes."
    )


class CardScansIn(CardSettingsIn):
    """One or more scans, and how to measure them."""

    file = serializers.ListField(
        child=serializers.FileField(allow_empty_file=True),
        allow_empty=False,
        help_text="Scans as parts of this name: PNG, TIFF or JPEG.",
    )
    flight_pass = serializers.UUIDField(
        required=False, help_text="The pass under which the cards lay."
    )


class CardScanOut(Out):
    """A scan; `measurement` is the latest, `job` the last that was asked for."""

    setup = serializers.UUIDField(source="test.setup_id")
    aircraft = serializers.UUIDField(source="test.setup.aircraft_id")
    registration = serializers.CharField(source="test.setup.aircraft.registration")
    pass_number = serializers.IntegerField(
        source="flight_pass.number", default=None, allow_null=True
    )
    file = serializers.CharField(source="raw_file.name")
    file_digest = serializers.CharField(source="raw_file.digest", help_text="SHA-256.")
    file_size = serializers.IntegerField(source="raw_file.size")
    measurement = serializers.UUIDField(allow_null=True)
    job = serializers.UUIDField(allow_null=True)
    awaits_confirmation = serializers.BooleanField(
        help_text="Nobody has confirmed the outlines yet, so its cards do not count."
    )
    job_state = serializers.ChoiceField(JobState.choices, allow_null=True)

    class Meta:
        model = CardScan
        fields = [
            "id",
            "operator",
            "test",
            "setup",
            "aircraft",
            "registration",
            "number",
            "flight_pass",
            "pass_number",
            "file",
            "file_digest",
            "file_size",
            "measurement",
            "awaits_confirmation",
            "job",
            "job_state",
            "created_at",
        ]


class StainSizesOut(serializers.Serializer[Any]):
    """Sizes of the stains as if they were drops."""

    dv10_um = serializers.FloatField()
    dv50_um = serializers.FloatField()
    dv90_um = serializers.FloatField()


class CardOut(serializers.Serializer[Any]):
    """One card as the latest measurement found it, and where it lay."""

    number = serializers.IntegerField(help_text="Left to right, top to bottom on the scan.")
    position_m = serializers.FloatField(
        allow_null=True, help_text="From the flight line, left wing negative; null: not placed."
    )
    left_out_reason = serializers.CharField(allow_blank=True)
    outlines_confirmed = serializers.BooleanField(
        source="is_confirmed",
        help_text="Somebody has looked; not needed for a picture of one card.",
    )
    not_card_reason = serializers.CharField(
        allow_blank=True, help_text="Why the outline is no card; blank: it is one."
    )
    counts = serializers.BooleanField(help_text="Confirmed as a card, placed and not left out.")
    corners_px = serializers.ListField(
        child=serializers.ListField(child=serializers.FloatField()), help_text="On the scan."
    )
    image_px = serializers.ListField(
        child=serializers.IntegerField(), help_text="Width and height of the card's own image."
    )
    valid_px = serializers.ListField(
        child=serializers.IntegerField(), help_text="Top, left, bottom, right of what was measured."
    )
    dpi = serializers.FloatField()
    paper = serializers.CharField()
    threshold_percent = serializers.FloatField()
    threshold_why = serializers.CharField()
    area_cm2 = serializers.FloatField()
    stains = serializers.IntegerField()
    stains_per_cm2 = FigureOut()
    coverage_percent = FigureOut()
    deposit_l_per_ha = FigureOut()
    split_percent = serializers.FloatField(help_text="Of the stains, out of splitting.")
    smallest_um = serializers.FloatField(help_text="Smallest stain to be trusted at this dpi.")
    left_out = serializers.DictField(
        child=serializers.IntegerField(), help_text="Stains not counted, by why."
    )
    outside_percent = serializers.FloatField(
        help_text="Of the volume, outside the range of the spread factor."
    )
    stain_um = StainSizesOut(allow_null=True)
    drops = SpectrumOut(allow_null=True)
    size_class = SizeClassOut(allow_null=True)
    remarks = RemarkOut(many=True)
    result = serializers.CharField(help_text="SHA-256 of the whole result.")


class ConfirmedOut(serializers.Serializer[Any]):
    """Who looked at the outlines, when, and by which measurement they were drawn."""

    by = serializers.UUIDField(source="confirmed_by_id")
    by_name = serializers.CharField(source="confirmed_by.name")
    at = serializers.DateTimeField(source="created_at")
    measurement = serializers.UUIDField(source="run_id")


class CardScanFullOut(CardScanOut):
    """A scan with its cards, and the word on their outlines that stands."""

    confirmation = ConfirmedOut(
        allow_null=True, help_text="Null: nobody has looked, or nobody needs to."
    )
    cards = CardOut(many=True)

    class Meta(CardScanOut.Meta):
        fields = [*CardScanOut.Meta.fields, "confirmation", "cards"]


class AddedScanOut(serializers.Serializer[Any]):
    """What became of one file: a scan and the job that measures it, or why there is none."""

    name = serializers.CharField()
    scan = CardScanOut(allow_null=True)
    job = JobOut(allow_null=True)
    error = serializers.CharField(allow_blank=True)


class AddedScansOut(serializers.Serializer[Any]):
    results = AddedScanOut(many=True)


class NotCardIn(Strict):
    """An outline that is no card, and what it is."""

    number = serializers.IntegerField(min_value=1)
    reason = serializers.CharField(max_length=200)


class ConfirmationIn(Strict):
    """The outlines of this measurement are cards, but for those named."""

    measurement = serializers.UUIDField(help_text="Whose outlines were looked at.")
    not_cards = NotCardIn(many=True, required=False, default=list)


class PlaceIn(Strict):
    """Where one card lay; a reason leaves it out of what the test says."""

    number = serializers.IntegerField(min_value=1)
    position_m = Number(allow_null=True, help_text="From the flight line, left wing negative.")
    left_out_reason = serializers.CharField(required=False, allow_blank=True, default="")


class PlacesIn(Strict):
    """Cards not named keep their places."""

    places = PlaceIn(many=True, allow_empty=False)

    def validate_places(self, places: list[dict[str, Any]]) -> list[dict[str, Any]]:
        """Refuse two places for one card."""
        numbers = [one["number"] for one in places]
        twice = sorted({number for number in numbers if numbers.count(number) > 1})
        if twice:
            says = [f"Card {number} is named more than once." for number in twice]
            raise serializers.ValidationError(says)
        return places


# --- Measurements ---------------------------------------------------------------------------------


class CardMeasurementOut(Out):
    """A finished measurement of a scan, without its document."""

    test = serializers.UUIDField(source="scan.test_id")
    setup = serializers.UUIDField(source="scan.test.setup_id")
    aircraft = serializers.UUIDField(source="scan.test.setup.aircraft_id")
    registration = serializers.CharField(source="scan.test.setup.aircraft.registration")

    class Meta:
        model = CardRun
        fields = [
            "id",
            "operator",
            "scan",
            "test",
            "job",
            "setup",
            "aircraft",
            "registration",
            "number",
            "method_version",
            "document_digest",
            "requested_by",
            "created_at",
        ]


class CardMeasurementFullOut(CardMeasurementOut):
    """A measurement with its settings and its whole document."""

    settings = serializers.JSONField(source="parameters")
    document = serializers.SerializerMethodField(
        help_text="dpi and cards, one entry for each card in order; see the manual."
    )

    class Meta(CardMeasurementOut.Meta):
        fields = [*CardMeasurementOut.Meta.fields, "settings", "document"]

    def get_document(self, run: CardRun) -> dict[str, Any]:
        document: dict[str, Any] = json.loads(run.document)
        return document


# --- A test ---------------------------------------------------------------------------------------


class ScanOfTestOut(serializers.Serializer[Any]):
    """What the figures of a test rest on: a scan and its latest measurement."""

    scan = serializers.UUIDField(source="scan.id")
    number = serializers.IntegerField(source="scan.number")
    file = serializers.CharField(source="scan.raw_file.name")
    file_digest = serializers.CharField(source="scan.raw_file.digest")
    measurement = serializers.UUIDField(source="run.id", default=None, allow_null=True)
    method_version = serializers.CharField(
        source="run.method_version", default=None, allow_null=True
    )
    document_digest = serializers.CharField(
        source="run.document_digest", default=None, allow_null=True
    )
    cards = serializers.IntegerField()
    counting = serializers.IntegerField()
    awaits_confirmation = serializers.BooleanField(
        help_text="Nobody has confirmed the outlines yet, so its cards do not count."
    )


class PlaceOfTestOut(serializers.Serializer[Any]):
    """One place across the swath; cards that lay there are taken together."""

    position_m = serializers.FloatField()
    width_m = serializers.FloatField(help_text="Of the strip it stands for.")
    cards = serializers.IntegerField()
    coverage_percent = serializers.FloatField()
    per_cm2 = serializers.FloatField()
    deposit_l_per_ha = FigureOut()
    dv50_um = FigureOut()


class AcrossOut(serializers.Serializer[Any]):
    """Means over the width, and the places from left to right."""

    mean_deposit_l_per_ha = serializers.FloatField()
    mean_coverage_percent = serializers.FloatField()
    centre_m = serializers.FloatField(allow_null=True)
    places = PlaceOfTestOut(many=True)


class DriftStatementOut(serializers.Serializer[Any]):
    """One sentence on drift potential, and the figure and limit behind it."""

    code = serializers.CharField()
    text = serializers.CharField()
    weight = serializers.CharField(help_text="raises, states or unknown")
    value = serializers.FloatField(allow_null=True)
    limit = serializers.FloatField(allow_null=True)
    unit = serializers.CharField(allow_blank=True)
    source = serializers.CharField(allow_blank=True)


class TestCardsOut(serializers.Serializer[Any]):
    """What the cards of a test that count say together; null while none counts."""

    __test__ = False

    scans = ScanOfTestOut(many=True)
    across = AcrossOut(allow_null=True)
    spectrum = WholeSpectrumOut(
        allow_null=True, help_text="Of the whole test, weighted by deposit."
    )
    size_class = SizeClassOut(allow_null=True)
    drift = DriftStatementOut(many=True, help_text="There is always some potential for drift.")
    remarks = RemarkOut(many=True)
