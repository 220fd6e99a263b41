"""Which scans await a look at their outlines is asked of columns; what cards say together is kept.

The outlines of measurements that are there are read from their documents. Nobody has looked at
those from before outlines had to be confirmed, whatever 0004 wrote of them: only a person confirms.
"""

import hashlib
import json

import django.db.models.deletion
import uuid_utils.compat
from django.db import migrations, models

from fleet import seals
from fleet.seals import SealTable


def open_seal(apps, schema_editor):
    """Let the columns be filled; the next operation but one closes it again."""
    seals.unseal(schema_editor.connection, "fleet_cardrun")


def read_outlines(apps, schema_editor):
    """Fill the columns from the documents."""
    runs = apps.get_model("fleet", "CardRun").objects
    for run in runs.only("pk", "document").iterator(chunk_size=50):
        content = json.loads(run.document)
        cards = content["cards"]
        outlines = {"outlines": [[card["number"], card["corners_px"]] for card in cards]}
        text = json.dumps(outlines, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        one_whole_card = [card["image_px"] for card in cards] == [content["image_px"]]
        runs.filter(pk=run.pk).update(
            outlines_digest=hashlib.sha256(text.encode()).hexdigest(),
            asks_confirmation=bool(cards) and not one_whole_card,
        )


class Migration(migrations.Migration):
    dependencies = [("fleet", "0013_season_speed")]
    operations = [
        migrations.AddField(
            model_name="cardrun",
            name="outlines_digest",
            field=models.CharField(
                default="",
                help_text="Of the outlines found: found again, the same have the same.",
                max_length=64,
            ),
            preserve_default=False,
        ),
        migrations.AddField(
            model_name="cardrun",
            name="asks_confirmation",
            field=models.BooleanField(
                default=False,
                help_text="Outlines were looked for and found, so somebody must look at them.",
            ),
            preserve_default=False,
        ),
        migrations.RunPython(open_seal, migrations.RunPython.noop),
        migrations.RunPython(read_outlines, migrations.RunPython.noop),
        SealTable("fleet_cardrun"),
        migrations.CreateModel(
            name="CardsTogether",
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
                ("inputs", models.JSONField()),
                ("inputs_digest", models.CharField(max_length=64)),
                ("document", models.TextField()),
                ("document_digest", models.CharField(max_length=64)),
                (
                    "operator",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="fleet.operator",
                    ),
                ),
                (
                    "test",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="fleet.test",
                    ),
                ),
            ],
            options={
                "verbose_name": "figures of cards together",
                "verbose_name_plural": "figures of cards together",
                "ordering": ["test_id", "created_at", "id"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("test", "inputs_digest"), name="cards_together_once"
                    )
                ],
            },
        ),
        SealTable("fleet_cardstogether"),
    ]
