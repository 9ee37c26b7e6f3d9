import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    initial = True

    dependencies = [
        ('accounts', '__first__'),
    ]

    operations = [
        migrations.CreateModel(
            name='Entry',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('at', models.DateTimeField(auto_now_add=True, db_index=True)),
                ('act', models.CharField(db_index=True, max_length=60)),
                ('subject_kind', models.CharField(max_length=40)),
                ('subject_code', models.CharField(max_length=60)),
                ('changes', models.JSONField(blank=True, default=list)),
                ('reason', models.TextField(blank=True)),
                ('request_id', models.CharField(max_length=64)),
                ('refused', models.BooleanField(default=False)),
                ('actor', models.ForeignKey(blank=True, help_text='None: the system', null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'verbose_name': 'history entry',
                'verbose_name_plural': 'history entries',
                'ordering': ('-id',),
            },
        ),
        migrations.CreateModel(
            name='Link',
            fields=[
                ('position', models.BigIntegerField(primary_key=True, serialize=False)),
                ('digest', models.CharField(max_length=64)),
                ('sealed_at', models.DateTimeField(auto_now_add=True)),
                ('entry', models.OneToOneField(db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='link', to='audit.entry')),
            ],
            options={
                'verbose_name': 'link of the chain',
                'verbose_name_plural': 'links of the chain',
                'ordering': ('position',),
            },
        ),
        migrations.CreateModel(
            name='Submission',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('key', models.CharField(max_length=120)),
                ('act', models.CharField(max_length=60)),
                ('digest', models.CharField(max_length=64)),
                ('subject_model', models.CharField(max_length=80)),
                ('subject_pk', models.CharField(max_length=40)),
                ('at', models.DateTimeField(auto_now_add=True)),
                ('actor', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'verbose_name': 'submission',
                'verbose_name_plural': 'submissions',
            },
        ),
        migrations.AddIndex(
            model_name='entry',
            index=models.Index(fields=['subject_kind', 'subject_code', 'id'], name='entry_subject'),
        ),
        migrations.AddConstraint(
            model_name='submission',
            constraint=models.UniqueConstraint(fields=('actor', 'key'), name='submission_once'),
        ),
    ]
