"""Each text that was typed as a jurisdiction becomes one, whatever its case and spaces were."""

from django.conf import settings
from django.db import migrations


def carry_over(apps, schema_editor):
    """Make one jurisdiction of all spellings and point the operators to it."""
    Operator = apps.get_model("fleet", "Operator")
    Jurisdiction = apps.get_model("fleet", "Jurisdiction")
    found = {}
    for operator in Operator.objects.exclude(jurisdiction_text="").order_by("created_at", "id"):
        name = " ".join(operator.jurisdiction_text.split())
        if not name:
            continue
        key = name.lower()
        if key not in found:
            found[key] = Jurisdiction.objects.create(name=name, time_zone=settings.TIME_ZONE)
        operator.jurisdiction = found[key]
        operator.save(update_fields=["jurisdiction"])


def carry_back(apps, schema_editor):
    """Write the names into the text again."""
    Operator = apps.get_model("fleet", "Operator")
    for operator in Operator.objects.exclude(jurisdiction=None).select_related("jurisdiction"):
        operator.jurisdiction_text = operator.jurisdiction.name
        operator.jurisdiction = None
        operator.save(update_fields=["jurisdiction_text", "jurisdiction"])
    apps.get_model("fleet", "Jurisdiction").objects.all().delete()


class Migration(migrations.Migration):
    dependencies = [("fleet", "0005_season")]
    operations = [migrations.RunPython(carry_over, carry_back)]
