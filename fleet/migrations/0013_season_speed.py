"""An index from which a fleet is judged without touching the documents of analyses."""

from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('fleet', '0012_service_records'),
    ]

    operations = [
        migrations.RemoveIndex(
            model_name='analysisrun',
            name='analysis_figures',
        ),
        migrations.AddIndex(
            model_name='analysisrun',
            index=models.Index(fields=['test', 'number', 'id', 'accepted_passes', 'one_way_swath_m', 'one_way_cv_percent', 'back_and_forth_swath_m', 'back_and_forth_cv_percent'], name='analysis_outcome'),
        ),
    ]
