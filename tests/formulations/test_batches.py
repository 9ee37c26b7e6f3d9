"""Batches from plan to made (FRM-03, FRM-04, FRM-09, requirements 2.3)."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.db import IntegrityError, transaction

from lims.accounts.roles import Role
from lims.core.errors import Conflict, Invalid, NotAllowed, WrongState
from lims.formulations import selectors, services
from lims.formulations.models import Batch
from lims.formulations.states import BATCH_MACHINE, BatchState
from tests.factories import (
    PASSWORD,
    make_batch,
    make_made_batch,
    make_material,
    make_version,
    person,
    somebody,
    weigh_all,
)

pytestmark = pytest.mark.django_db


def in_process() -> Batch:
    return services.close_weighing(weigh_all(make_batch()), actor=somebody(Role.CHEMIST))


def do(batch: Batch, position: int = 1, **facts):
    settings = {1: {"speed": 20.0, "duration": 600.0}, 2: {"pressure": 500.0, "duration": 300.0}}[position]
    return services.do_step(batch, position=position, **{"actor": somebody(Role.CHEMIST)} | settings | facts)


def test_a_batch_is_scaled_and_keeps_its_own_copy_of_the_recipe() -> None:
    batch = make_batch(target_mass="0.5")
    assert [line.target for line in batch.lines.order_by("position")] == [Decimal("0.45"), Decimal("0.05")]
    assert batch.frozen["code"] == batch.recipe.code
    assert batch.frozen["digest"] == batch.recipe.digest


def test_a_version_approved_later_alters_no_batch() -> None:
    batch, chemist = make_batch(), somebody(Role.CHEMIST)
    before = dict(batch.frozen)
    second = services.submit_version(services.new_version(batch.recipe, actor=chemist, reason="x"), actor=chemist)
    services.approve_version(second, actor=somebody(Role.QUALITY), password=PASSWORD)
    weigh_all(batch)
    batch.refresh_from_db()
    assert batch.frozen == before
    assert selectors.newer_version_of(batch) == second


@pytest.mark.parametrize("mass", ["0", "-1"])
def test_a_batch_of_nothing_is_refused(mass: str) -> None:
    with pytest.raises(Invalid):
        make_batch(target_mass=mass)


def test_steps_are_done_in_order() -> None:
    batch = in_process()
    with pytest.raises(Conflict, match="Step 1 comes before step 2") as refused:
        do(batch, 2)
    assert (refused.value.status, refused.value.code) == (409, "step-order")
    do(batch, 1)
    with pytest.raises(Conflict) as again:
        do(batch, 1)
    assert again.value.code == "step-done"


def test_a_step_off_its_target_needs_a_reason_and_marks_the_batch() -> None:
    batch = in_process()
    with pytest.raises(Invalid) as refused:
        do(batch, speed=10.0)
    assert refused.value.code == "step-deviates"
    assert do(batch, speed=10.0, reason="the drive stalled").deviates
    batch.refresh_from_db()
    assert batch.deviated


def test_a_step_within_its_tolerance_does_not_deviate() -> None:
    assert not do(in_process(), speed=21.9, duration=550.0).deviates


def test_a_target_without_its_actual_value_is_refused_by_field() -> None:
    with pytest.raises(Invalid) as refused:
        do(in_process(), speed=None)
    assert set(refused.value.fields) == {"speed"}


def test_skipping_needs_a_reason_and_marks_the_batch() -> None:
    batch = in_process()
    with pytest.raises(Invalid):
        do(batch, skipped=True)
    assert do(batch, skipped=True, reason="mixed by hand").skipped
    batch.refresh_from_db()
    assert batch.deviated


def test_a_hold_point_needs_a_second_person_with_their_own_password() -> None:
    batch, chemist, operator = in_process(), somebody(Role.CHEMIST), somebody(Role.OPERATOR)
    do(batch, 1)
    with pytest.raises(Invalid) as nobody:
        do(batch, 2)
    assert nobody.value.code == "hold-point"
    with pytest.raises(NotAllowed) as self_seen:
        do(batch, 2, seen_by=chemist, seen_password=PASSWORD)
    assert self_seen.value.code == "own-work"
    with pytest.raises(NotAllowed) as wrong:
        do(batch, 2, seen_by=operator, seen_password="guess")
    assert wrong.value.code == "wrong-secret"
    assert do(batch, 2, seen_by=operator, seen_password=PASSWORD).seen_by == operator


def test_a_batch_is_finished_when_every_step_is_done_with_a_possible_yield() -> None:
    batch = in_process()
    chemist = somebody(Role.CHEMIST)
    with pytest.raises(Conflict) as early:
        services.finish_batch(batch, actor=chemist, yield_mass=Decimal("0.2"))
    assert early.value.code == "steps-open"
    do(batch, 1)
    do(batch, 2, seen_by=somebody(Role.OPERATOR), seen_password=PASSWORD)
    with pytest.raises(Invalid) as too_much:
        services.finish_batch(batch, actor=chemist, yield_mass=Decimal("0.26"))
    assert too_much.value.code == "mass-balance"
    made = services.finish_batch(batch, actor=chemist, yield_mass=Decimal("0.24"))
    assert (made.state, made.yield_mass) == ("made", Decimal("0.24"))
    assert made.made_at is not None


def test_an_exploratory_batch_is_promoted_with_its_composition_as_made() -> None:
    chemist = somebody(Role.CHEMIST)
    filler, fluid = make_material("zinc oxide"), make_material("ester fluid", kind="carrier")
    lines = [services.LineSpec(filler, Decimal("0.9")), services.LineSpec(fluid, Decimal("0.1"))]
    steps = [services.StepSpec("mix", speed=20.0)]
    batch = services.plan_exploratory_batch(
        actor=chemist, name="try", target_mass=Decimal("0.1"), lines=lines, steps=steps
    )
    with pytest.raises(Conflict):
        services.promote_batch(batch, actor=chemist, name="early")
    batch = services.close_weighing(weigh_all(batch), actor=chemist)
    services.do_step(batch, actor=chemist, position=1, speed=20.0)
    batch = services.finish_batch(batch, actor=chemist, yield_mass=Decimal("0.09"))
    formulation = services.promote_batch(batch, actor=chemist, name="paste from a try")
    version = formulation.versions.get()
    assert (version.number, version.state) == (1, "draft")
    assert sum(line.fraction for line in version.lines.all()) == 1
    batch.refresh_from_db()
    assert batch.exploratory


def test_a_batch_of_a_formulation_is_not_promoted() -> None:
    with pytest.raises(Conflict) as refused:
        services.promote_batch(make_made_batch(), actor=somebody(Role.CHEMIST), name="again")
    assert refused.value.code == "not-exploratory"


def test_the_database_never_releases_an_exploratory_batch() -> None:
    lines = [services.LineSpec(make_material(), Decimal(1))]
    batch = services.plan_exploratory_batch(
        actor=somebody(Role.CHEMIST), name="try", target_mass=Decimal(1), lines=lines
    )
    with pytest.raises(IntegrityError), transaction.atomic():
        Batch.objects.filter(pk=batch.pk).update(state="released")


def acts():
    chemist = somebody(Role.CHEMIST)
    return {
        "weigh": lambda b: services.skip_line(b.lines.first(), actor=chemist, reason="x"),
        "close_weighing": lambda b: services.close_weighing(b, actor=chemist),
        "do_step": lambda b: do(b),
        "finish": lambda b: services.finish_batch(b, actor=chemist, yield_mass=Decimal("0.2")),
        "start_test": lambda b: services.start_batch_test(b, actor=somebody(Role.OPERATOR)),
        "abort": lambda b: services.abort_batch(b, actor=chemist, reason="spilled"),
    }


REFUSED = [
    (state, act)
    for act in ("weigh", "close_weighing", "do_step", "finish", "start_test", "abort")
    for state in BatchState
    if state not in BATCH_MACHINE.moves[act].before
]


@pytest.mark.parametrize(("state", "act"), REFUSED)
def test_a_pair_that_stands_in_no_row_is_refused(state: str, act: str) -> None:
    batch = make_batch()
    Batch.objects.filter(pk=batch.pk).update(state=state)
    batch.refresh_from_db()
    with pytest.raises(WrongState) as refused:
        acts()[act](batch)
    assert refused.value.extra["allowed"] == BATCH_MACHINE.allowed(state)
    batch.refresh_from_db()
    assert batch.state == state


@pytest.mark.parametrize("state", ["planned", "weighing", "processing"])
def test_a_batch_in_work_is_given_up_with_a_reason(state: str) -> None:
    batch = make_batch()
    Batch.objects.filter(pk=batch.pk).update(state=state)
    with pytest.raises(Invalid):
        services.abort_batch(batch, actor=somebody(Role.CHEMIST), reason="")
    assert services.abort_batch(batch, actor=somebody(Role.CHEMIST), reason="spilled").state == "aborted"


def test_each_role_plans_only_where_the_table_says_so() -> None:
    version = make_version()
    people = {r.name: person(r, username=f"second-{r.value}") for r in Role} | {"OUTSIDER": person(None)}
    for name, user in people.items():
        if name == "CHEMIST":
            assert services.plan_batch(version, actor=user, target_mass=Decimal(1)).planned_by == user
        else:
            with pytest.raises(NotAllowed):
                services.plan_batch(version, actor=user, target_mass=Decimal(1))
