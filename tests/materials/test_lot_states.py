"""The state machine of a lot: every pair of state and act that stands in no row is refused (requirements 2.1)."""

from __future__ import annotations

from decimal import Decimal

import pytest

from lims.accounts.roles import Role
from lims.cases.services import open_nonconformance, place_hold
from lims.core.errors import Conflict, Invalid, WrongState
from lims.materials import selectors, services
from lims.materials.models import Lot
from lims.materials.states import MACHINE, LotState
from tests.factories import make_lot, somebody

pytestmark = pytest.mark.django_db
SERVICES = {
    "start_test": services.start_lot_test,
    "reassess": lambda lot, actor: services.reassess_lot(lot, actor=actor, reason="a doubt"),
    "dispose": lambda lot, actor: services.dispose_lot(lot, actor=actor, reason="too old"),
    "void": lambda lot, actor: services.void_lot(lot, actor=actor, reason="typed twice"),
}
REFUSED = [(state, act) for act in SERVICES for state in LotState if state not in MACHINE.moves[act].before]
ALLOWED = [(state, act) for act in SERVICES for state in LotState if state in MACHINE.moves[act].before]


def lot_in(state: str) -> Lot:
    """A lot put into a state past the services, for tests of what may follow."""
    lot = make_lot()
    Lot.objects.filter(pk=lot.pk).update(state=state)
    lot.refresh_from_db()
    return lot


@pytest.mark.parametrize(("state", "act"), REFUSED)
def test_a_pair_that_stands_in_no_row_is_refused_and_says_what_is_possible(state: str, act: str) -> None:
    lot = lot_in(state)
    with pytest.raises(WrongState) as refused:
        SERVICES[act](lot, actor=somebody(Role.QUALITY))
    assert refused.value.extra["allowed"] == MACHINE.allowed(state)
    lot.refresh_from_db()
    assert lot.state == state


@pytest.mark.parametrize(("state", "act"), ALLOWED)
def test_a_pair_of_the_table_leads_on(state: str, act: str) -> None:
    moved = SERVICES[act](lot_in(state), actor=somebody(Role.QUALITY))
    assert moved.state == MACHINE.moves[act].after


def test_a_held_lot_does_not_start_its_test() -> None:
    lot = make_lot()
    place_hold(lot, actor=somebody(Role.OPERATOR), reason="label unreadable")
    with pytest.raises(Conflict) as refused:
        services.start_lot_test(lot, actor=somebody(Role.QUALITY))
    assert refused.value.code == "on-hold"


def test_disposing_brings_the_ledger_to_zero() -> None:
    lot = services.dispose_lot(make_lot(mass="25"), actor=somebody(Role.QUALITY), reason="returned")
    assert selectors.on_hand(lot) == 0
    assert lot.moves.last().mass == Decimal("-25")


def test_a_lot_with_an_open_nonconformance_is_not_disposed() -> None:
    lot = make_lot()
    open_nonconformance(lot, actor=somebody(Role.QUALITY), title="moisture out of limits")
    with pytest.raises(Conflict) as refused:
        services.dispose_lot(lot, actor=somebody(Role.QUALITY), reason="away with it")
    assert refused.value.code == "open-nonconformance"


def test_a_lot_that_was_weighed_is_not_void() -> None:
    lot = make_lot()
    services.move_stock(lot, mass=Decimal("-1"), kind="weighing", by=lot.received_by, cause="B-0001")
    with pytest.raises(Conflict) as refused:
        services.void_lot(lot, actor=somebody(Role.QUALITY), reason="typed twice")
    assert refused.value.code == "lot-used"


@pytest.mark.parametrize("act", ["reassess", "dispose", "void"])
def test_an_act_that_needs_a_reason_is_refused_without_one(act: str) -> None:
    lot = lot_in("released" if act == "reassess" else "quarantine")
    service = {"reassess": services.reassess_lot, "dispose": services.dispose_lot, "void": services.void_lot}[act]
    with pytest.raises(Invalid) as refused:
        service(lot, actor=somebody(Role.QUALITY), reason=" ")
    assert "reason" in refused.value.fields


def test_the_database_knows_no_other_state() -> None:
    from django.db import IntegrityError, transaction

    with pytest.raises(IntegrityError), transaction.atomic():
        Lot.objects.filter(pk=make_lot().pk).update(state="magic")
