"""Each act leaves exactly one entry in the history, also where it does several things (AUD-01)."""

from __future__ import annotations

from decimal import Decimal

import pytest

from lims.accounts.roles import Role
from lims.audit.models import Entry
from lims.cases.models import Nonconformance
from lims.cases.services import place_hold
from lims.cases.states import CHECKLIST
from lims.core.errors import NotAllowed
from lims.formulations import services as formulations
from lims.materials import services as materials
from lims.quality import services
from tests.factories import (
    PASSWORD,
    make_batch,
    make_lot,
    make_released_lot,
    make_specification,
    settle,
    somebody,
)

pytestmark = pytest.mark.django_db


def entries_of(act):
    before = Entry.objects.count()
    result = act()
    return result, list(Entry.objects.order_by("id")[before:])


def test_a_failed_result_a_verdict_a_case_and_a_hold_are_one_entry() -> None:
    lot = make_lot()
    make_specification(lot.material)
    lot = materials.start_lot_test(lot, actor=somebody(Role.QUALITY))
    operator = somebody(Role.OPERATOR)
    _, entries = entries_of(
        lambda: services.record_lot_result(lot, actor=operator, quantity="d50", value=7.0, unit="um", u=0.1)
    )
    (entry,) = entries
    assert (entry.act, entry.actor, entry.subject_code) == ("lot.add_result", operator, lot.code)
    assert {"lot property", "nonconformance", "hold"} <= {change["kind"] for change in entry.changes}


def test_a_weighing_with_its_stock_and_its_case_is_one_entry() -> None:
    line = make_batch().lines.order_by("position").first()
    lot, chemist = make_released_lot(line.material), somebody(Role.CHEMIST)
    _, entries = entries_of(
        lambda: formulations.weigh(
            line, actor=chemist, lot=lot, net=Decimal("0.2305"), balance="BAL-01", reason="poured too fast"
        )
    )
    (entry,) = entries
    assert (entry.act, entry.subject_kind, entry.reason) == ("batch.weigh", "batch", "poured too fast")


def test_a_decision_and_its_case_are_one_entry_and_a_closing_with_its_lifting_another() -> None:
    lot = materials.start_lot_test(make_lot(), actor=somebody(Role.QUALITY))
    quality = somebody(Role.QUALITY)
    _, entries = entries_of(lambda: services.reject_lot(lot, actor=quality, password=PASSWORD, reason="coarse tail"))
    assert [e.act for e in entries] == ["lot.reject"]
    assert PASSWORD not in str(entries[0].changes)

    case = Nonconformance.objects.get()
    _, entries = entries_of(lambda: settle(case, quality=quality))
    assert [e.act for e in entries][-1] == "nonconformance.close"
    assert len(entries) == len(CHECKLIST) + 6


def test_a_refused_act_is_kept_with_who_and_why() -> None:
    lot, operator = make_lot(), somebody(Role.OPERATOR)
    with pytest.raises(NotAllowed):
        services.release_lot(lot, actor=operator, password=PASSWORD)
    entry = Entry.objects.order_by("-id").first()
    assert (entry.act, entry.actor, entry.refused, entry.subject_code) == ("lot.release", operator, True, lot.code)


def test_a_hold_stands_in_the_history_of_what_it_holds() -> None:
    lot = make_lot()
    _, entries = entries_of(lambda: place_hold(lot, actor=somebody(Role.OPERATOR), reason="drum dented"))
    assert [(e.subject_kind, e.subject_code) for e in entries] == [("lot", lot.code)]
