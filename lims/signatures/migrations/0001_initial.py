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
            name='Signature',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('printed_name', models.CharField(max_length=200)),
                ('meaning', models.CharField(choices=[('performed', 'Performed'), ('reviewed', 'Reviewed'), ('approved', 'Approved'), ('released', 'Released'), ('rejected', 'Rejected'), ('withdrawn', 'Withdrawn')], max_length=10)),
                ('at', models.DateTimeField(auto_now_add=True)),
                ('zone', models.CharField(max_length=60)),
                ('subject_kind', models.CharField(max_length=40)),
                ('subject_code', models.CharField(max_length=60)),
                ('content', models.JSONField(help_text='What was shown and signed.')),
                ('digest', models.CharField(help_text='SHA-256 of the canonical form of the content.', max_length=64)),
                ('signer', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='signatures', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'verbose_name': 'signature',
                'verbose_name_plural': 'signatures',
                'ordering': ('-id',),
                'indexes': [models.Index(fields=['subject_kind', 'subject_code'], name='signature_subject')],
            },
        ),
    ]
