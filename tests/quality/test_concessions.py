"""A concession: two persons sign, and what it says is kept to where the lot is used."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import pytest
from django.db import DatabaseError, connection, transaction
from django.utils import timezone

from lims.accounts.roles import Role
from lims.cases.selectors import concession_of
from lims.cases.services import Scope
from lims.core.errors import Conflict, Invalid, NotAllowed, WrongState
from lims.formulations import services as formulations
from lims.materials import services as materials
from lims.materials.models import Lot
from lims.quality import services
from lims.quality.models import Decision
from tests.factories import PASSWORD, make_batch, make_lot, make_version, person, somebody

pytestmark = pytest.mark.django_db


def under_test(**facts) -> Lot:
    return materials.start_lot_test(make_lot(**facts), actor=somebody(Role.QUALITY))


def scope(*formulations: str, mass: str | None = None, days: int = 30) -> Scope:
    until = timezone.localdate() + timedelta(days=days)
    return Scope(until, formulations, None if mass is None else Decimal(mass))


def proposed(lot: Lot, given: Scope) -> Lot:
    return services.propose_lot_concession(
        lot, actor=somebody(Role.QUALITY), password=PASSWORD, reason="only the tail is coarse", scope=given
    )


def granted(lot: Lot, given: Scope) -> Lot:
    return services.approve_lot_concession(proposed(lot, given), actor=somebody(Role.MANAGER), password=PASSWORD)


def test_one_signature_changes_nothing_and_the_second_is_another_persons() -> None:
    lot, quality = proposed(under_test(), scope()), somebody(Role.QUALITY)
    assert lot.state == "under_test"
    with pytest.raises(NotAllowed, match="both signatures"):
        services.approve_lot_concession(lot, actor=quality, password=PASSWORD)
    with pytest.raises(Conflict, match="waits for its second"):
        proposed(lot, scope())
    done = services.approve_lot_concession(lot, actor=somebody(Role.MANAGER), password=PASSWORD)
    assert done.state == "restricted"
    decision = Decision.objects.get()
    assert (decision.outcome, decision.by) == ("concession", somebody(Role.MANAGER))
    assert "for any formulation, until" in decision.reason


def test_neither_signer_took_part_and_a_concession_needs_reason_and_future() -> None:
    lot, receiver = under_test(), person(Role.QUALITY, username="receiver")
    Lot.objects.filter(pk=lot.pk).update(received_by=receiver)
    lot.refresh_from_db()
    with pytest.raises(NotAllowed) as refused:
        services.propose_lot_concession(lot, actor=receiver, password=PASSWORD, reason="x", scope=scope())
    assert refused.value.code == "own-work"
    with pytest.raises(Invalid):
        services.propose_lot_concession(lot, actor=somebody(Role.QUALITY), password=PASSWORD, reason=" ", scope=scope())
    with pytest.raises(Invalid, match="past"):
        proposed(lot, scope(days=-1))
    with pytest.raises(WrongState):
        proposed(make_lot(), scope())


def weigh(lot: Lot, net: str, version) -> None:
    batch = make_batch(version)
    line = batch.lines.get(material=lot.material)
    formulations.weigh(
        line, actor=somebody(Role.CHEMIST), lot=lot, net=Decimal(net), balance="BAL-1", reason="trial", meant=True
    )


def test_a_lot_goes_only_where_only_as_much_and_only_as_long_as_its_concession_says() -> None:
    version = make_version()
    material = version.lines.first().material
    lot = granted(under_test(material=material), scope(version.formulation.code, mass="0.3"))
    weigh(lot, "0.2", version)
    with pytest.raises(Conflict, match=r"this would make 0\.4 kg") as refused:
        weigh(lot, "0.2", version)
    assert refused.value.code == "outside-concession"
    other = granted(under_test(material=material), scope("F-999"))
    with pytest.raises(Conflict, match="is not among them"):
        weigh(other, "0.1", version)


def test_a_signed_concession_cannot_be_changed_by_sql() -> None:
    lot = granted(under_test(), scope(mass="1"))
    found = concession_of("lot", lot.code)
    assert found is not None
    with pytest.raises(DatabaseError, match="cannot change"), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("UPDATE cases_concession SET mass = 99 WHERE id = %s", [found.pk])
