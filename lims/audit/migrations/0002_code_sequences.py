"""One sequence for each kind of code, so that a number is given once, for ever."""

from django.db import migrations

NAMES = (
    "material", "supplier", "lot", "formulation", "batch", "sample", "run", "application", "rig", "block", "balance",
    "method", "specification", "nonconformance", "comparison", "certificate", "zero", "reduction",
)


class Migration(migrations.Migration):
    dependencies = [("audit", "0001_initial")]
    operations = [
        migrations.RunSQL(f"CREATE SEQUENCE code_{name}", f"DROP SEQUENCE code_{name}") for name in NAMES
    ]
