"""Two that weigh the last of a lot at once: exactly one has it (MAT-06)."""

from __future__ import annotations

from decimal import Decimal
from threading import Barrier, Thread

from django.db import connection

from lims.accounts.roles import Role
from lims.core.errors import Refusal
from lims.formulations import services
from lims.formulations.models import Weighing
from lims.materials import selectors
from tests.factories import make_batch, make_released_lot, make_version, somebody


def test_of_two_parallel_weighings_of_the_last_hundred_grams_exactly_one_succeeds(committed_db) -> None:
    version = make_version(shares={"alumina, round, 5 um": "1"})
    batches = [make_batch(version, target_mass="0.1") for _ in range(2)]
    lot = make_released_lot(batches[0].lines.get().material, mass="0.1")
    chemist, start, outcomes = somebody(Role.CHEMIST), Barrier(2), []

    def take(line) -> None:
        try:
            start.wait()
            services.weigh(line, actor=chemist, lot=lot, net=Decimal("0.1"), balance="BAL-01")
        except Refusal as refusal:
            outcomes.append(refusal.code)
        else:
            outcomes.append("weighed")
        finally:
            connection.close()

    threads = [Thread(target=take, args=[batch.lines.get()]) for batch in batches]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(outcomes) == ["not-enough-stock", "weighed"]
    assert selectors.on_hand(lot) == 0
    assert Weighing.objects.count() == 1
