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
    ]

    operations = [
        migrations.CreateModel(
            name='Sample',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('created_at', models.DateTimeField(auto_now_add=True)),
                ('updated_at', models.DateTimeField(auto_now=True)),
                ('version', models.PositiveIntegerField(default=0, editable=False)),
                ('code', models.CharField(editable=False, max_length=12, unique=True)),
                ('name', models.CharField(max_length=200)),
                ('origin', models.CharField(choices=[('batch', 'taken from a batch'), ('lot', 'taken from a lot'), ('outside', 'received from outside')], max_length=10)),
                ('material_kind', models.CharField(blank=True, help_text='paste, gel, putty, pad, sheet, liquid_metal: for plausibility', max_length=20)),
                ('reference', models.BooleanField(default=False, help_text="anchors a rig's control chart")),
                ('state', models.CharField(choices=[('registered', 'Registered'), ('held', 'Held'), ('in_test', 'in test'), ('retained', 'Retained'), ('consumed', 'Consumed'), ('disposed', 'Disposed'), ('refused', 'Refused'), ('void', 'Void')], default='registered', max_length=12)),
                ('taken_at', models.DateTimeField()),
                ('place', models.CharField(blank=True, help_text='top, middle, bottom, after n hours', max_length=120, verbose_name='taken at')),
                ('plan', models.CharField(blank=True, max_length=200, verbose_name='sampling plan')),
                ('amount', models.DecimalField(decimal_places=9, help_text='kg', max_digits=14)),
                ('container', models.CharField(max_length=120)),
                ('condition', models.CharField(max_length=200)),
                ('storage', models.CharField(blank=True, max_length=120, verbose_name='storage condition')),
                ('location', models.CharField(blank=True, max_length=120)),
                ('expires_on', models.DateField(blank=True, null=True)),
                ('hold_limit_hours', models.FloatField(blank=True, help_text='longest time from taking to test', null=True)),
                ('keep_until', models.DateField(blank=True, help_text='retained: not disposed of before', null=True)),
                ('equipment', models.CharField(blank=True, max_length=200)),
                ('deviations', models.TextField(blank=True)),
                ('batch', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='samples', to='formulations.batch')),
                ('lot', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='samples', to='materials.lot')),
                ('parent', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='portions', to='samples.sample')),
                ('taken_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'verbose_name': 'sample',
                'verbose_name_plural': 'samples',
                'ordering': ('-id',),
            },
        ),
        migrations.CreateModel(
            name='CustodyEvent',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('position', models.PositiveIntegerField(help_text="place in the sample's chain, from 1")),
                ('kind', models.CharField(choices=[('take', 'Take'), ('receive', 'Receive'), ('move', 'Move'), ('hand_over', 'hand over'), ('open', 'Open'), ('thaw', 'Thaw'), ('degas', 'Degas'), ('split', 'Split'), ('use', 'Use'), ('return', 'Return'), ('dispose', 'Dispose')], max_length=12)),
                ('at', models.DateTimeField(auto_now_add=True)),
                ('location', models.CharField(max_length=120)),
                ('condition', models.CharField(blank=True, max_length=200)),
                ('amount', models.DecimalField(blank=True, decimal_places=9, help_text='kg that went, negative', max_digits=14, null=True)),
                ('cause', models.CharField(blank=True, max_length=60)),
                ('by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('holder', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('sample', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='custody', to='samples.sample')),
            ],
            options={
                'verbose_name': 'custody event',
                'verbose_name_plural': 'custody events',
                'ordering': ('position',),
            },
        ),
        migrations.CreateModel(
            name='SampleEvent',
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
                ('origin', models.CharField(choices=[('batch', 'taken from a batch'), ('lot', 'taken from a lot'), ('outside', 'received from outside')], max_length=10)),
                ('material_kind', models.CharField(blank=True, help_text='paste, gel, putty, pad, sheet, liquid_metal: for plausibility', max_length=20)),
                ('reference', models.BooleanField(default=False, help_text="anchors a rig's control chart")),
                ('state', models.CharField(choices=[('registered', 'Registered'), ('held', 'Held'), ('in_test', 'in test'), ('retained', 'Retained'), ('consumed', 'Consumed'), ('disposed', 'Disposed'), ('refused', 'Refused'), ('void', 'Void')], default='registered', max_length=12)),
                ('taken_at', models.DateTimeField()),
                ('place', models.CharField(blank=True, help_text='top, middle, bottom, after n hours', max_length=120, verbose_name='taken at')),
                ('plan', models.CharField(blank=True, max_length=200, verbose_name='sampling plan')),
                ('amount', models.DecimalField(decimal_places=9, help_text='kg', max_digits=14)),
                ('container', models.CharField(max_length=120)),
                ('condition', models.CharField(max_length=200)),
                ('storage', models.CharField(blank=True, max_length=120, verbose_name='storage condition')),
                ('location', models.CharField(blank=True, max_length=120)),
                ('expires_on', models.DateField(blank=True, null=True)),
                ('hold_limit_hours', models.FloatField(blank=True, help_text='longest time from taking to test', null=True)),
                ('keep_until', models.DateField(blank=True, help_text='retained: not disposed of before', null=True)),
                ('equipment', models.CharField(blank=True, max_length=200)),
                ('deviations', models.TextField(blank=True)),
                ('batch', models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', related_query_name='+', to='formulations.batch')),
                ('lot', models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', related_query_name='+', to='materials.lot')),
                ('parent', models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', related_query_name='+', to='samples.sample')),
                ('pgh_context', models.ForeignKey(db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='pghistory.context')),
                ('pgh_obj', models.ForeignKey(db_constraint=False, on_delete=django.db.models.deletion.DO_NOTHING, related_name='events', to='samples.sample')),
                ('taken_by', models.ForeignKey(db_constraint=False, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', related_query_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'abstract': False,
            },
        ),
        migrations.AddIndex(
            model_name='sample',
            index=models.Index(fields=['state'], name='sample_state_index'),
        ),
        migrations.AddConstraint(
            model_name='sample',
            constraint=models.CheckConstraint(condition=models.Q(('state__in', ['registered', 'held', 'in_test', 'retained', 'consumed', 'disposed', 'refused', 'void'])), name='sample_state'),
        ),
        migrations.AddConstraint(
            model_name='sample',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('batch__isnull', False), ('lot__isnull', True), ('origin', 'batch')), models.Q(('batch__isnull', True), ('lot__isnull', False), ('origin', 'lot')), models.Q(('batch__isnull', True), ('lot__isnull', True), ('origin', 'outside')), _connector='OR'), name='sample_one_origin'),
        ),
        migrations.AddConstraint(
            model_name='custodyevent',
            constraint=models.UniqueConstraint(fields=('sample', 'position'), name='custody_chain'),
        ),
    ]
