"""Register a sample: from outside, from a batch, from a lot; take it or refuse it."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.utils import timezone

from lims.accounts.roles import Role
from lims.audit.selectors import history_of
from lims.core.errors import Conflict, Invalid, WrongState
from lims.formulations.models import Batch
from lims.materials.models import Lot, StockMove
from lims.materials.selectors import on_hand
from lims.materials.services import create_material, receive_lot
from lims.samples import services
from lims.samples.models import Sample
from lims.samples.selectors import left
from tests.factories import make_sample, somebody

pytestmark = pytest.mark.django_db
DESCRIBED: dict[str, Any] = {"container": "jar", "condition": "even", "location": "cabinet 1"}


def make_lot(mass: str = "1") -> Lot:
    chemist = somebody(Role.CHEMIST)
    material = create_material(actor=chemist, name="fine alumina", kind="filler")
    return receive_lot(
        actor=chemist, material=material, supplier=None, supplier_lot="X1", mass=Decimal(mass),
        storage="dry", location="store",
    )  # fmt: skip


def make_batch(state: str) -> Batch:
    """A batch in a state; its making is the batch's own test."""
    batch = Batch(code="B-9001", name="paste 9", exploratory=True, state=state, target_mass=1, frozen={"lines": []})
    batch.planned_by = somebody(Role.CHEMIST)
    batch.save()
    return batch


def test_a_sample_from_outside_is_in_custody_at_once() -> None:
    sample = make_sample()
    assert (sample.state, sample.origin) == ("held", "outside")
    event = sample.custody.get()
    assert (event.kind, event.holder, event.location) == ("receive", somebody(Role.OPERATOR), "cabinet 1")
    assert left(sample) == Decimal("0.020")
    assert [entry.act for entry in history_of("sample", sample.code)] == ["sample.register"]


def test_without_a_time_it_is_refused_by_that_field() -> None:
    with pytest.raises(Invalid) as caught:
        make_sample(taken_at=None)
    assert set(caught.value.fields) == {"taken_at"}
    assert not Sample.objects.exists()


@pytest.mark.parametrize("field", ["container", "condition", "location"])
def test_what_a_sample_states_cannot_be_left_out(field: str) -> None:
    with pytest.raises(Invalid) as caught:
        make_sample(**{field: " "})
    assert field in caught.value.fields


def test_a_time_to_come_is_refused() -> None:
    with pytest.raises(Invalid, match="in full"):
        make_sample(taken_at=timezone.now() + timedelta(hours=1))


@pytest.mark.parametrize("state", ["planned", "weighing", "processing", "aborted", "reworked"])
def test_a_batch_that_is_not_made_gives_no_sample(state: str) -> None:
    with pytest.raises(Conflict) as caught:
        make_sample(source=make_batch(state))
    assert caught.value.code == "batch-not-made"


@pytest.mark.parametrize("state", ["made", "under_test", "rejected"])
def test_a_made_batch_gives_a_sample_of_its_name(state: str) -> None:
    batch = make_batch(state)
    sample = make_sample(source=batch, name="", place="top")
    assert (sample.batch, sample.origin, sample.name) == (batch, "batch", "paste 9")


def test_a_sample_of_a_lot_leaves_its_stock() -> None:
    lot = make_lot()
    sample = make_sample(source=lot, name="", amount=Decimal("0.1"))
    assert sample.name == "fine alumina"
    assert on_hand(lot) == Decimal("0.9")
    assert lot.moves.get(kind=StockMove.Kind.SAMPLE).cause == sample.code


def test_more_than_the_lot_has_is_refused() -> None:
    with pytest.raises(Conflict):
        make_sample(source=make_lot(), amount=Decimal("1.5"))
    assert not Sample.objects.exists()


def test_a_registered_sample_is_taken_or_refused_or_void_once() -> None:
    operator = somebody(Role.OPERATOR)
    taken, refused, void = (make_sample(into_custody=False) for _ in range(3))
    assert services.take_sample(taken, actor=operator).state == "held"
    assert services.refuse_sample(refused, actor=operator, reason="leaked").state == "refused"
    assert services.void_sample(void, actor=operator, reason="entered twice").state == "void"
    with pytest.raises(WrongState):
        services.refuse_sample(taken, actor=operator, reason="late")
    assert make_sample().code not in {taken.code, refused.code, void.code}


def test_a_void_sample_gives_back_what_it_took_from_the_lot() -> None:
    lot = make_lot()
    sample = make_sample(source=lot, amount=Decimal("0.1"), into_custody=False)
    services.void_sample(sample, actor=somebody(Role.OPERATOR), reason="wrong lot")
    assert on_hand(lot) == 1


def test_a_portion_keeps_its_parent_and_amounts_conserve() -> None:
    sample = make_sample()
    portion = services.split_sample(
        sample, actor=somebody(Role.OPERATOR), amount=Decimal("0.005"), container="jar", location="oven"
    )
    assert (portion.parent, portion.state, portion.taken_at) == (sample, "held", sample.taken_at)
    assert left(portion) + left(sample) == Decimal("0.020")


def test_a_portion_larger_than_what_is_left_is_refused() -> None:
    sample = make_sample()
    with pytest.raises(Conflict) as caught:
        services.split_sample(sample, actor=somebody(Role.OPERATOR), amount=Decimal("0.021"), container="jar")
    assert caught.value.code == "not-enough-sample"
    assert "20 g" in caught.value.message


def test_the_same_key_gives_the_same_sample() -> None:
    facts = {"taken_at": timezone.now(), "amount": Decimal("0.01"), "name": "paste", **DESCRIBED}
    operator = somebody(Role.OPERATOR)
    first = services.register_sample(actor=operator, key="once", **facts)
    assert services.register_sample(actor=operator, key="once", **facts) == first
    assert Sample.objects.count() == 1
