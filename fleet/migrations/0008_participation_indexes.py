"""Indexes from which seasons are tallied without touching documents and nozzles."""

from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('fleet', '0007_season_sealed'),
    ]

    operations = [
        migrations.AddIndex(
            model_name='analysisrun',
            index=models.Index(fields=['test', 'number', 'id', 'one_way_swath_m', 'one_way_cv_percent', 'back_and_forth_swath_m', 'back_and_forth_cv_percent'], name='analysis_figures'),
        ),
        migrations.AddIndex(
            model_name='approval',
            index=models.Index(fields=['aircraft', 'valid_until'], name='approval_by_aircraft'),
        ),
        migrations.AddIndex(
            model_name='setup',
            index=models.Index(fields=['id', 'aircraft', 'purpose_key'], name='setup_line'),
        ),
        migrations.AddIndex(
            model_name='test',
            index=models.Index(fields=['flown_on', 'operator', 'setup', 'visit'], name='test_by_day'),
        ),
        migrations.AddIndex(
            model_name='test',
            index=models.Index(fields=['operator', 'flown_on'], name='test_by_operator'),
        ),
    ]
