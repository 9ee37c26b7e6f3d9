"""A release is one transaction (REL-01): a fault at any statement leaves state, verdict, signature, history alone."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import connection

from lims.accounts.roles import Role
from lims.audit.models import Entry
from lims.formulations import services as formulations
from lims.formulations.models import Batch
from lims.quality import services
from lims.quality.models import Decision, Verdict
from lims.signatures.models import Signature
from tests.factories import PASSWORD, make_made_batch, somebody

MOST_STATEMENTS = 400


class Fault(Exception):
    """The fault that is put in."""


def failing_at(number: int) -> Any:
    """Let all statements pass but the `number`th."""
    seen = 0

    def execute(run, sql, params, many, context):
        nonlocal seen
        if "SAVEPOINT" in sql:
            return run(sql, params, many, context)
        seen += 1
        if seen == number:
            raise Fault(sql)
        return run(sql, params, many, context)

    return connection.execute_wrapper(execute)


@pytest.mark.django_db
def test_a_fault_at_any_statement_of_a_release_leaves_nothing_behind() -> None:
    batch = formulations.start_batch_test(make_made_batch(), actor=somebody(Role.OPERATOR))
    quality = somebody(Role.QUALITY)
    entries, signatures = Entry.objects.count(), Signature.objects.count()
    for number in range(1, MOST_STATEMENTS):
        try:
            with failing_at(number):
                services.release_batch(batch, actor=quality, password=PASSWORD, reason="a trial")
        except Fault:
            assert Batch.objects.get(pk=batch.pk).state == "under_test"
            assert Entry.objects.count() == entries
            assert Signature.objects.count() == signatures
            assert not Decision.objects.exists()
            assert not Verdict.objects.exists()
        else:
            break
    assert 10 < number < MOST_STATEMENTS - 1
    assert Batch.objects.get(pk=batch.pk).state == "released"
    assert Entry.objects.count() == entries + 1
    assert Signature.objects.count() == signatures + 1
