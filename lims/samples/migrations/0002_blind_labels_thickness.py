"""Blind samples, formats of labels, sheets with their thickness."""

import django.core.validators
import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('formulations', '0001_initial'),
        ('materials', '0002_desk'),
        ('pghistory', '0007_auto_20250421_0444'),
        ('samples', '0001_initial'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name='BlindIdentity',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('name', models.CharField(max_length=200)),
                ('origin', models.CharField(choices=[('batch', 'taken from a batch'), ('lot', 'taken from a lot'), ('outside', 'received from outside'), ('blind', 'blind: known by its code alone')], max_length=10)),
                ('reference', models.BooleanField(default=False)),
                ('kept_at', models.DateTimeField(auto_now_add=True)),
                ('revealed_at', models.DateTimeField(blank=True, null=True)),
                ('reason', models.TextField(blank=True)),
            ],
            options={
                'verbose_name': 'blind identity',
                'verbose_name_plural': 'blind identities',
            },
        ),
        migrations.CreateModel(
            name='LabelFormat',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('created_at', models.DateTimeField(auto_now_add=True)),
                ('updated_at', models.DateTimeField(auto_now=True)),
                ('version', models.PositiveIntegerField(default=0, editable=False)),
                ('name', models.CharField(max_length=80, unique=True)),
                ('medium', models.CharField(choices=[('sheet', 'sheet of labels'), ('printer', 'label printer, one label a page')], max_length=10)),
                ('width', models.FloatField(help_text='mm', validators=[django.core.validators.MinValueValidator(12), django.core.validators.MaxValueValidator(420)], verbose_name='width of a label')),
                ('height', models.FloatField(help_text='mm', validators=[django.core.validators.MinValueValidator(12), django.core.validators.MaxValueValidator(420)], verbose_name='height of a label')),
                ('columns', models.PositiveSmallIntegerField(default=1, validators=[django.core.validators.MinValueValidator(1), django.core.validators.MaxValueValidator(40)])),
                ('rows', models.PositiveSmallIntegerField(default=1, validators=[django.core.validators.MinValueValidator(1), django.core.validators.MaxValueValidator(40)])),
                ('page_width', models.FloatField(blank=True, help_text='mm', null=True, validators=[django.core.validators.MinValueValidator(12), django.core.validators.MaxValueValidator(420)], verbose_name='width of the page')),
                ('page_height', models.FloatField(blank=True, help_text='mm', null=True, validators=[django.core.validators.MinValueValidator(12), django.core.validators.MaxValueValidator(420)], verbose_name='height of the page')),
                ('margin_left', models.FloatField(default=0, help_text='mm', validators=[django.core.validators.MinValueValidator(0), django.core.validators.MaxValueValidator(200)], verbose_name='left margin')),
                ('margin_top', models.FloatField(default=0, help_text='mm', validators=[django.core.validators.MinValueValidator(0), django.core.validators.MaxValueValidator(200)], verbose_name='top margin')),
                ('pitch_across', models.FloatField(blank=True, help_text="mm, from one label's left edge to the next", null=True, validators=[django.core.validators.MinValueValidator(12), django.core.validators.MaxValueValidator(420)], verbose_name='pitch across')),
                ('pitch_down', models.FloatField(blank=True, help_text="mm, from one label's top edge to the next", null=True, validators=[django.core.validators.MinValueValidator(12), django.core.validators.MaxValueValidator(420)], verbose_name='pitch down')),
                ('retired', models.BooleanField(default=False)),
            ],
            options={
                'verbose_name': 'label format',
                'verbose_name_plural': 'label formats',
                'ordering': ('name',),
            },
        ),
        migrations.CreateModel(
            name='LabelFormatEvent',
            fields=[
                ('pgh_id', models.AutoField(primary_key=True, serialize=False)),
                ('pgh_created_at', models.DateTimeField(auto_now_add=True)),
                ('pgh_label', models.TextField(help_text='The event label.')),
                ('id', models.BigIntegerField()),
                ('created_at', models.DateTimeField(auto_now_add=True)),
                ('updated_at', models.DateTimeField(auto_now=True)),
                ('version', models.PositiveIntegerField(default=0, editable=False)),
                ('name', models.CharField(max_length=80)),
                ('medium', models.CharField(choices=[('sheet', 'sheet of labels'), ('printer', 'label printer, one label a page')], max_length=10)),
                ('width', models.FloatField(help_text='mm', validators=[django.core.validators.MinValueValidator(12), django.core.validators.MaxValueValidator(420)], verbose_name='width of a label')),
                ('height', models.FloatField(help_text='mm', validators=[django.core.validators.MinValueValidator(12), django.core.validators.MaxValueValidator(420)], verbose_name='height of a label')),
                ('columns', models.PositiveSmallIntegerField(default=1, validators=[django.core.validators.MinValueValidator(1), django.core.validators.MaxValueValidator(40)])),
                ('rows', models.PositiveSmallIntegerField(default=1, validators=[django.core.validators.MinValueValidator(1), django.core.validators.MaxValueValidator(40)])),
                ('page_width', models.FloatField(blank=True, help_text='mm', null=True, validators=[django.core.validators.MinValueValidator(12), django.core.validators.MaxValueValidator(420)], verbose_name='width of the page')),
                ('page_height', models.FloatField(blank=True, help_text='mm', null=True, validators=[django.core.validators.MinValueValidator(12), django.core.validators.MaxValueValidator(420)], verbose_name='height of the page')),
                ('margin_left', models.FloatField(default=0, help_text='mm', validators=[django.core.validators.MinValueValidator(0), django.core.validators.MaxValueValidator(200)], verbose_name='left margin')),
                ('margin_top', models.FloatField(default=0, help_text='mm', validators=[django.core.validators.MinValueValidator(0), django.core.validators.MaxValueValidator(200)], verbose_name='top margin')),
                ('pitch_across', models.FloatField(blank=True, help_text="mm, from one label's left edge to the next", null=True, validators=[django.core.validators.MinValueValidator(12), django.core.validators.MaxValueValidator(420)], verbose_name='pitch across')),
                ('pitch_down', models.FloatField(blank=True, help_text="mm, from one label's top edge to the next", null=True, validators=[django.core.validators.MinValueValidator(12), django.core.validators.MaxValueValidator(420)], verbose_name='pitch down')),
                ('retired', models.BooleanField(default=False)),
            ],
            options={
                'abstract': False,
            },
        ),
        migrations.RemoveConstraint(
            model_name='sample',
            name='sample_one_origin',
        ),
        migrations.AddField(
            model_name='sample',
            name='nominal_thickness',
            field=models.FloatField(blank=True, help_text='m', null=True, validators=[django.core.validators.MinValueValidator(0)]),
        ),
        migrations.AddField(
            model_name='sample',
            name='series',
            field=models.CharField(blank=True, help_text='sheets of several thicknesses, cut together', max_length=60),
        ),
        migrations.AddField(
            model_name='sample',
            name='thickness',
            field=models.FloatField(blank=True, help_text='m, measured', null=True, validators=[django.core.validators.MinValueValidator(0)]),
        ),
        migrations.AddField(
            model_name='sample',
            name='thickness_u',
            field=models.FloatField(blank=True, help_text='m, standard', null=True, validators=[django.core.validators.MinValueValidator(0)]),
        ),
        migrations.AddField(
            model_name='sampleevent',
            name='nominal_thickness',
            field=models.FloatField(blank=True, help_text='m', null=True, validators=[django.core.validators.MinValueValidator(0)]),
        ),
        migrations.AddField(
            model_name='sampleevent',
            name='series',
            field=models.CharField(blank=True, help_text='sheets of several thicknesses, cut together', max_length=60),
        ),
        migrations.AddField(
            model_name='sampleevent',
            name='thickness',
            field=models.FloatField(blank=True, help_text='m, measured', null=True, validators=[django.core.validators.MinValueValidator(0)]),
        ),
        migrations.AddField(
            model_name='sampleevent',
            name='thickness_u',
            field=models.FloatField(blank=True, help_text='m, standard', null=True, validators=[django.core.validators.MinValueValidator(0)]),
        ),
        migrations.AlterField(
            model_name='sample',
            name='origin',
            field=models.CharField(choices=[('batch', 'taken from a batch'), ('lot', 'taken from a lot'), ('outside', 'received from outside'), ('blind', 'blind: known by its code alone')], max_length=10),
        ),
        migrations.AlterField(
            model_name='sampleevent',
            name='origin',
            field=models.CharField(choices=[('batch', 'taken from a batch'), ('lot', 'taken from a lot'), ('outside', 'received from outside'), ('blind', 'blind: known by its code alone')], max_length=10),
        ),
        migrations.AddIndex(
            model_name='sample',
            index=models.Index(condition=models.Q(('series', ''), _negated=True), fields=['series'], name='sample_series'),
        ),
        migrations.AddConstraint(
            model_name='sample',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('batch__isnull', False), ('lot__isnull', True), ('origin', 'batch')), models.Q(('batch__isnull', True), ('lot__isnull', False), ('origin', 'lot')), models.Q(('batch__isnull', True), ('lot__isnull', True), ('origin__in', ('outside', 'blind'))), _connector='OR'), name='sample_one_origin'),
        ),
        migrations.AddConstraint(
            model_name='sample',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('origin', 'blind'), _negated=True), models.Q(('parent__isnull', True), ('reference', False)), _connector='OR'), name='sample_blind_says_nothing'),
        ),
        migrations.AddField(
            model_name='blindidentity',
            name='batch',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='blind_samples', to='formulations.batch'),
        ),
        migrations.AddField(
            model_name='blindidentity',
            name='kept_by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='blindidentity',
            name='lot',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='blind_samples', to='materials.lot'),
        ),
        migrations.AddField(
            model_name='blindidentity',
            name='revealed_by',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='blindidentity',
            name='sample',
            field=models.OneToOneField(on_delete=django.db.models.deletion.PROTECT, related_name='identity', to='samples.sample'),
        ),
        migrations.AddField(
            model_name='labelformatevent',
            name='pgh_context',
            field=models.ForeignKey(db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='pghistory.context'),
        ),
        migrations.AddField(
            model_name='labelformatevent',
            name='pgh_obj',
            field=models.ForeignKey(db_constraint=False, on_delete=django.db.models.deletion.DO_NOTHING, related_name='events', to='samples.labelformat'),
        ),
    ]
