"""Who was told of a recall; words found though they are mistyped."""

import django.db.models.deletion
from django.conf import settings
from django.contrib.postgres.operations import TrigramExtension
from django.db import migrations, models

# the columns in which words are looked for though they are mistyped; the comparisons stand on all of these tables
SEARCHED = (
    ("materials_material", "name"), ("materials_lot", "supplier_lot"), ("formulations_formulation", "name"),
    ("formulations_batch", "name"), ("samples_sample", "name"), ("comparisons_comparison", "title"),
)


class Migration(migrations.Migration):

    dependencies = [
        ('comparisons', '0001_initial'),
        ('formulations', '0001_initial'),
        ('materials', '0002_desk'),
        ('samples', '0002_blind_labels_thickness'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        # a trusted extension: the owner of the database may create it
        TrigramExtension(),
        *(
            migrations.RunSQL(
                f"CREATE INDEX {table}_{column}_words ON {table} USING gin ({column} gin_trgm_ops)",
                f"DROP INDEX {table}_{column}_words",
            )
            for table, column in SEARCHED
        ),
        migrations.CreateModel(
            name='Notification',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('subject_kind', models.CharField(max_length=40)),
                ('subject_code', models.CharField(max_length=60)),
                ('told', models.CharField(max_length=200, verbose_name='who was told')),
                ('about', models.CharField(blank=True, help_text='codes it reached them by', max_length=200, verbose_name='what it is about')),
                ('way', models.CharField(choices=[('talk', 'spoken to'), ('telephone', 'by telephone'), ('mail', 'by electronic mail'), ('letter', 'by letter')], max_length=10, verbose_name='how')),
                ('told_at', models.DateTimeField(verbose_name='when')),
                ('words', models.TextField(verbose_name='what was said')),
                ('at', models.DateTimeField(auto_now_add=True)),
                ('by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'verbose_name': 'notification',
                'verbose_name_plural': 'notifications',
                'ordering': ('told_at', 'id'),
                'indexes': [models.Index(fields=['subject_kind', 'subject_code'], name='notification_subject')],
            },
        ),
    ]
