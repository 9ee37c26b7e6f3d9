"""The receiving desk: places, made lots, longer lives, size distributions, sheets, evaluations, reservations."""

import django.db.models.deletion
from decimal import Decimal
from django.conf import settings
from django.db import migrations, models


def keep_pairs(apps, editor):
    """Each pair that must not meet becomes a record of its own, once, with what is known of its source."""
    pair, record = apps.get_model("materials", "Material").incompatible.through, apps.get_model("materials", "Incompatibility")
    for first, second in pair.objects.values_list("from_material_id", "to_material_id"):
        if first < second:
            record.objects.create(
                material_id=first, other_id=second, effect="must not meet", source="recorded before sources were kept"
            )
    editor.execute("SET CONSTRAINTS ALL IMMEDIATE")


class Migration(migrations.Migration):

    dependencies = [
        ('files', '0001_initial'),
        ('materials', '0001_initial'),
        ('pghistory', '0007_auto_20250421_0444'),
        ('signatures', '0001_initial'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.RunSQL("CREATE SEQUENCE code_place", "DROP SEQUENCE code_place"),
        migrations.CreateModel(
            name='StoragePlace',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('created_at', models.DateTimeField(auto_now_add=True)),
                ('updated_at', models.DateTimeField(auto_now=True)),
                ('version', models.PositiveIntegerField(default=0, editable=False)),
                ('code', models.CharField(editable=False, max_length=12, unique=True)),
                ('name', models.CharField(help_text='store A, shelf 3', max_length=120, unique=True)),
                ('condition', models.CharField(help_text='dry, 15 to 25 °C', max_length=120)),
                ('remarks', models.TextField(blank=True)),
            ],
            options={
                'verbose_name': 'place',
                'verbose_name_plural': 'places',
                'ordering': ('name',),
            },
        ),
        migrations.CreateModel(
            name='StoragePlaceEvent',
            fields=[
                ('pgh_id', models.AutoField(primary_key=True, serialize=False)),
                ('pgh_created_at', models.DateTimeField(auto_now_add=True)),
                ('pgh_label', models.TextField(help_text='The event label.')),
                ('id', models.BigIntegerField()),
                ('created_at', models.DateTimeField(auto_now_add=True)),
                ('updated_at', models.DateTimeField(auto_now=True)),
                ('version', models.PositiveIntegerField(default=0, editable=False)),
                ('code', models.CharField(editable=False, max_length=12)),
                ('name', models.CharField(help_text='store A, shelf 3', max_length=120)),
                ('condition', models.CharField(help_text='dry, 15 to 25 °C', max_length=120)),
                ('remarks', models.TextField(blank=True)),
            ],
            options={
                'abstract': False,
            },
        ),
        migrations.CreateModel(
            name='SupplierEvaluation',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('at', models.DateTimeField(auto_now_add=True)),
                ('outcome', models.CharField(choices=[('approved', 'Approved'), ('not_approved', 'not approved')], max_length=12)),
                ('criteria', models.TextField(blank=True, help_text='What was asked: audit, samples, certificates, history.')),
                ('findings', models.TextField(help_text='What was found, the grounds of the outcome.')),
                ('on', models.DateField()),
                ('again_on', models.DateField(blank=True, null=True, verbose_name='evaluate again on')),
            ],
            options={
                'verbose_name': 'supplier evaluation',
                'verbose_name_plural': 'supplier evaluations',
                'ordering': ('-id',),
            },
        ),
        migrations.AddField(
            model_name='lot',
            name='made_how',
            field=models.TextField(blank=True, verbose_name='how it was made'),
        ),
        migrations.AddField(
            model_name='lot',
            name='made_on',
            field=models.DateField(blank=True, help_text='by the supplier, or by us', null=True),
        ),
        migrations.AddField(
            model_name='lot',
            name='origin',
            field=models.CharField(choices=[('received', 'Received'), ('split', 'split off'), ('blend', 'blended'), ('treatment', 'treated')], default='received', max_length=10),
        ),
        migrations.AddField(
            model_name='lot',
            name='serial',
            field=models.CharField(blank=True, max_length=40, verbose_name="supplier's serial number"),
        ),
        migrations.AddField(
            model_name='lotevent',
            name='made_how',
            field=models.TextField(blank=True, verbose_name='how it was made'),
        ),
        migrations.AddField(
            model_name='lotevent',
            name='made_on',
            field=models.DateField(blank=True, help_text='by the supplier, or by us', null=True),
        ),
        migrations.AddField(
            model_name='lotevent',
            name='origin',
            field=models.CharField(choices=[('received', 'Received'), ('split', 'split off'), ('blend', 'blended'), ('treatment', 'treated')], default='received', max_length=10),
        ),
        migrations.AddField(
            model_name='lotevent',
            name='serial',
            field=models.CharField(blank=True, max_length=40, verbose_name="supplier's serial number"),
        ),
        migrations.AlterField(
            model_name='lot',
            name='supplier_lot',
            field=models.CharField(blank=True, max_length=80, verbose_name="supplier's lot number"),
        ),
        migrations.AlterField(
            model_name='lotevent',
            name='supplier_lot',
            field=models.CharField(blank=True, max_length=80, verbose_name="supplier's lot number"),
        ),
        migrations.AlterField(
            model_name='stockmove',
            name='kind',
            field=models.CharField(choices=[('receipt', 'Receipt'), ('weighing', 'Weighing'), ('sample', 'Sample'), ('split', 'Split'), ('blend', 'Blend'), ('treatment', 'Treatment'), ('loss', 'Loss'), ('adjustment', 'Adjustment'), ('return', 'Return')], max_length=12),
        ),
        migrations.CreateModel(
            name='Incompatibility',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('created_at', models.DateTimeField(auto_now_add=True)),
                ('updated_at', models.DateTimeField(auto_now=True)),
                ('version', models.PositiveIntegerField(default=0, editable=False)),
                ('surface', models.CharField(blank=True, help_text='aluminium', max_length=60, verbose_name='metal or surface')),
                ('effect', models.CharField(help_text='What happens where they meet.', max_length=400)),
                ('source', models.CharField(help_text='Where it is said; or: common practice, no source.', max_length=200)),
                ('withdrawn', models.BooleanField(default=False)),
                ('material', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='incompatibilities', to='materials.material')),
                ('other', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='materials.material')),
            ],
            options={
                'verbose_name': 'incompatibility',
                'verbose_name_plural': 'incompatibilities',
                'ordering': ('id',),
            },
        ),
        migrations.CreateModel(
            name='IncompatibilityEvent',
            fields=[
                ('pgh_id', models.AutoField(primary_key=True, serialize=False)),
                ('pgh_created_at', models.DateTimeField(auto_now_add=True)),
                ('pgh_label', models.TextField(help_text='The event label.')),
                ('id', models.BigIntegerField()),
                ('created_at', models.DateTimeField(auto_now_add=True)),
                ('updated_at', models.DateTimeField(auto_now=True)),
                ('version', models.PositiveIntegerField(default=0, editable=False)),
                ('surface', models.CharField(blank=True, help_text='aluminium', max_length=60, verbose_name='metal or surface')),
                ('effect', models.CharField(help_text='What happens where they meet.', max_length=400)),
                ('source', models.CharField(help_text='Where it is said; or: common practice, no source.', max_length=200)),
                ('withdrawn', models.BooleanField(default=False)),
                ('material', models.ForeignKey(db_constraint=False, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', related_query_name='+', to='materials.material')),
                ('other', models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', related_query_name='+', to='materials.material')),
                ('pgh_context', models.ForeignKey(db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='pghistory.context')),
                ('pgh_obj', models.ForeignKey(db_constraint=False, on_delete=django.db.models.deletion.DO_NOTHING, related_name='events', to='materials.incompatibility')),
            ],
            options={
                'abstract': False,
            },
        ),
        migrations.CreateModel(
            name='LotExtension',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('at', models.DateTimeField(auto_now_add=True)),
                ('before', models.DateField(blank=True, null=True, verbose_name='last day of use before')),
                ('expires_on', models.DateField()),
                ('retest_on', models.DateField(blank=True, null=True)),
                ('reason', models.TextField()),
                ('by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('lot', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='extensions', to='materials.lot')),
                ('results', models.ManyToManyField(related_name='extensions', to='materials.lotproperty')),
                ('signature', models.OneToOneField(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='signatures.signature')),
            ],
            options={
                'verbose_name': 'longer life',
                'verbose_name_plural': 'longer lives',
                'ordering': ('-id',),
            },
        ),
        migrations.CreateModel(
            name='ProductCode',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('at', models.DateTimeField(auto_now_add=True)),
                ('gtin', models.CharField(max_length=14, unique=True)),
                ('by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('material', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='product_codes', to='materials.material')),
                ('supplier', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='product_codes', to='materials.supplier')),
            ],
            options={
                'verbose_name': 'product code',
                'verbose_name_plural': 'product codes',
                'ordering': ('gtin',),
            },
        ),
        migrations.CreateModel(
            name='Reservation',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('at', models.DateTimeField(auto_now_add=True)),
                ('cause', models.CharField(help_text='Code of the batch it is kept for.', max_length=60)),
                ('mass', models.DecimalField(decimal_places=9, help_text='kg, negative when it is taken or given back', max_digits=14)),
                ('reason', models.CharField(blank=True, max_length=400)),
                ('by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('lot', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='reservations', to='materials.lot')),
            ],
            options={
                'verbose_name': 'reservation',
                'verbose_name_plural': 'reservations',
                'ordering': ('id',),
            },
        ),
        migrations.CreateModel(
            name='SafetySheet',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('at', models.DateTimeField(auto_now_add=True)),
                ('source', models.CharField(help_text='Who wrote the sheet, its number and revision.', max_length=200)),
                ('issued_on', models.DateField(blank=True, null=True)),
                ('signal', models.CharField(choices=[('danger', 'Danger'), ('warning', 'Warning'), ('none', 'no signal word')], default='none', max_length=8, verbose_name='signal word')),
                ('pictograms', models.JSONField(blank=True, default=list, help_text='Codes of pictograms: GHS05.')),
                ('statements', models.JSONField(blank=True, default=list, help_text='H and P codes with the words of the sheet.')),
                ('by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('file', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='files.storedfile')),
                ('material', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='sheets', to='materials.material')),
                ('supplier', models.ForeignKey(blank=True, help_text='None: of any.', null=True, on_delete=django.db.models.deletion.PROTECT, related_name='sheets', to='materials.supplier')),
            ],
            options={
                'verbose_name': 'safety data sheet',
                'verbose_name_plural': 'safety data sheets',
                'ordering': ('-id',),
            },
        ),
        migrations.AddField(
            model_name='lot',
            name='safety_sheet',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='lots', to='materials.safetysheet'),
        ),
        migrations.AddField(
            model_name='lotevent',
            name='safety_sheet',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', related_query_name='+', to='materials.safetysheet'),
        ),
        migrations.CreateModel(
            name='SizeDistribution',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('at', models.DateTimeField(auto_now_add=True)),
                ('source', models.CharField(choices=[('supplier', "supplier's certificate"), ('own', 'our own test')], max_length=10)),
                ('form', models.CharField(choices=[('below', 'cumulative: share below each size'), ('classes', 'by class: amount up to each size')], max_length=8)),
                ('basis', models.CharField(choices=[('volume', 'by volume'), ('number', 'by number')], max_length=8)),
                ('sizes', models.JSONField(help_text='m, rising')),
                ('amounts', models.JSONField(help_text='as entered')),
                ('unit', models.CharField(max_length=10, verbose_name='unit of the sizes')),
                ('method', models.CharField(help_text='Laser diffraction, ISO 13320; optical model; dispersion.', max_length=200)),
                ('remarks', models.TextField(blank=True)),
                ('by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('file', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='files.storedfile')),
                ('lot', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='distributions', to='materials.lot')),
                ('replaces', models.OneToOneField(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='replaced_by', to='materials.sizedistribution')),
            ],
            options={
                'verbose_name': 'size distribution',
                'verbose_name_plural': 'size distributions',
                'ordering': ('-id',),
            },
        ),
        migrations.AddField(
            model_name='lot',
            name='place',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='lots', to='materials.storageplace'),
        ),
        migrations.AddField(
            model_name='lotevent',
            name='place',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', related_query_name='+', to='materials.storageplace'),
        ),
        migrations.AddConstraint(
            model_name='lot',
            constraint=models.CheckConstraint(condition=models.Q(('origin__in', ('received', 'split', 'blend', 'treatment'))), name='lot_origin'),
        ),
        migrations.AddField(
            model_name='storageplaceevent',
            name='pgh_context',
            field=models.ForeignKey(db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='pghistory.context'),
        ),
        migrations.AddField(
            model_name='storageplaceevent',
            name='pgh_obj',
            field=models.ForeignKey(db_constraint=False, on_delete=django.db.models.deletion.DO_NOTHING, related_name='events', to='materials.storageplace'),
        ),
        migrations.AddField(
            model_name='supplierevaluation',
            name='by',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='supplierevaluation',
            name='file',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='files.storedfile'),
        ),
        migrations.AddField(
            model_name='supplierevaluation',
            name='material',
            field=models.ForeignKey(blank=True, help_text='None: all it delivers.', null=True, on_delete=django.db.models.deletion.PROTECT, related_name='evaluations', to='materials.material'),
        ),
        migrations.AddField(
            model_name='supplierevaluation',
            name='supplier',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='evaluations', to='materials.supplier'),
        ),
        migrations.AddConstraint(
            model_name='incompatibility',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('other__isnull', False), ('surface', '')), models.Q(('other__isnull', True), models.Q(('surface', ''), _negated=True)), _connector='OR'), name='incompatibility_one_other'),
        ),
        migrations.AddConstraint(
            model_name='incompatibility',
            constraint=models.CheckConstraint(condition=models.Q(('other__isnull', True), models.Q(('material', models.F('other')), _negated=True), _connector='OR'), name='incompatibility_not_itself'),
        ),
        migrations.AddConstraint(
            model_name='incompatibility',
            constraint=models.UniqueConstraint(condition=models.Q(('withdrawn', False)), fields=('material', 'other'), name='incompatibility_pair'),
        ),
        migrations.AddConstraint(
            model_name='incompatibility',
            constraint=models.UniqueConstraint(condition=models.Q(('other', None), ('withdrawn', False)), fields=('material', 'surface'), name='incompatibility_surface'),
        ),
        migrations.AddConstraint(
            model_name='productcode',
            constraint=models.CheckConstraint(condition=models.Q(('gtin__regex', '^\\d{14}$')), name='product_code_digits'),
        ),
        migrations.AddIndex(
            model_name='reservation',
            index=models.Index(fields=['cause'], name='reservation_cause'),
        ),
        migrations.AddConstraint(
            model_name='reservation',
            constraint=models.CheckConstraint(condition=models.Q(('mass', Decimal('0')), _negated=True), name='reservation_not_zero'),
        ),
        migrations.AddIndex(
            model_name='supplierevaluation',
            index=models.Index(fields=['supplier', 'material', '-id'], name='evaluation_newest'),
        ),
        migrations.RunPython(keep_pairs, migrations.RunPython.noop),
        migrations.RemoveField(
            model_name='material',
            name='incompatible',
        ),
    ]
