import django.core.validators
import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    initial = True

    dependencies = [
        ('accounts', '__first__'),
        ('formulations', '0001_initial'),
        ('materials', '0001_initial'),
        ('pghistory', '0007_auto_20250421_0444'),
        ('rigs', '0001_initial'),
    ]

    operations = [
        migrations.CreateModel(
            name='Limit',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('created_at', models.DateTimeField(auto_now_add=True)),
                ('updated_at', models.DateTimeField(auto_now=True)),
                ('version', models.PositiveIntegerField(default=0, editable=False)),
                ('quantity', models.CharField(max_length=40)),
                ('lower', models.FloatField(blank=True, help_text='SI', null=True)),
                ('upper', models.FloatField(blank=True, help_text='SI', null=True)),
                ('target', models.FloatField(blank=True, help_text='SI', null=True)),
                ('as_entered', models.CharField(max_length=120)),
                ('results_required', models.PositiveSmallIntegerField(default=1)),
                ('method', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='rigs.method')),
            ],
            options={
                'verbose_name': 'limit',
                'verbose_name_plural': 'limits',
                'ordering': ('specification_version', 'quantity'),
            },
        ),
        migrations.CreateModel(
            name='Specification',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('created_at', models.DateTimeField(auto_now_add=True)),
                ('updated_at', models.DateTimeField(auto_now=True)),
                ('version', models.PositiveIntegerField(default=0, editable=False)),
                ('code', models.CharField(editable=False, max_length=12, unique=True)),
                ('name', models.CharField(max_length=200, unique=True)),
                ('formulation', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='specifications', to='formulations.formulation')),
                ('material', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='specifications', to='materials.material')),
            ],
            options={
                'verbose_name': 'specification',
                'verbose_name_plural': 'specifications',
                'ordering': ('code',),
            },
        ),
        migrations.CreateModel(
            name='SpecificationEvent',
            fields=[
                ('pgh_id', models.AutoField(primary_key=True, serialize=False)),
                ('pgh_created_at', models.DateTimeField(auto_now_add=True)),
                ('pgh_label', models.TextField(help_text='The event label.')),
                ('id', models.BigIntegerField()),
                ('created_at', models.DateTimeField(auto_now_add=True)),
                ('updated_at', models.DateTimeField(auto_now=True)),
                ('version', models.PositiveIntegerField(default=0, editable=False)),
                ('code', models.CharField(editable=False, max_length=12)),
                ('name', models.CharField(max_length=200)),
                ('formulation', models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', related_query_name='+', to='formulations.formulation')),
                ('material', models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', related_query_name='+', to='materials.material')),
                ('pgh_context', models.ForeignKey(db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='pghistory.context')),
                ('pgh_obj', models.ForeignKey(db_constraint=False, on_delete=django.db.models.deletion.DO_NOTHING, related_name='events', to='specifications.specification')),
            ],
            options={
                'abstract': False,
            },
        ),
        migrations.CreateModel(
            name='SpecificationVersion',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('created_at', models.DateTimeField(auto_now_add=True)),
                ('updated_at', models.DateTimeField(auto_now=True)),
                ('version', models.PositiveIntegerField(default=0, editable=False)),
                ('number', models.PositiveSmallIntegerField()),
                ('code', models.CharField(editable=False, help_text='SP-009/1', max_length=16, unique=True)),
                ('state', models.CharField(choices=[('draft', 'Draft'), ('approved', 'Approved'), ('withdrawn', 'Withdrawn')], default='draft', max_length=10)),
                ('rule', models.CharField(choices=[('simple', 'simple acceptance'), ('guarded', 'guarded by a multiple of U')], default='guarded', max_length=10)),
                ('guard_factor', models.FloatField(default=1.0, help_text='multiple of U', validators=[django.core.validators.MinValueValidator(0)])),
                ('effective_from', models.DateTimeField(blank=True, null=True)),
                ('approved_by', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('author', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('specification', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='versions', to='specifications.specification')),
            ],
            options={
                'verbose_name': 'specification version',
                'verbose_name_plural': 'specification versions',
                'ordering': ('specification', '-number'),
            },
        ),
        migrations.CreateModel(
            name='LimitEvent',
            fields=[
                ('pgh_id', models.AutoField(primary_key=True, serialize=False)),
                ('pgh_created_at', models.DateTimeField(auto_now_add=True)),
                ('pgh_label', models.TextField(help_text='The event label.')),
                ('id', models.BigIntegerField()),
                ('created_at', models.DateTimeField(auto_now_add=True)),
                ('updated_at', models.DateTimeField(auto_now=True)),
                ('version', models.PositiveIntegerField(default=0, editable=False)),
                ('quantity', models.CharField(max_length=40)),
                ('lower', models.FloatField(blank=True, help_text='SI', null=True)),
                ('upper', models.FloatField(blank=True, help_text='SI', null=True)),
                ('target', models.FloatField(blank=True, help_text='SI', null=True)),
                ('as_entered', models.CharField(max_length=120)),
                ('results_required', models.PositiveSmallIntegerField(default=1)),
                ('method', models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', related_query_name='+', to='rigs.method')),
                ('pgh_context', models.ForeignKey(db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='pghistory.context')),
                ('pgh_obj', models.ForeignKey(db_constraint=False, on_delete=django.db.models.deletion.DO_NOTHING, related_name='events', to='specifications.limit')),
                ('specification_version', models.ForeignKey(db_constraint=False, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', related_query_name='+', to='specifications.specificationversion')),
            ],
            options={
                'abstract': False,
            },
        ),
        migrations.AddField(
            model_name='limit',
            name='specification_version',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='limits', to='specifications.specificationversion'),
        ),
        migrations.CreateModel(
            name='SpecificationVersionEvent',
            fields=[
                ('pgh_id', models.AutoField(primary_key=True, serialize=False)),
                ('pgh_created_at', models.DateTimeField(auto_now_add=True)),
                ('pgh_label', models.TextField(help_text='The event label.')),
                ('id', models.BigIntegerField()),
                ('created_at', models.DateTimeField(auto_now_add=True)),
                ('updated_at', models.DateTimeField(auto_now=True)),
                ('version', models.PositiveIntegerField(default=0, editable=False)),
                ('number', models.PositiveSmallIntegerField()),
                ('code', models.CharField(editable=False, help_text='SP-009/1', max_length=16)),
                ('state', models.CharField(choices=[('draft', 'Draft'), ('approved', 'Approved'), ('withdrawn', 'Withdrawn')], default='draft', max_length=10)),
                ('rule', models.CharField(choices=[('simple', 'simple acceptance'), ('guarded', 'guarded by a multiple of U')], default='guarded', max_length=10)),
                ('guard_factor', models.FloatField(default=1.0, help_text='multiple of U', validators=[django.core.validators.MinValueValidator(0)])),
                ('effective_from', models.DateTimeField(blank=True, null=True)),
                ('approved_by', models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', related_query_name='+', to=settings.AUTH_USER_MODEL)),
                ('author', models.ForeignKey(db_constraint=False, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', related_query_name='+', to=settings.AUTH_USER_MODEL)),
                ('pgh_context', models.ForeignKey(db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='pghistory.context')),
                ('pgh_obj', models.ForeignKey(db_constraint=False, on_delete=django.db.models.deletion.DO_NOTHING, related_name='events', to='specifications.specificationversion')),
                ('specification', models.ForeignKey(db_constraint=False, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', related_query_name='+', to='specifications.specification')),
            ],
            options={
                'abstract': False,
            },
        ),
        migrations.AddConstraint(
            model_name='specification',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('formulation__isnull', True), ('material__isnull', False)), models.Q(('formulation__isnull', False), ('material__isnull', True)), _connector='OR'), name='specification_one_subject'),
        ),
        migrations.AddConstraint(
            model_name='specificationversion',
            constraint=models.UniqueConstraint(fields=('specification', 'number'), name='specification_version_once'),
        ),
        migrations.AddConstraint(
            model_name='specificationversion',
            constraint=models.CheckConstraint(condition=models.Q(('state__in', ['draft', 'approved', 'withdrawn'])), name='specification_version_state'),
        ),
        migrations.AddConstraint(
            model_name='limit',
            constraint=models.UniqueConstraint(fields=('specification_version', 'quantity'), name='limit_once'),
        ),
        migrations.AddConstraint(
            model_name='limit',
            constraint=models.CheckConstraint(condition=models.Q(('lower__isnull', False), ('upper__isnull', False), _connector='OR'), name='limit_on_one_side_at_least'),
        ),
        migrations.AddConstraint(
            model_name='limit',
            constraint=models.CheckConstraint(condition=models.Q(('lower__isnull', True), ('upper__isnull', True), ('lower__lt', models.F('upper')), _connector='OR'), name='limit_order'),
        ),
    ]
