"""Two reviewers sign at once; a result comes while somebody signs: one decision, and it says what was known."""

from __future__ import annotations

from collections.abc import Callable
from threading import Barrier, Thread

import pytest
from django.db import connection

from lims.accounts.roles import Role
from lims.cases.selectors import standing_holds
from lims.core.errors import Refusal
from lims.materials import services as materials
from lims.materials.models import Lot
from lims.quality import services
from lims.quality.models import Decision
from lims.signatures.models import Signature
from tests.factories import PASSWORD, add_d50, make_lot, make_specification, person, somebody


def at_once(*acts: Callable[[], object]) -> list[str]:
    """Do the acts at the same moment, each on a connection of its own; what came of each, in no order."""
    start, outcomes = Barrier(len(acts)), []

    def run(act: Callable[[], object]) -> None:
        start.wait()
        try:
            act()
            outcomes.append("done")
        except Refusal as refusal:
            outcomes.append(refusal.code)
        finally:
            connection.close()

    threads = [Thread(target=run, args=(act,)) for act in acts]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return outcomes


def lot_in_test() -> Lot:
    lot = make_lot()
    make_specification(lot.material)
    lot = materials.start_lot_test(lot, actor=somebody(Role.QUALITY))
    add_d50(lot, 5.0)
    return lot


@pytest.mark.usefixtures("committed_db")
def test_of_two_reviewers_who_sign_at_once_one_decides() -> None:
    lot = lot_in_test()
    one, other = somebody(Role.QUALITY), person(Role.QUALITY, username="other")
    outcomes = at_once(
        lambda: services.release_lot(lot, actor=one, password=PASSWORD),
        lambda: services.reject_lot(lot, actor=other, password=PASSWORD, reason="lumps"),
    )
    assert sorted(outcomes) == ["done", "wrong-state"]
    decision = Decision.objects.get()
    lot.refresh_from_db()
    assert lot.state == {"release": "released", "reject": "rejected"}[decision.outcome]
    assert Signature.objects.filter(subject_code=lot.code).count() == 1


@pytest.mark.usefixtures("committed_db")
def test_a_failing_result_that_comes_while_somebody_signs_is_never_passed_over() -> None:
    lot = lot_in_test()
    outcomes = at_once(
        lambda: services.release_lot(lot, actor=somebody(Role.QUALITY), password=PASSWORD),
        lambda: services.record_lot_result(
            lot, actor=somebody(Role.OPERATOR), quantity="d50", value=9.0, unit="um", u=0.1
        ),
    )
    lot.refresh_from_db()
    released = Decision.objects.filter(outcome="release").exists()
    if released:  # the signature came first: it names the results it rests on, and the later one holds the lot
        (verdict,) = Decision.objects.get().verdicts.all()
        assert (verdict.outcome, len(verdict.evidence)) == ("pass", 1)
    else:
        assert lot.state == "under_test"
        assert "done" in outcomes
    assert standing_holds("lot", lot.code).exists()
