"""Quality decides on lots (SPF-02, SPF-05, SIG-04, NCR-01, requirements 2.1)."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.db import DatabaseError, connection, transaction
from django.utils import timezone

from lims.accounts.roles import Role
from lims.cases.models import Nonconformance
from lims.cases.services import lift_hold, place_hold
from lims.core.errors import Conflict, Invalid, NotAllowed, WrongState
from lims.materials import services as materials
from lims.materials.models import Lot
from lims.materials.states import MACHINE, LotState
from lims.quality import selectors, services
from lims.quality.models import Decision, Verdict
from lims.signatures.models import Signature
from lims.specifications.services import LimitSpec
from tests.factories import PASSWORD, add_d50, make_lot, make_specification, make_supplier, person, settle, somebody

pytestmark = pytest.mark.django_db


def lot_in_test(*, value: float | None = 5.0, u: float | None = 0.1, specified: bool = True) -> Lot:
    lot = make_lot()
    if specified:
        make_specification(lot.material)
    lot = materials.start_lot_test(lot, actor=somebody(Role.QUALITY))
    if value is not None:
        add_d50(lot, value, u=u)
    return lot


def release(lot: Lot, **facts):
    return services.release_lot(lot, **{"actor": somebody(Role.QUALITY), "password": PASSWORD} | facts)


def reject(lot: Lot) -> Lot:
    return services.reject_lot(lot, actor=somebody(Role.QUALITY), password=PASSWORD, reason="x")


def test_a_lot_whose_verdict_is_a_pass_is_released_by_signature() -> None:
    lot = release(lot_in_test())
    assert lot.state == "released"
    decision = Decision.objects.get()
    assert (decision.outcome, decision.subject_code) == ("release", lot.code)
    assert [v.outcome for v in decision.verdicts.all()] == ["pass"]
    assert Signature.objects.get(pk=decision.signature_id).meaning == "released"


# limit 6.0 um, u 0.1, guard band U = 0.2
@pytest.mark.parametrize(
    ("value", "u", "code"),
    [
        (6.1, 0.1, "verdict-failed"),
        (6.5, 0.1, "verdict-failed"),
        (3.0, 0.1, "verdict-failed"),
        (5.0, None, "verdict-missing"),
        (None, None, "verdict-missing"),
    ],
)
def test_a_failed_or_missing_verdict_refuses_and_no_reason_helps(value, u, code: str) -> None:
    lot = lot_in_test(value=value, u=u)
    with pytest.raises(Conflict) as refused:
        release(lot, reason="we need it today")
    assert refused.value.code == code
    lot.refresh_from_db()
    assert lot.state == "under_test"
    assert not Decision.objects.exists()
    assert not Signature.objects.filter(subject_kind="lot").exists()


def test_a_conditional_pass_needs_a_reason() -> None:
    lot = lot_in_test(value=5.9)
    with pytest.raises(Invalid) as refused:
        release(lot)
    assert refused.value.code == "conditional-pass"
    assert release(lot, reason="the top cut is far inside").state == "released"


def test_without_a_specification_a_release_rests_on_a_stated_reason() -> None:
    lot = lot_in_test(specified=False)
    with pytest.raises(Invalid) as refused:
        release(lot)
    assert refused.value.code == "no-specification"
    assert release(lot, reason="a trial of one drum").state == "released"


def test_a_supplier_that_is_not_approved_needs_a_reason() -> None:
    lot = make_lot(supplier=make_supplier(approved=False))
    make_specification(lot.material)
    lot = materials.start_lot_test(lot, actor=somebody(Role.QUALITY))
    add_d50(lot)
    with pytest.raises(Invalid) as refused:
        release(lot)
    assert refused.value.code == "supplier-not-approved"


@pytest.mark.parametrize("stop", ["hold", "nonconformance", "expired"])
def test_what_stands_over_a_lot_is_listed_and_refuses(stop: str) -> None:
    lot = lot_in_test()
    if stop == "hold":
        place_hold(lot, actor=somebody(Role.OPERATOR), reason="drum dented")
    elif stop == "nonconformance":
        services.judge_lot(lot, actor=None)
        add_d50(lot, 7.0)
        services.judge_lot(lot, actor=None)
    else:
        Lot.objects.filter(pk=lot.pk).update(expires_on=timezone.localdate() - timedelta(days=1))
    lot.refresh_from_db()
    missing = [item.code for item in selectors.standing_of_lot(lot).blocking]
    with pytest.raises(Conflict) as refused:
        release(lot)
    assert refused.value.code == missing[0]
    assert len(refused.value.extra["missing"]) == len(missing)


def test_a_hold_lifted_lets_the_lot_go_on_from_where_it_was() -> None:
    lot = lot_in_test()
    hold = place_hold(lot, actor=somebody(Role.OPERATOR), reason="drum dented")
    lift_hold(hold, actor=somebody(Role.QUALITY), reason="only the lid")
    assert release(lot).state == "released"


def test_who_received_or_tested_a_lot_does_not_decide_on_it() -> None:
    quality = somebody(Role.QUALITY)
    lot = materials.start_lot_test(make_lot(), actor=quality)
    make_specification(lot.material)
    materials.add_lot_property(lot, actor=quality, quantity="d50", value=5.0, unit="um", u=0.1)
    for decide in (release, reject):
        with pytest.raises(NotAllowed) as refused:
            decide(lot)
        assert (refused.value.status, refused.value.code) == (403, "own-work")


def test_a_wrong_password_decides_nothing() -> None:
    lot = lot_in_test()
    with pytest.raises(NotAllowed) as refused:
        release(lot, password="guess")
    assert refused.value.code == "wrong-secret"
    lot.refresh_from_db()
    assert lot.state == "under_test"
    assert not Verdict.objects.exists()


@pytest.mark.parametrize("role", [*(r for r in Role if r is not Role.QUALITY), None])
def test_nobody_but_quality_decides(role) -> None:
    lot, other = lot_in_test(), person(role, username="other")
    with pytest.raises(NotAllowed):
        release(lot, actor=other)
    with pytest.raises(NotAllowed):
        services.reject_lot(lot, actor=other, password=PASSWORD, reason="x")


def test_a_rejection_needs_its_reason_and_opens_a_case() -> None:
    lot = lot_in_test(value=9.0)
    with pytest.raises(Invalid):
        services.reject_lot(lot, actor=somebody(Role.QUALITY), password=PASSWORD, reason=" ")
    rejected = services.reject_lot(lot, actor=somebody(Role.QUALITY), password=PASSWORD, reason="coarse tail")
    assert rejected.state == "rejected"
    assert Nonconformance.objects.get().subject_code == lot.code


def test_a_release_taken_back_puts_the_lot_in_quarantine() -> None:
    lot = release(lot_in_test())
    back = services.withdraw_lot_release(lot, actor=somebody(Role.QUALITY), password=PASSWORD, reason="recall")
    assert back.state == "quarantine"
    assert Decision.objects.filter(outcome="withdraw").count() == 1


@pytest.mark.parametrize("state", [s for s in LotState if s != "under_test"])
def test_a_decision_from_any_other_state_is_refused(state: str) -> None:
    lot = lot_in_test()
    Lot.objects.filter(pk=lot.pk).update(state=state)
    for decide in (
        release,
        lambda lot: services.reject_lot(lot, actor=somebody(Role.QUALITY), password=PASSWORD, reason="x"),
    ):
        with pytest.raises(WrongState) as refused:
            decide(lot)
        assert refused.value.extra["allowed"] == MACHINE.allowed(state)


def test_a_failed_result_opens_one_case_and_holds_the_lot() -> None:
    lot = lot_in_test(value=None)
    content = {"quantity": "d50", "value": 7.0, "unit": "um", "u": 0.1}
    services.record_lot_result(lot, actor=somebody(Role.OPERATOR), **content)
    case = Nonconformance.objects.get()
    assert case.subject_code == lot.code
    assert "fail" in case.title
    assert selectors.standing_holds("lot", lot.code).exists()
    services.judge_lot(lot, actor=None)
    assert Nonconformance.objects.count() == 1


def test_closing_the_case_does_not_take_the_failure_away() -> None:
    lot = lot_in_test(value=None)
    services.record_lot_result(lot, actor=somebody(Role.OPERATOR), quantity="d50", value=7.0, unit="um", u=0.1)
    settle(Nonconformance.objects.get(), quality=somebody(Role.QUALITY))
    services.judge_lot(lot, actor=None)
    assert Nonconformance.objects.filter(state="open").count() == 0
    with pytest.raises(Conflict) as refused:
        release(lot)
    assert refused.value.code == "verdict-failed"


def test_of_two_results_the_worse_counts_and_none_is_averaged_away() -> None:
    lot = lot_in_test(value=7.0)
    for _ in range(3):
        add_d50(lot, 5.0)
    (judgement,) = selectors.standing_of_lot(lot).judgements
    assert judgement.outcome == "fail"
    assert judgement.value == pytest.approx(7.0)
    assert len(judgement.evidence) == 4


def test_a_suppliers_value_is_never_judged_in_place_of_our_own() -> None:
    lot = lot_in_test(value=None)
    materials.add_lot_property(
        lot, actor=somebody(Role.OPERATOR), quantity="d50", value=5.0, unit="um", u=0.1, source="supplier"
    )
    (judgement,) = selectors.standing_of_lot(lot).judgements
    assert (judgement.outcome, judgement.judged.why) == ("not_evaluable", "0 of 1 results")


def test_too_few_results_are_not_evaluable() -> None:
    lot = make_lot()
    make_specification(lot.material, LimitSpec("d50", "um", lower=4.0, upper=6.0, results_required=3))
    lot = materials.start_lot_test(lot, actor=somebody(Role.QUALITY))
    add_d50(lot)
    assert selectors.standing_of_lot(lot).judgements[0].judged.why == "1 of 3 results"


def test_a_fault_in_judging_never_passes(monkeypatch) -> None:
    from lims.quality import bridge

    def fault(*args, **kwargs):
        raise ZeroDivisionError("a fault")

    lot = lot_in_test()
    monkeypatch.setattr(bridge, "judge", fault)
    (judgement,) = selectors.standing_of_lot(lot).judgements
    assert judgement.outcome == "not_evaluable"
    with pytest.raises(Conflict):
        release(lot)


def test_a_tighter_version_leaves_tests_that_began_and_old_verdicts_alone() -> None:
    from lims.specifications import services as specifications

    lot = lot_in_test()
    first = selectors.standing_of_lot(lot).versions[0]
    second = specifications.new_specification_version(
        first, actor=somebody(Role.CHEMIST), limits=[LimitSpec("d50", "um", lower=4.0, upper=4.5)]
    )
    second = specifications.approve_specification(second, actor=somebody(Role.QUALITY), password=PASSWORD)
    released = release(lot)
    assert [v.limit.specification_version_id for v in Verdict.objects.all()] == [first.pk]
    assert selectors.would_change(second) == [(released.code, "particle size D50", "fail")]
    assert Verdict.objects.get().outcome == "pass"


@pytest.mark.parametrize("table", ["quality_verdict", "quality_decision", "signatures_signature"])
def test_verdicts_decisions_and_signatures_neither_change_nor_go(table: str) -> None:
    release(lot_in_test())
    with pytest.raises(DatabaseError), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(f"DELETE FROM {table}")
