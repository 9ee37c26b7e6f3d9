"""Weighing into a batch (MAT-03, FRM-05, FRM-06, FRM-07)."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import pytest
from django.db import DatabaseError, connection, transaction
from django.utils import timezone

from lims.accounts.roles import Role
from lims.cases.models import Nonconformance
from lims.cases.services import place_hold
from lims.core.errors import Conflict, Invalid, NotAllowed, Refusal
from lims.formulations import selectors, services
from lims.formulations.models import Batch, Weighing
from lims.materials import selectors as materials
from lims.materials.models import Lot
from tests.factories import (
    make_batch,
    make_lot,
    make_material,
    make_released_lot,
    make_version,
    person,
    somebody,
    weigh_all,
)

pytestmark = pytest.mark.django_db


def first_line(batch: Batch | None = None):
    return (batch or make_batch()).lines.order_by("position").first()


def weigh(line, net: str = "0.225", **facts):
    lot = facts.pop("lot", None) or Lot.objects.filter(material=line.material, state="released").first()
    content = {"actor": somebody(Role.CHEMIST), "balance": "BAL-01"} | facts
    return services.weigh(line, lot=lot or make_released_lot(line.material), net=Decimal(net), **content)


def test_a_weighing_keeps_what_who_when_and_takes_from_stock() -> None:
    line = first_line()
    wrong_clock = timezone.now() + timedelta(days=1)
    row = weigh(line, as_entered="225.0 g", device_time=wrong_clock, container="2", tare=Decimal("0.0125"))
    assert (row.net, row.as_entered, row.balance, row.captured) == (Decimal("0.225"), "225.0 g", "BAL-01", False)
    assert abs(row.at - timezone.now()) < timedelta(minutes=1)
    assert row.device_time == wrong_clock
    assert materials.on_hand(row.lot) == Decimal("24.775")
    line.batch.refresh_from_db()
    assert line.batch.state == "weighing"
    assert line.batch.started_at is not None


@pytest.mark.parametrize("state", ["quarantine", "under_test", "rejected", "disposed", "void"])
def test_only_a_released_lot_is_weighed(state: str) -> None:
    line = first_line()
    lot = make_lot(line.material)
    Lot.objects.filter(pk=lot.pk).update(state=state)
    with pytest.raises(Conflict) as refused:
        weigh(line, lot=lot)
    assert (refused.value.status, refused.value.code) == (409, "lot-not-released")
    assert not Weighing.objects.exists()
    assert materials.on_hand(lot) == 25


@pytest.mark.parametrize("why", ["expired", "opened too long", "held"])
def test_a_lot_that_lapsed_or_is_held_is_not_weighed(why: str) -> None:
    line, today = first_line(), timezone.localdate()
    lot = make_released_lot(line.material)
    if why == "expired":
        Lot.objects.filter(pk=lot.pk).update(expires_on=today - timedelta(days=1))
    elif why == "opened too long":
        Lot.objects.filter(pk=lot.pk).update(opened_on=today - timedelta(days=31), in_use_days=30)
    else:
        place_hold(lot, actor=somebody(Role.OPERATOR), reason="smells odd")
    with pytest.raises(Conflict) as refused:
        weigh(line, lot=lot)
    assert refused.value.code == ("on-hold" if why == "held" else "lot-expired")


def test_a_lot_may_be_weighed_on_its_last_day_and_not_on_the_next() -> None:
    line, today = first_line(), timezone.localdate()
    lot = make_released_lot(line.material, expires_on=today)
    assert weigh(line, lot=lot).pk
    assert not lot.expired
    Lot.objects.filter(pk=lot.pk).update(expires_on=today - timedelta(days=1))
    lot.refresh_from_db()
    assert lot.expired


def test_the_lots_offered_say_how_many_are_hidden_and_why() -> None:
    material = make_material()
    good, waiting, old = make_released_lot(material), make_lot(material), make_released_lot(material)
    Lot.objects.filter(pk=old.pk).update(expires_on=timezone.localdate() - timedelta(days=1))
    choice = materials.lots_to_weigh(material)
    assert choice.usable == [good]
    assert choice.hidden == {"quarantine": [waiting.code], "expired": [old.code]}
    assert "2 lots not offered" in choice.words


def test_a_lot_of_another_material_is_refused_naming_both() -> None:
    line = first_line()
    lot = make_released_lot(make_material("zinc oxide, fine"))
    with pytest.raises(Invalid) as refused:
        weigh(line, lot=lot)
    assert refused.value.code == "wrong-material"
    assert "zinc oxide, fine" in refused.value.message
    assert line.material.name in refused.value.message


def test_outside_the_tolerance_a_reason_is_needed_and_the_composition_is_recomputed() -> None:
    # FRM-06: target 250.0 g, tolerance 0.5 g, entered 252.1 g: +0.84 %
    version = make_version(shares={"alumina, round, 5 um": "0.5", "silicone fluid": "0.5"})
    batch = make_batch(version, target_mass="0.5")
    line = first_line(batch)
    line.tolerance = Decimal("0.0005")
    line.save()
    with pytest.raises(Invalid, match=r"\+0\.84 %") as refused:
        weigh(line, "0.2521")
    assert refused.value.code == "outside-tolerance"
    row = weigh(line, "0.2521", reason="the spatula slipped")
    assert row.deviates
    weigh(batch.lines.get(position=2), "0.25")
    made = selectors.sheet_of(batch).as_made
    assert [line.made for line in made] == [
        pytest.approx(Decimal("50.2091"), abs=Decimal("0.0001")),
        pytest.approx(Decimal("49.7909"), abs=Decimal("0.0001")),
    ]
    assert not Nonconformance.objects.exists()


def test_beyond_the_outer_limit_a_nonconformance_opens_and_holds_the_batch() -> None:
    line = first_line()
    weigh(line, "0.2305", reason="poured too fast")
    case = Nonconformance.objects.get()
    assert (case.subject_kind, case.subject_code) == ("batch", line.batch.code)
    line.batch.refresh_from_db()
    assert line.batch.deviated
    with pytest.raises(Conflict) as refused:
        weigh(line.batch.lines.get(position=2), "0.025")
    assert refused.value.code == "on-hold"


@pytest.mark.parametrize("net", ["0.0225", "0.00225", "0.000225", "2.25", "22.5"])
def test_a_number_ten_times_off_is_asked_about_and_taken_when_meant(net: str) -> None:
    line = first_line()
    make_released_lot(line.material, mass="100")
    with pytest.raises(Invalid) as refused:
        weigh(line, net)
    assert (refused.value.status, refused.value.code) == (422, "unit-slip")
    assert weigh(line, net, meant=True, reason="a first portion", more=True).net == Decimal(net)


def test_a_line_is_weighed_in_portions_of_two_lots() -> None:
    line = first_line()
    one, two = make_released_lot(line.material), make_released_lot(line.material)
    weigh(line, "0.1", lot=one, more=True)
    assert not selectors.sheet_of(line.batch).lines[0].done
    weigh(line, "0.125", lot=two)
    sheet = selectors.sheet_of(line.batch)
    assert sheet.lines[0].done
    assert sheet.lines[0].total == Decimal("0.225")
    assert selectors.lots_in_batch(line.batch) == [one, two]


def test_a_correction_is_a_new_row_with_its_reason_and_corrects_the_stock() -> None:
    line = first_line()
    first = weigh(line)
    with pytest.raises(Invalid, match="Say why"):
        services.correct_weighing(first, actor=first.by, net=Decimal("0.2252"), reason=" ")
    second = services.correct_weighing(first, actor=first.by, net=Decimal("0.2252"), reason="read 2 for 0")
    sheet = selectors.sheet_of(line.batch)
    assert sheet.lines[0].weighings == [second]
    assert sheet.lines[0].corrected == [first]
    assert materials.on_hand(first.lot) == Decimal("25") - Decimal("0.2252")
    with pytest.raises(Conflict):
        services.correct_weighing(first, actor=first.by, net=Decimal("0.2251"), reason="again")


def test_a_chemist_corrects_only_own_weighings_quality_any() -> None:
    row, other = weigh(first_line()), person(Role.CHEMIST, username="other")
    with pytest.raises(NotAllowed) as refused:
        services.correct_weighing(row, actor=other, net=Decimal("0.2252"), reason="x")
    assert refused.value.code == "not-own-record"
    assert services.correct_weighing(row, actor=somebody(Role.QUALITY), net=Decimal("0.2252"), reason="x").pk


@pytest.mark.parametrize(
    "sql",
    ["UPDATE formulations_weighing SET net = 1 WHERE id = %s", "DELETE FROM formulations_weighing WHERE id = %s"],
)
def test_the_database_refuses_a_change_of_a_weighing(sql: str) -> None:
    row = weigh(first_line())
    with pytest.raises(DatabaseError), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(sql, [row.pk])


def test_a_second_person_checks_a_typed_weighing_never_the_first() -> None:
    row = weigh(first_line())
    with pytest.raises(NotAllowed) as refused:
        services.check_weighing(row, actor=row.by)
    assert (refused.value.status, refused.value.code) == (403, "own-work")
    assert services.check_weighing(row, actor=somebody(Role.OPERATOR)).by == somebody(Role.OPERATOR)
    with pytest.raises(Conflict):
        services.check_weighing(row, actor=somebody(Role.QUALITY))


def test_a_balance_sends_a_captured_weighing_that_needs_no_check() -> None:
    row = weigh(first_line(), actor=somebody(Role.SERVICE), captured=True)
    assert row.captured
    assert selectors.sheet_of(row.line.batch).unchecked == []


def test_a_person_cannot_say_that_a_weighing_was_captured() -> None:
    line = first_line()
    with pytest.raises(NotAllowed) as refused:
        weigh(line, captured=True)
    assert (refused.value.status, refused.value.code) == (403, "captured-by-person")
    assert not line.weighings.exists()


def test_weighing_is_closed_when_every_line_is_weighed_and_every_typed_one_checked() -> None:
    batch, chemist = make_batch(), somebody(Role.CHEMIST)
    one, two = batch.lines.order_by("position")
    row = weigh(one)
    with pytest.raises(Conflict) as refused:
        services.close_weighing(batch, actor=chemist)
    assert len(refused.value.extra["missing"]) == 2
    weigh(two, "0.025", captured=True, actor=somebody(Role.SERVICE))
    with pytest.raises(Conflict, match="not seen by a second person: line 1"):
        services.close_weighing(batch, actor=chemist)
    services.check_weighing(row, actor=somebody(Role.OPERATOR))
    assert services.close_weighing(batch, actor=chemist).state == "processing"
    with pytest.raises(Conflict) as late:
        services.correct_weighing(row, actor=chemist, net=Decimal("0.2251"), reason="late")
    assert late.value.code == "weights-locked"


def test_a_line_is_left_out_only_with_a_reason_and_marks_the_batch() -> None:
    line = first_line()
    with pytest.raises(Invalid):
        services.skip_line(line, actor=somebody(Role.CHEMIST), reason="")
    services.skip_line(line, actor=somebody(Role.CHEMIST), reason="trial without filler")
    batch = Batch.objects.get(pk=line.batch_id)
    assert batch.deviated
    assert selectors.sheet_of(batch).lines[0].done
    with pytest.raises(Conflict):
        weigh(line)


def test_each_role_weighs_and_checks_only_where_the_table_says_so() -> None:
    batch = make_batch()
    row = weigh(first_line(batch), captured=False)
    people = {r.name: person(r, username=f"second-{r.value}") for r in Role} | {"OUTSIDER": person(None)}
    two = batch.lines.get(position=2)
    make_released_lot(two.material)
    for name, user in people.items():
        if name in ("CHEMIST", "SERVICE"):
            assert weigh(two, "0.001", actor=user, more=True).by == user
        else:
            with pytest.raises(NotAllowed):
                weigh(two, "0.001", actor=user, more=True)
        if name not in ("CHEMIST", "OPERATOR", "QUALITY"):
            with pytest.raises(NotAllowed):
                services.check_weighing(row, actor=user)


def test_an_exploratory_batch_may_use_a_lot_in_quarantine_but_no_rejected_one() -> None:
    lot = make_lot()
    lines = [services.LineSpec(lot.material, Decimal(1))]
    batch = services.plan_exploratory_batch(
        actor=somebody(Role.CHEMIST), name="try", target_mass=Decimal("0.1"), lines=lines
    )
    weigh(first_line(batch), "0.1", lot=lot)
    Lot.objects.filter(pk=lot.pk).update(state="rejected")
    with pytest.raises(Conflict):
        weigh(first_line(batch), "0.1", lot=lot, reason="more", meant=True)


def test_the_same_key_weighs_once() -> None:
    line = first_line()
    lot = make_released_lot(line.material)
    first, second = weigh(line, lot=lot, key="tap"), weigh(line, lot=lot, key="tap")
    assert first.pk == second.pk
    assert materials.on_hand(lot) == Decimal("24.775")


def test_weigh_all_closes_and_the_history_of_the_batch_names_each_weighing() -> None:
    from lims.audit.selectors import history_of

    batch = weigh_all(make_batch())
    acts = list(history_of("batch", batch.code).values_list("act", flat=True))
    assert acts.count("batch.weigh") == 2
    changed = [c for e in history_of("batch", batch.code) for c in e.changes if c["field"] == "net"]
    assert all(c["confidential"] for c in changed)


def test_nothing_is_left_when_a_refusal_stops_a_weighing_half_way() -> None:
    line = first_line()
    lot = make_released_lot(line.material, mass="0.1")
    with pytest.raises(Refusal):
        weigh(line, lot=lot)
    line.batch.refresh_from_db()
    assert line.batch.state == "planned"
    assert not Weighing.objects.exists()
