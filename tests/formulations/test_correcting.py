"""Too much of one line, and two entries of one line: what becomes of the rest (FRM-06, FRM-08, FRM-10)."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import pytest
from django.utils import timezone
from hypothesis import given
from hypothesis import strategies as st

from lims.accounts.roles import Role
from lims.core.errors import Conflict, Invalid, NotAllowed
from lims.formulations import selectors, services
from lims.formulations.services.correcting import rescaled
from lims.materials import selectors as materials
from tests.factories import PASSWORD, make_batch, make_made_batch, make_released_lot, person, somebody

MASSES = st.decimals(min_value="0.0001", max_value="50", places=6)


@given(st.lists(st.tuples(MASSES, st.one_of(st.just(Decimal(0)), MASSES)), min_size=1, max_size=8))
def test_new_targets_keep_the_proportions_and_never_ask_to_take_anything_out(lines) -> None:
    total = sum(target for target, _ in lines)
    shares = {n: target / total for n, (target, _) in enumerate(lines)}
    weighed = {n: mass for n, (_, mass) in enumerate(lines)}
    if not any(weighed.values()):
        weighed[0] = Decimal("0.001")
    new = rescaled(shares, weighed=weighed)
    whole = max(weighed[n] / shares[n] for n in shares)
    for n, share in shares.items():
        assert new[n] >= weighed[n] >= 0
        assert abs(new[n] - share * whole) <= Decimal("2e-9")


@pytest.mark.django_db
def test_too_much_of_the_filler_gives_the_fluid_a_new_target_and_a_record() -> None:
    batch, chemist = make_batch(), somebody(Role.CHEMIST)
    one, two = batch.lines.order_by("position")
    facts = {"actor": chemist, "lot": make_released_lot(one.material), "balance": "BAL-01"}
    proposal = services.correction_for(selectors.sheet_of(batch), position=1, net=Decimal("0.228"))
    assert proposal.lines[1].new == pytest.approx(Decimal("0.228") / 9, abs=Decimal("1e-9"))
    assert services.weigh(one, net=Decimal("0.228"), reason="poured on", correct=True, **facts).deviates is False
    two.refresh_from_db()
    assert two.target == proposal.lines[1].new
    kept = batch.rescalings.get()
    assert (kept.by, kept.reason, kept.old_mass) == (chemist, "poured on", Decimal("0.25"))
    services.weigh(two, **facts | {"lot": make_released_lot(two.material)}, net=two.target)
    made = selectors.sheet_of(batch).as_made
    assert [round(line.made, 4) for line in made] == [90, 10]
    assert "line 2, target" in [note.where for note in selectors.notes_of(batch)]


@pytest.mark.django_db
@pytest.mark.parametrize(("choice", "total"), [("both", "0.225"), ("mine", "0.225"), ("theirs", "0.112")])
def test_a_stale_entry_is_shown_beside_the_other_and_loses_nothing(choice: str, total: str) -> None:
    batch, other = make_batch(), person(Role.CHEMIST, username="other")
    line = batch.lines.get(position=1)
    lot = make_released_lot(line.material)
    theirs = services.weigh(line, actor=other, lot=lot, net=Decimal("0.112"), balance="B", more=True)
    mine = {"actor": somebody(Role.CHEMIST), "lot": lot, "balance": "B", "seen": 0}
    net = Decimal("0.113") if choice == "both" else Decimal("0.225")
    with pytest.raises(Conflict) as refused:
        services.weigh(line, net=net, **mine)
    assert (refused.value.code, refused.value.extra["standing"]) == ("weighed-meanwhile", str(theirs.net))
    services.weigh(line, net=net, choice=choice, reason="looked into the vessel", **mine)
    assert selectors.sheet_of(batch).lines[0].total == Decimal(total)
    assert materials.on_hand(lot) == Decimal(25) - Decimal(total)
    assert len(selectors.notes_of(batch)) == (0 if choice == "both" else 1)


@pytest.mark.django_db
def test_a_balance_that_lapsed_yesterday_is_used_only_by_the_word_of_quality() -> None:
    keeper, quality = somebody(Role.RIG_KEEPER), somebody(Role.QUALITY)
    yesterday = timezone.localdate() - timedelta(days=1)
    services.add_equipment(actor=keeper, code="BAL-07", name="bench", kind="balance", calibration_due=yesterday)
    batch = make_batch()
    line = batch.lines.get(position=1)
    facts = {"lot": make_released_lot(line.material), "net": Decimal("0.225"), "balance": "BAL-07"}
    facts["actor"] = somebody(Role.CHEMIST)
    with pytest.raises(Conflict, match=f"{yesterday:%Y-%m-%d}") as refused:
        services.weigh(line, **facts)
    assert (refused.value.status, refused.value.code) == (409, "equipment-not-fit")
    word = {"override_password": PASSWORD, "override_reason": "checked with a mass piece"}
    with pytest.raises(NotAllowed):
        services.weigh(line, override_by=somebody(Role.CHEMIST), **word, **facts)
    made = services.weigh(line, override_by=quality, **word, **facts)
    assert (made.overridden_by, made.override_reason) == (quality, "checked with a mass piece")


@pytest.mark.django_db
def test_a_plan_keeps_stock_of_the_lot_that_expires_first_and_giving_up_gives_it_back() -> None:
    line = make_batch().lines.get(position=1)
    late = make_released_lot(line.material, expires_on=timezone.localdate() + timedelta(days=90))
    soon = make_released_lot(line.material, mass="0.1", expires_on=timezone.localdate() + timedelta(days=9))
    keeper = somebody(Role.RIG_KEEPER)
    services.add_equipment(
        actor=keeper, code="BAL-08", name="x", kind="balance", resolution=Decimal("0.0001"), needs_calibration=False
    )
    planned = services.plan_batch(
        line.batch.recipe, actor=somebody(Role.CHEMIST), target_mass=Decimal("0.33333"), balance="bal-08"
    )
    assert planned.lines.get(position=1).target == Decimal("0.3000")
    assert planned.lines.get(position=2).target == Decimal("0.0333")
    kept = dict(materials.reserved_for(planned.code))
    assert kept == {soon: Decimal("0.1"), late: Decimal("0.2")}
    services.abort_batch(planned, actor=somebody(Role.CHEMIST), reason="not needed")
    assert materials.reserved_for(planned.code) == []


@pytest.mark.django_db
def test_in_process_tests_yield_and_timer_are_judged_and_a_correction_is_a_footnote() -> None:
    batch, chemist = make_made_batch(), somebody(Role.CHEMIST)
    assert selectors.notes_of(batch) == []
    content = {"actor": chemist, "test": "density", "unit": "g/cm^3", "lower": 2.5, "upper": 2.7}
    with pytest.raises(Invalid) as refused:
        services.add_batch_test(batch, value=2.9, **content)
    assert refused.value.code == "test-outside"
    first = services.add_batch_test(batch, value=2.9, u=0.02, reason="air in it", **content)
    assert (first.value, first.u, first.outside) == (pytest.approx(2900.0), pytest.approx(20.0), True)
    services.add_batch_test(batch, value=2.6, reason="read anew", replaces=first, **content)
    (note,) = selectors.notes_of(batch)
    assert (note.old, note.new, note.by, note.why) == ("2.9 g/cm^3", "2.6 g/cm^3", chemist, "read anew")
    assert len(selectors.tests_of(batch)) == 1
