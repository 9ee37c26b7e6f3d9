"""Plans of applications in blocks, photographs, hold times and checklists of applications."""

import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('files', '0001_initial'),
        ('pghistory', '0007_auto_20250421_0444'),
        ('rigs', '0001_initial'),
        ('runs', '0001_initial'),
        ('samples', '0002_blind_labels_thickness'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.RunSQL("CREATE SEQUENCE code_test_plan", "DROP SEQUENCE code_test_plan"),
        migrations.AddField(
            model_name='application',
            name='checklist',
            field=models.JSONField(blank=True, default=list, help_text='what was looked at before the material went on'),
        ),
        migrations.AddField(
            model_name='application',
            name='hold_hours',
            field=models.FloatField(blank=True, help_text='h, when the material was put on', null=True, verbose_name='time from taking to test'),
        ),
        migrations.AddField(
            model_name='application',
            name='hold_over_hours',
            field=models.FloatField(blank=True, help_text='h', null=True, verbose_name='hold time exceeded by'),
        ),
        migrations.AddField(
            model_name='applicationevent',
            name='checklist',
            field=models.JSONField(blank=True, default=list, help_text='what was looked at before the material went on'),
        ),
        migrations.AddField(
            model_name='applicationevent',
            name='hold_hours',
            field=models.FloatField(blank=True, help_text='h, when the material was put on', null=True, verbose_name='time from taking to test'),
        ),
        migrations.AddField(
            model_name='applicationevent',
            name='hold_over_hours',
            field=models.FloatField(blank=True, help_text='h', null=True, verbose_name='hold time exceeded by'),
        ),
        migrations.CreateModel(
            name='TestPlan',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('created_at', models.DateTimeField(auto_now_add=True)),
                ('updated_at', models.DateTimeField(auto_now=True)),
                ('version', models.PositiveIntegerField(default=0, editable=False)),
                ('code', models.CharField(editable=False, max_length=12, unique=True)),
                ('title', models.CharField(max_length=200)),
                ('state', models.CharField(choices=[('draft', 'Draft'), ('accepted', 'Accepted'), ('finished', 'Finished'), ('abandoned', 'Abandoned')], default='draft', max_length=10)),
                ('seed', models.BigIntegerField(help_text='the same seed gives the same order again')),
                ('replicates', models.PositiveSmallIntegerField(help_text='applications of each sample')),
                ('days', models.PositiveSmallIntegerField()),
                ('per_block', models.PositiveSmallIntegerField(help_text='applications on one rig within one day, reference aside')),
                ('first_day', models.DateField(blank=True, null=True)),
                ('accepted_at', models.DateTimeField(blank=True, null=True)),
                ('reason', models.TextField(blank=True)),
                ('accepted_by', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('method_version', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='test_plans', to='rigs.methodversion')),
                ('planned_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('reference', models.ForeignKey(blank=True, help_text='put on once in every block', null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='samples.sample')),
            ],
            options={
                'verbose_name': 'test plan',
                'verbose_name_plural': 'test plans',
                'ordering': ('-id',),
            },
        ),
        migrations.CreateModel(
            name='PlanLine',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('position', models.PositiveIntegerField(help_text='place in the whole order, from 1')),
                ('day', models.PositiveSmallIntegerField(help_text='from 1')),
                ('block', models.PositiveIntegerField(help_text='one rig on one day, from 1')),
                ('as_reference', models.BooleanField(default=False)),
                ('skipped_reason', models.CharField(blank=True, max_length=400)),
                ('out_of_order', models.CharField(blank=True, max_length=400, verbose_name='why out of order')),
                ('done_at', models.DateTimeField(blank=True, null=True)),
                ('application', models.OneToOneField(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='plan_line', to='runs.application')),
                ('done_by', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('rig', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='plan_lines', to='rigs.rig')),
                ('sample', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='plan_lines', to='samples.sample')),
                ('plan', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='lines', to='runs.testplan')),
            ],
            options={
                'verbose_name': 'plan line',
                'verbose_name_plural': 'plan lines',
                'ordering': ('plan', 'position'),
            },
        ),
        migrations.CreateModel(
            name='TestPlanEvent',
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
                ('state', models.CharField(choices=[('draft', 'Draft'), ('accepted', 'Accepted'), ('finished', 'Finished'), ('abandoned', 'Abandoned')], default='draft', max_length=10)),
                ('seed', models.BigIntegerField(help_text='the same seed gives the same order again')),
                ('replicates', models.PositiveSmallIntegerField(help_text='applications of each sample')),
                ('days', models.PositiveSmallIntegerField()),
                ('per_block', models.PositiveSmallIntegerField(help_text='applications on one rig within one day, reference aside')),
                ('first_day', models.DateField(blank=True, null=True)),
                ('accepted_at', models.DateTimeField(blank=True, null=True)),
                ('reason', models.TextField(blank=True)),
                ('accepted_by', models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', related_query_name='+', to=settings.AUTH_USER_MODEL)),
                ('method_version', models.ForeignKey(db_constraint=False, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', related_query_name='+', to='rigs.methodversion')),
                ('pgh_context', models.ForeignKey(db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='pghistory.context')),
                ('pgh_obj', models.ForeignKey(db_constraint=False, on_delete=django.db.models.deletion.DO_NOTHING, related_name='events', to='runs.testplan')),
                ('planned_by', models.ForeignKey(db_constraint=False, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', related_query_name='+', to=settings.AUTH_USER_MODEL)),
                ('reference', models.ForeignKey(blank=True, db_constraint=False, help_text='put on once in every block', null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', related_query_name='+', to='samples.sample')),
            ],
            options={
                'abstract': False,
            },
        ),
        migrations.CreateModel(
            name='ApplicationPhoto',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('when', models.CharField(choices=[('before', 'before pressing'), ('after', 'after tearing down')], max_length=8)),
                ('words', models.CharField(blank=True, max_length=200, verbose_name='what it shows')),
                ('at', models.DateTimeField(auto_now_add=True)),
                ('application', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='photos', to='runs.application')),
                ('by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('file', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='files.storedfile')),
            ],
            options={
                'verbose_name': 'application photograph',
                'verbose_name_plural': 'application photographs',
                'ordering': ('id',),
                'constraints': [models.UniqueConstraint(fields=('application', 'file', 'when'), name='application_photo_once')],
            },
        ),
        migrations.AddConstraint(
            model_name='testplan',
            constraint=models.CheckConstraint(condition=models.Q(('state__in', ['draft', 'accepted', 'finished', 'abandoned'])), name='test_plan_state'),
        ),
        migrations.AddIndex(
            model_name='planline',
            index=models.Index(condition=models.Q(('application__isnull', True), ('skipped_reason', '')), fields=['rig', 'plan', 'position'], name='plan_line_open'),
        ),
        migrations.AddConstraint(
            model_name='planline',
            constraint=models.UniqueConstraint(fields=('plan', 'position'), name='plan_line_once'),
        ),
        migrations.AddConstraint(
            model_name='planline',
            constraint=models.CheckConstraint(condition=models.Q(('application__isnull', True), ('skipped_reason', ''), _connector='OR'), name='plan_line_done_or_skipped'),
        ),
    ]
