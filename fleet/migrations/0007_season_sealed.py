"""The text is carried over by now; the write-once tables of the season get their seals."""

from django.db import migrations

from fleet.seals import SealTable


class Migration(migrations.Migration):
    dependencies = [("fleet", "0006_home_jurisdictions")]
    operations = [
        migrations.RemoveField("operator", "jurisdiction_text"),
        SealTable("fleet_requirementversion"),
        SealTable("fleet_tourproposal"),
        SealTable("fleet_remindermail"),
        SealTable("fleet_reminded"),
    ]
