"""A worker reads a spreadsheet and carries it out; what it would change is kept with it."""

from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('fleet', '0014_cards_together'),
    ]

    operations = [
        migrations.AddField(
            model_name='sheetimport',
            name='looked_at',
            field=models.DateTimeField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name='sheetimport',
            name='plan',
            field=models.JSONField(default=dict, editable=False, help_text='Row by row: `queries.import_plan.document`.'),
        ),
        migrations.AddField(
            model_name='sheetimport',
            name='trouble',
            field=models.TextField(blank=True, help_text='Why it cannot be read, or was not carried out when it was asked for.'),
        ),
        migrations.AlterField(
            model_name='sheetimport',
            name='state',
            field=models.CharField(choices=[('reading', 'Not read yet'), ('refused', 'Cannot be read'), ('previewed', 'Looked at, nothing changed yet'), ('applied', 'Done'), ('discarded', 'Thrown away')], default='reading', max_length=9),
        ),
    ]
