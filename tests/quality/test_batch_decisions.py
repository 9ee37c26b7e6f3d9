"""Quality decides on batches (FRM-09, SIG-04, requirements 2.3)."""

from __future__ import annotations

from decimal import Decimal

import pytest

from lims.accounts.roles import Role
from lims.cases.models import Nonconformance
from lims.cases.services import place_hold
from lims.core.errors import Conflict, Invalid, NotAllowed, WrongState
from lims.formulations import services as formulations
from lims.formulations.models import Batch
from lims.formulations.states import BatchState
from lims.materials.models import Lot
from lims.quality import selectors, services
from lims.specifications.services import LimitSpec
from tests.factories import PASSWORD, make_made_batch, make_material, make_specification, person, somebody

pytestmark = pytest.mark.django_db


def batch_in_test() -> Batch:
    return formulations.start_batch_test(make_made_batch(), actor=somebody(Role.OPERATOR))


def release(batch: Batch, **facts):
    content = {"actor": somebody(Role.QUALITY), "password": PASSWORD, "reason": "a trial for one customer"} | facts
    return services.release_batch(batch, **content)


def test_without_a_specification_a_batch_is_released_only_with_a_reason() -> None:
    batch = batch_in_test()
    with pytest.raises(Invalid) as refused:
        release(batch, reason=" ")
    assert refused.value.code == "no-specification"
    assert release(batch).state == "released"


def test_a_limit_without_results_is_not_evaluable_and_refuses() -> None:
    batch = batch_in_test()
    make_specification(
        batch.recipe.formulation, LimitSpec("thermal_impedance", "mm^2*K/W", upper=12.0), guard_factor=1.0
    )
    batch.test_began_at = None
    batch.save()
    (judgement,) = selectors.standing_of_batch(batch).judgements
    assert judgement.outcome == "not_evaluable"
    with pytest.raises(Conflict) as refused:
        release(batch)
    assert refused.value.code == "verdict-missing"


def test_figures_are_judged_each_by_itself(monkeypatch) -> None:
    # SPF-02: limit 12.0, u 0.30, guard band U = 0.60; the worst of the results counts
    batch = batch_in_test()
    make_specification(batch.recipe.formulation, LimitSpec("thermal_impedance", "mm^2*K/W", upper=12.0))
    batch.test_began_at = None
    for value, outcome in ((11.0, "pass"), (11.6, "conditional_pass"), (12.2, "conditional_fail"), (12.7, "fail")):
        found = [selectors.Evidence("thermal_impedance", v * 1e-6, 0.3e-6, None, "RED-1") for v in (10.0, value)]
        monkeypatch.setattr(selectors, "results_for_batch", lambda batch, found=found: found)
        assert selectors.standing_of_batch(batch).judgements[0].outcome == outcome


def test_an_exploratory_batch_is_never_released() -> None:
    lines = [formulations.LineSpec(make_material(), Decimal(1))]
    batch = formulations.plan_exploratory_batch(
        actor=somebody(Role.CHEMIST), name="try", target_mass=Decimal("0.1"), lines=lines
    )
    Batch.objects.filter(pk=batch.pk).update(state="under_test")
    with pytest.raises(Conflict) as refused:
        release(batch)
    assert (refused.value.status, refused.value.code) == (409, "exploratory")


def test_who_made_the_batch_does_not_decide_on_it() -> None:
    batch = batch_in_test()
    maker = batch.planned_by
    maker.grants.create(role=Role.QUALITY, reason="test")
    maker.__dict__.pop("roles", None)
    with pytest.raises(NotAllowed) as refused:
        release(batch, actor=maker)
    assert refused.value.code == "own-work"


def test_a_held_batch_is_not_released() -> None:
    batch = batch_in_test()
    place_hold(batch, actor=somebody(Role.OPERATOR), reason="lumps")
    with pytest.raises(Conflict) as refused:
        release(batch)
    assert refused.value.code == "on-hold"


def test_a_lot_rejected_meanwhile_with_an_open_case_refuses() -> None:
    batch = batch_in_test()
    lot = selectors.lots_in_batch(batch)[0]
    Lot.objects.filter(pk=lot.pk).update(state="under_test")
    services.reject_lot(
        Lot.objects.get(pk=lot.pk), actor=somebody(Role.QUALITY), password=PASSWORD, reason="coarse tail"
    )
    with pytest.raises(Conflict) as refused:
        release(batch)
    assert refused.value.code == "lot-in-question"
    assert lot.code in refused.value.message


def test_a_deviated_batch_needs_a_reason() -> None:
    batch = batch_in_test()
    Batch.objects.filter(pk=batch.pk).update(deviated=True)
    codes = [item.code for item in selectors.standing_of_batch(Batch.objects.get(pk=batch.pk)).need_a_reason]
    assert codes == ["no-specification", "deviated"]


def test_a_rejection_opens_a_case() -> None:
    batch = batch_in_test()
    rejected = services.reject_batch(batch, actor=somebody(Role.QUALITY), password=PASSWORD, reason="lumps")
    assert rejected.state == "rejected"
    assert Nonconformance.objects.get().subject_code == batch.code


@pytest.mark.parametrize("state", [s for s in BatchState if s != "under_test"])
def test_a_release_from_any_other_state_is_refused(state: str) -> None:
    batch = batch_in_test()
    Batch.objects.filter(pk=batch.pk).update(state=state)
    with pytest.raises(WrongState):
        release(batch)


@pytest.mark.parametrize("role", [*(r for r in Role if r is not Role.QUALITY), None])
def test_nobody_but_quality_decides(role) -> None:
    batch, other = batch_in_test(), person(role, username="other")
    with pytest.raises(NotAllowed):
        release(batch, actor=other)
    with pytest.raises(NotAllowed):
        services.reject_batch(batch, actor=other, password=PASSWORD, reason="x")
