from django.db import migrations

from fleet.seals import SealTable


class Migration(migrations.Migration):
    """Write-once tables, refused by the database itself."""

    dependencies = [("fleet", "0001_initial")]

    operations = [
        SealTable("fleet_setup"),
        SealTable("fleet_rawfile"),
        SealTable("fleet_analysisrun"),
        SealTable("fleet_approval"),
        SealTable("fleet_withdrawal"),
        SealTable("fleet_paper"),
        SealTable("fleet_auditrow"),
    ]
