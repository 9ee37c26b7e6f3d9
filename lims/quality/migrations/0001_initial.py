import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    initial = True

    dependencies = [
        ('accounts', '__first__'),
        ('signatures', '0001_initial'),
        ('specifications', '0001_initial'),
    ]

    operations = [
        migrations.CreateModel(
            name='Verdict',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('subject_kind', models.CharField(max_length=40)),
                ('subject_code', models.CharField(max_length=60)),
                ('outcome', models.CharField(choices=[('pass', 'Pass'), ('conditional_pass', 'conditional pass'), ('conditional_fail', 'conditional fail'), ('fail', 'Fail'), ('not_evaluable', 'not evaluable')], max_length=18)),
                ('value', models.FloatField(blank=True, help_text='SI', null=True)),
                ('u', models.FloatField(blank=True, help_text='standard, SI', null=True)),
                ('probability', models.FloatField(blank=True, help_text='that the true value conforms', null=True)),
                ('evidence', models.JSONField(default=list, help_text='codes of the results it rests on')),
                ('message', models.TextField()),
                ('at', models.DateTimeField(auto_now_add=True)),
                ('limit', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='verdicts', to='specifications.limit')),
            ],
            options={
                'verbose_name': 'verdict',
                'verbose_name_plural': 'verdicts',
                'ordering': ('-id',),
            },
        ),
        migrations.CreateModel(
            name='Decision',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('subject_kind', models.CharField(max_length=40)),
                ('subject_code', models.CharField(max_length=60)),
                ('outcome', models.CharField(choices=[('release', 'Release'), ('reject', 'Reject'), ('withdraw', 'Withdraw')], max_length=10)),
                ('reason', models.TextField(blank=True)),
                ('at', models.DateTimeField(auto_now_add=True)),
                ('by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('signature', models.OneToOneField(on_delete=django.db.models.deletion.PROTECT, related_name='decision', to='signatures.signature')),
                ('verdicts', models.ManyToManyField(blank=True, related_name='decisions', to='quality.verdict')),
            ],
            options={
                'verbose_name': 'decision',
                'verbose_name_plural': 'decisions',
                'ordering': ('-id',),
            },
        ),
        migrations.AddIndex(
            model_name='verdict',
            index=models.Index(fields=['subject_kind', 'subject_code'], name='verdict_subject'),
        ),
        migrations.AddIndex(
            model_name='decision',
            index=models.Index(fields=['subject_kind', 'subject_code'], name='decision_subject'),
        ),
    ]
