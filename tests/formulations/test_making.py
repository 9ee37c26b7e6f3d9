"""From the step that is begun to the batch made anew: timer, tests and their limits, photographs, yield, rework."""

from __future__ import annotations

import io
from decimal import Decimal

import pytest
from PIL import Image

from lims.accounts.roles import Role
from lims.cases.models import Hold, Nonconformance
from lims.cases.services import lift_hold, open_nonconformance
from lims.core.errors import Conflict, Invalid
from lims.files.selectors import open_file
from lims.formulations import selectors, services
from lims.materials.selectors import reserved_for
from lims.materials.services import give_back_stock
from tests.factories import (
    PASSWORD,
    make_batch,
    make_made_batch,
    make_released_lot,
    make_version,
    settle,
    somebody,
    weigh_all,
)

pytestmark = pytest.mark.django_db


def in_process():
    return services.close_weighing(weigh_all(make_batch()), actor=somebody(Role.CHEMIST))


def test_a_step_is_begun_once_and_only_in_its_turn() -> None:
    batch, chemist = in_process(), somebody(Role.CHEMIST)
    with pytest.raises(Conflict, match="Step 1 comes before step 2"):
        services.begin_step(batch, actor=chemist, position=2)
    begun = services.begin_step(batch, actor=chemist, position=1)
    assert services.begin_step(batch, actor=chemist, position=1) == begun
    done = services.do_step(batch, actor=chemist, position=1, speed=20.0, duration=600.0)
    assert done.started_at == begun.at


def test_a_low_yield_is_taken_only_with_a_reason_and_marks_the_batch() -> None:
    batch, chemist = in_process(), somebody(Role.CHEMIST)
    services.do_step(batch, actor=chemist, position=1, speed=20.0, duration=600.0)
    second = {"seen_by": somebody(Role.OPERATOR), "seen_password": PASSWORD}
    services.do_step(batch, actor=chemist, position=2, pressure=500.0, duration=300.0, **second)
    # 0.9 of 0.25 kg is 0.225 kg
    with pytest.raises(Invalid) as refused:
        services.finish_batch(batch, actor=chemist, yield_mass=Decimal("0.224"))
    assert refused.value.code == "yield-low"
    made = services.finish_batch(batch, actor=chemist, yield_mass=Decimal("0.224"), reason="some stayed in the vessel")
    assert (made.deviated, made.yield_reason) == (True, "some stayed in the vessel")


def test_a_photograph_keeps_its_bytes_and_what_is_no_picture_is_refused() -> None:
    batch, out = weigh_all(make_batch()), io.BytesIO()
    Image.new("RGB", (900, 600), "grey").save(out, "PNG")
    content = {"actor": somebody(Role.CHEMIST), "name": "vessel.png"}
    photo = services.add_batch_photo(batch, photo=io.BytesIO(out.getvalue()), **content)
    assert photo.file.size == len(out.getvalue())
    with open_file(photo.small) as small:
        assert max(Image.open(small).size) == 480
    with pytest.raises(Invalid, match="no picture"):
        services.add_batch_photo(batch, photo=io.BytesIO(b"not a picture"), **content)


def test_a_batch_is_made_anew_only_where_a_nonconformance_says_so() -> None:
    batch, quality = make_made_batch(), somebody(Role.QUALITY)
    with pytest.raises(Conflict):
        services.rework_batch(batch, actor=quality, reason="too stiff")
    case = open_nonconformance(batch, actor=somebody(Role.CHEMIST), title="too stiff")
    settle(case, quality=quality, action="made anew", disposition="rework")
    anew = services.rework_batch(batch, actor=quality, reason="too stiff")
    batch.refresh_from_db()
    assert batch.state == "reworked"
    assert (anew.parent, anew.state, anew.target_mass) == (batch, "planned", batch.target_mass)


def test_limits_of_the_version_hold_for_the_tests_of_its_batches() -> None:
    chemist = somebody(Role.CHEMIST)
    draft = services.new_version(make_version(), actor=chemist, reason="limits of density")
    with pytest.raises(Invalid, match="Limit 1: the lower limit lies above"):
        services.set_test_limits(draft, actor=chemist, tests=[services.LimitOfTest("density", 2900.0, 2700.0)])
    services.set_test_limits(draft, actor=chemist, tests=[services.LimitOfTest("density", 2700.0, 2900.0)])
    services.submit_version(draft, actor=chemist)
    version = services.approve_version(draft, actor=somebody(Role.QUALITY), password=PASSWORD)
    batch = weigh_all(make_batch(version))
    assert batch.frozen["tests"] == [{"test": "density", "lower": 2700.0, "upper": 2900.0}]
    sent = {"actor": chemist, "test": "density", "value": 2.65, "unit": "g/cm^3"}
    with pytest.raises(Invalid, match="The formulation sets the limits"):
        services.add_batch_test(batch, lower=2.0, **sent)
    with pytest.raises(Invalid) as refused:
        services.add_batch_test(batch, **sent)
    assert refused.value.code == "test-outside"
    low = services.add_batch_test(batch, reason="air in the cup", **sent)
    again = services.add_batch_test(batch, **sent | {"value": 2.8, "replaces": low, "reason": "read anew, degassed"})
    assert (low.outside, again.outside) == (True, False)
    with pytest.raises(Conflict, match="corrected already"):
        services.add_batch_test(batch, **sent | {"value": 2.8, "replaces": low, "reason": "twice"})
    assert [row["row"] for row in selectors.tests_of(batch)] == [again]
    assert [(note.old, note.new) for note in selectors.notes_of(batch)] == [("2.65 g/cm^3", "2.8 g/cm^3")]


def test_after_the_hold_is_answered_the_rest_of_a_corrected_batch_is_weighed_to_its_new_targets() -> None:
    batch, chemist = make_batch(), somebody(Role.CHEMIST)
    one, two = batch.lines.order_by("position")
    sent = {"actor": chemist, "balance": "BAL-01", "meant": True}
    # 0.225 kg and 0.025 kg are 90 % and 10 %: 0.270 kg of the first asks for 0.030 kg of the second
    lot = make_released_lot(one.material)
    services.weigh(one, lot=lot, net=Decimal("0.270"), reason="poured too fast", correct=True, **sent)
    second = {"lot": make_released_lot(two.material), "net": Decimal("0.030")}
    with pytest.raises(Conflict) as refused:
        services.weigh(two, **second, **sent)
    assert refused.value.code == "on-hold"
    lift_hold(Hold.objects.get(lifted_at=None), actor=somebody(Role.QUALITY), reason="the proportions hold")
    assert not services.weigh(two, **second, **sent).deviates
    assert Nonconformance.objects.get(subject_code=batch.code).state == "open"


def test_stock_kept_for_a_batch_is_given_back_by_hand_with_a_reason() -> None:
    line = make_batch().lines.get(position=1)
    lot, chemist = make_released_lot(line.material), somebody(Role.CHEMIST)
    planned = services.plan_batch(line.batch.recipe, actor=chemist, target_mass=Decimal("0.1"))
    assert reserved_for(planned.code) == [(lot, Decimal("0.09"))]
    with pytest.raises(Invalid):
        give_back_stock(lot, actor=chemist, cause=planned.code, reason=" ")
    give_back_stock(lot, actor=chemist, cause=planned.code, reason="another batch comes first")
    assert reserved_for(planned.code) == []
    with pytest.raises(Conflict, match="Nothing of"):
        give_back_stock(lot, actor=chemist, cause=planned.code, reason="again")
