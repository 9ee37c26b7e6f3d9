import django.core.validators
import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    initial = True

    dependencies = [
        ('accounts', '__first__'),
        ('pghistory', '0007_auto_20250421_0444'),
        ('rigs', '0001_initial'),
        ('samples', '0001_initial'),
    ]

    operations = [
        migrations.CreateModel(
            name='Comparison',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('created_at', models.DateTimeField(auto_now_add=True)),
                ('updated_at', models.DateTimeField(auto_now=True)),
                ('version', models.PositiveIntegerField(default=0, editable=False)),
                ('code', models.CharField(editable=False, max_length=12, unique=True)),
                ('title', models.CharField(max_length=200)),
                ('question', models.TextField(blank=True)),
                ('figure', models.CharField(default='temperature_rise', max_length=40)),
                ('confidence', models.FloatField(default=0.95, validators=[django.core.validators.MinValueValidator(0.5), django.core.validators.MaxValueValidator(0.999)])),
                ('state', models.CharField(choices=[('draft', 'Draft'), ('closed', 'Closed')], default='draft', max_length=10)),
                ('method_version', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='comparisons', to='rigs.methodversion')),
                ('posed_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('reference', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='samples.sample')),
                ('samples', models.ManyToManyField(related_name='comparisons', to='samples.sample')),
            ],
            options={
                'verbose_name': 'comparison',
                'verbose_name_plural': 'comparisons',
                'ordering': ('-id',),
            },
        ),
        migrations.CreateModel(
            name='ComparisonEvent',
            fields=[
                ('pgh_id', models.AutoField(primary_key=True, serialize=False)),
                ('pgh_created_at', models.DateTimeField(auto_now_add=True)),
                ('pgh_label', models.TextField(help_text='The event label.')),
                ('id', models.BigIntegerField()),
                ('created_at', models.DateTimeField(auto_now_add=True)),
                ('updated_at', models.DateTimeField(auto_now=True)),
                ('version', models.PositiveIntegerField(default=0, editable=False)),
                ('code', models.CharField(editable=False, max_length=12)),
                ('title', models.CharField(max_length=200)),
                ('question', models.TextField(blank=True)),
                ('figure', models.CharField(default='temperature_rise', max_length=40)),
                ('confidence', models.FloatField(default=0.95, validators=[django.core.validators.MinValueValidator(0.5), django.core.validators.MaxValueValidator(0.999)])),
                ('state', models.CharField(choices=[('draft', 'Draft'), ('closed', 'Closed')], default='draft', max_length=10)),
                ('method_version', models.ForeignKey(db_constraint=False, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', related_query_name='+', to='rigs.methodversion')),
                ('pgh_context', models.ForeignKey(db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='pghistory.context')),
                ('pgh_obj', models.ForeignKey(db_constraint=False, on_delete=django.db.models.deletion.DO_NOTHING, related_name='events', to='comparisons.comparison')),
                ('posed_by', models.ForeignKey(db_constraint=False, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', related_query_name='+', to=settings.AUTH_USER_MODEL)),
                ('reference', models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', related_query_name='+', to='samples.sample')),
            ],
            options={
                'abstract': False,
            },
        ),
        migrations.CreateModel(
            name='Inclusion',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('reason', models.TextField()),
                ('at', models.DateTimeField(auto_now_add=True)),
                ('by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('comparison', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='inclusions', to='comparisons.comparison')),
                ('sample', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='samples.sample')),
            ],
            options={
                'verbose_name': 'inclusion',
                'verbose_name_plural': 'inclusions',
                'constraints': [models.UniqueConstraint(fields=('comparison', 'sample'), name='inclusion_once')],
            },
        ),
    ]
