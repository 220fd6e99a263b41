"""The write-once tables of the papers get their seals; reports that were being made are asked
for again, since they now need a number."""

from django.db import migrations

from fleet.seals import SealTable

AGAIN = "The service was renewed in the meantime. Please ask for the report again."


def end_open_reports(apps, schema_editor):
    """End the jobs that nobody knows how to do any more, with a reason."""
    jobs = apps.get_model("fleet", "Job").objects.filter(
        kind="report", state__in=["queued", "running"]
    )
    jobs.update(state="failed", reason=AGAIN, words="", lease_until=None)


class Migration(migrations.Migration):
    dependencies = [("fleet", "0010_papers")]
    operations = [
        migrations.RunPython(end_open_reports, migrations.RunPython.noop),
        SealTable("fleet_paperslip"),
        SealTable("fleet_paperwithdrawal"),
        SealTable("fleet_papervoid"),
        SealTable("fleet_paperbundle"),
        SealTable("fleet_filingstep"),
        SealTable("fleet_purge"),
        SealTable("fleet_servicerecord"),
        SealTable("fleet_operatorexport"),
    ]
