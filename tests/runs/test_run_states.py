"""The states of runs and reductions: every move in the table is allowed, every pair that is not in it is refused."""

from __future__ import annotations

import itertools

import pytest
from django.db import DatabaseError, IntegrityError, transaction

from lims.core.errors import WrongState
from lims.runs.models import Reduction, Run
from lims.runs.states import REDUCTION_MACHINE, RUN_MACHINE, ReductionState, RunState
from tests.comparisons.results import measure
from tests.factories import make_application

# the table of the laboratory's procedure, written down again: act -> (from, to)
RUN_TABLE = {
    "check": (["receiving"], "checking"),
    "accept": (["checking", "unqualified"], "accepted"),
    "doubt": (["checking"], "unqualified"),
    "refuse": (["checking"], "refused"),
    "complete": (["refused"], "checking"),
    "invalidate": (["accepted", "locked"], "invalidated"),
    "lock": (["accepted"], "locked"),
}
REDUCTION_TABLE = {
    "claim": (["queued", "reducing"], "reducing"),
    "finish": (["reducing"], "reduced"),
    "fail": (["reducing"], "failed"),
    "retry": (["failed"], "queued"),
}
CASES = [
    (machine, state, act, table[act])
    for machine, states, table in (
        (RUN_MACHINE, RunState.values, RUN_TABLE),
        (REDUCTION_MACHINE, ReductionState.values, REDUCTION_TABLE),
    )
    for state, act in itertools.product(states, table)
]


def test_the_tables_name_every_act() -> None:
    assert set(RUN_MACHINE.moves) == set(RUN_TABLE)
    assert set(REDUCTION_MACHINE.moves) == set(REDUCTION_TABLE)


@pytest.mark.parametrize(("machine", "state", "act", "row"), CASES, ids=lambda v: v if isinstance(v, str) else "")
def test_each_pair_of_state_and_act(machine, state: str, act: str, row: tuple[list[str], str]) -> None:
    if state in row[0]:
        assert machine.after(state, act) == row[1]
        return
    with pytest.raises(WrongState) as caught:
        machine.after(state, act, name="R-0001")
    assert caught.value.status == 409
    assert caught.value.extra["state"] == state


@pytest.mark.django_db
def test_the_database_knows_no_other_state(file_store) -> None:
    run = measure(make_application(), 9.0)
    with pytest.raises(IntegrityError), transaction.atomic():
        Run.objects.filter(pk=run.pk).update(state="nonsense")


@pytest.mark.django_db
def test_two_reductions_cannot_be_at_work_on_one_run(file_store) -> None:
    run = measure(make_application(), 9.0)
    Reduction.objects.create(code="RED-90001", run=run)
    with pytest.raises(IntegrityError), transaction.atomic():
        Reduction.objects.bulk_create([Reduction(code="RED-90002", run=run)])


@pytest.mark.django_db
def test_a_reduction_is_never_deleted(file_store) -> None:
    run = measure(make_application(), 9.0)
    with pytest.raises(DatabaseError), transaction.atomic():
        Reduction.objects.filter(run=run).delete()
