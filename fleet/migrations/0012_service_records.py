"""Records of service follow the lists that their jurisdiction asks for.

Nothing could write a record before, so the table is made anew; should there be rows all the same,
the migration stops before it loses them.
"""

import django.db.models.deletion
import uuid_utils.compat
from django.db import migrations, models

from fleet.seals import SealTable


def stop_at_rows(apps, schema_editor):
    """Stop where the table is not empty."""
    if apps.get_model("fleet", "ServiceRecord").objects.exists():
        raise RuntimeError(
            "There are records of service, which this migration would lose. Save them first."
        )


class Migration(migrations.Migration):
    dependencies = [("fleet", "0011_papers_sealed")]
    operations = [
        migrations.AddField(
            model_name="jurisdiction",
            name="record_lists",
            field=models.JSONField(
                blank=True,
                default=list,
                help_text=(
                    "Keys of the lists in `fleet.record_lists`; none: no records are asked for."
                ),
                verbose_name="records of service asked for",
            ),
        ),
        migrations.RunPython(stop_at_rows, migrations.RunPython.noop),
        migrations.DeleteModel("ServiceRecord"),
        migrations.CreateModel(
            name="ServiceRecord",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=uuid_utils.compat.uuid7,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                ("created_at", models.DateTimeField(auto_now_add=True)),
                ("lists", models.JSONField()),
                ("served_on", models.DateField()),
                ("values", models.JSONField()),
                ("took_place", models.BooleanField(default=True)),
                ("reason", models.TextField(blank=True)),
                (
                    "aircraft",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="service_records",
                        to="fleet.aircraft",
                    ),
                ),
                (
                    "corrects",
                    models.OneToOneField(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="corrected_by",
                        to="fleet.servicerecord",
                    ),
                ),
                (
                    "jurisdiction",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="fleet.jurisdiction",
                    ),
                ),
                (
                    "operator",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="fleet.operator",
                    ),
                ),
                (
                    "recorded_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="fleet.person",
                    ),
                ),
            ],
            options={
                "verbose_name": "record of service",
                "verbose_name_plural": "records of service",
                "ordering": ["-served_on", "-id"],
                "indexes": [
                    models.Index(fields=["operator", "served_on"], name="service_record_day")
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("corrects__isnull", True), ("reason", ""), ("took_place", True)
                            ),
                            models.Q(
                                ("corrects__isnull", False),
                                models.Q(("reason", ""), _negated=True),
                            ),
                            _connector="OR",
                        ),
                        name="service_correction_has_reason",
                    )
                ],
            },
        ),
        # On the way back: rows would be lost as well.
        migrations.RunPython(migrations.RunPython.noop, stop_at_rows),
        SealTable("fleet_servicerecord"),
    ]
