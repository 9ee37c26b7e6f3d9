"""A hold placed while somebody weighs: exactly one of the two comes first (requirements 5.5)."""

from __future__ import annotations

from decimal import Decimal
from threading import Barrier, Thread

import pytest
from django.db import connection

from lims.accounts.roles import Role
from lims.cases.services import place_hold
from lims.core.errors import Conflict, Refusal
from lims.formulations import services
from lims.formulations.models import Weighing
from tests.factories import make_batch, make_released_lot, somebody


def test_a_lot_is_either_weighed_before_the_hold_or_refused_after_it(committed_db) -> None:
    line = make_batch().lines.order_by("position").first()
    lot = make_released_lot(line.material)
    chemist, quality = somebody(Role.CHEMIST), somebody(Role.QUALITY)
    start, outcomes = Barrier(2), []

    def weigh() -> None:
        try:
            start.wait()
            services.weigh(line, actor=chemist, lot=lot, net=line.target, balance="BAL-01")
        except Refusal as refusal:
            outcomes.append(refusal.code)
        else:
            outcomes.append("weighed")
        finally:
            connection.close()

    def hold() -> None:
        try:
            start.wait()
            place_hold(lot, actor=quality, reason="moisture out of limits")
        finally:
            connection.close()

    threads = [Thread(target=weigh), Thread(target=hold)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert outcomes in (["weighed"], ["on-hold"])
    assert Weighing.objects.count() == (1 if outcomes == ["weighed"] else 0)
    again = {"actor": chemist, "lot": lot, "net": Decimal("0.001"), "balance": "BAL-01", "more": True}
    with pytest.raises(Conflict) as refused:
        services.weigh(line, **again)
    assert refused.value.code == "on-hold"
