"""How long a lot lasts (MAT-07): opening, retest and expiry act by themselves; only a signed retest lengthens it."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from unittest import mock

import pytest
from django.db import IntegrityError, transaction
from django.utils import timezone

from lims.accounts.roles import Role
from lims.core.errors import Conflict, Invalid, NotAllowed
from lims.formulations import services as formulations
from lims.materials import selectors, services
from lims.materials.models import Lot
from lims.quality import services as quality
from lims.signatures.models import Signature
from tests.factories import PASSWORD, add_d50, make_batch, make_lot, make_released_lot, make_specification, somebody

pytestmark = pytest.mark.django_db
TODAY = timezone.localdate


def weigh(line, lot, **facts):
    return formulations.weigh(
        line, actor=somebody(Role.SERVICE), lot=lot, net=line.target, balance="BAL-01", captured=True, **facts
    )


def on_day(day):
    """The same code as on another day: the clock is the one thing tests may stand in for."""
    return mock.patch("django.utils.timezone.localdate", return_value=day)


def test_the_first_weighing_asks_for_the_opening_date_of_a_lot_with_a_life_in_use() -> None:
    line = make_batch().lines.order_by("position")[0]
    lot = make_released_lot(line.material, in_use_days=30, received_on=TODAY() - timedelta(days=9))
    with pytest.raises(Invalid) as asked:
        weigh(line, lot)
    assert (asked.value.code, list(asked.value.fields)) == ("opening-date-needed", ["opened_on"])
    with pytest.raises(Invalid, match="cannot have been opened"):
        weigh(line, lot, opened_on=TODAY() - timedelta(days=10))
    weigh(line, lot, opened_on=TODAY() - timedelta(days=3))
    lot.refresh_from_db()
    assert lot.usable_until == TODAY() + timedelta(days=27)


@pytest.mark.parametrize("end", ["expiry", "life in use", "retest"])
def test_the_day_after_its_last_a_lot_cannot_be_used_without_anyone_acting(end: str) -> None:
    line, last = make_batch().lines.order_by("position")[0], TODAY() + timedelta(days=20)
    dates = {
        "expiry": {"expires_on": last},
        "life in use": {"in_use_days": 20},
        "retest": {"retest_on": last, "expires_on": last + timedelta(days=300)},
    }
    lot = make_released_lot(line.material, **dates[end])
    services.open_lot(lot, actor=somebody(Role.OPERATOR), opened_on=TODAY())
    lot.refresh_from_db()
    with on_day(last):
        assert not lot.expired
        assert [row.code for row in selectors.lots_to_weigh(line.material).usable] == [lot.code]
    with on_day(last + timedelta(days=1)):
        assert lot.expired or (end == "retest" and lot.retest_due)
        assert selectors.lots_to_weigh(line.material).usable == []
        assert (end != "retest") == (selectors.lots(state="expired").filter(pk=lot.pk).exists())
        with pytest.raises(Conflict) as refused:
            weigh(line, lot)
        assert refused.value.code == ("lot-retest-due" if end == "retest" else "lot-expired")


def lengthen(lot, results, *, actor=None, days=400, retest_on=None, **facts):
    return quality.extend_lot_life(
        lot,
        actor=actor or somebody(Role.QUALITY),
        life=services.NewLife(TODAY() + timedelta(days=days), retest_on, tuple(results)),
        reason="size as on the first day",
        **({"password": PASSWORD} | facts),
    )


def test_a_signed_retest_lengthens_the_life_and_names_its_results() -> None:
    lot = make_released_lot(in_use_days=10, expires_on=TODAY() + timedelta(days=5))
    services.open_lot(lot, actor=somebody(Role.OPERATOR), opened_on=TODAY())
    add_d50(lot)
    result = lot.properties.get()
    lot = lengthen(lot, [result], retest_on=TODAY() + timedelta(days=200))
    lot.refresh_from_db()
    assert lot.usable_until == TODAY() + timedelta(days=400)
    assert lot.retest_on == TODAY() + timedelta(days=200)
    signature = Signature.objects.get(subject_code=lot.code)
    assert signature.content["results"] == [f"{result.pk}: d50 {result.as_entered}"]
    assert selectors.extensions_of(lot)[0].signature == signature


def test_without_a_result_of_a_retest_no_life_is_lengthened() -> None:
    lot, other = make_lot(), make_lot()
    quality_person = somebody(Role.QUALITY)
    add_d50(lot)
    early = lot.properties.get()
    services.start_lot_test(lot, actor=quality_person)
    quality.release_lot(lot, actor=quality_person, password=PASSWORD, reason="no limits yet")
    lot.refresh_from_db()
    with pytest.raises(Invalid, match="only by a retest") as refused:
        lengthen(lot, [])
    assert refused.value.code == "no-retest-result"
    with pytest.raises(Invalid, match="entered before the release"):
        lengthen(lot, [early])
    add_d50(other)
    with pytest.raises(Invalid, match="another lot"):
        lengthen(lot, [other.properties.get()])
    theirs = services.add_lot_property(
        lot, actor=somebody(Role.OPERATOR), quantity="d50", value=5.0, unit="um", source="supplier"
    )
    with pytest.raises(Invalid, match="no retest"):
        lengthen(lot, [theirs])
    assert not Signature.objects.filter(meaning="approved").exists()


def test_who_tested_cannot_sign_a_wrong_password_signs_nothing_and_a_result_serves_once() -> None:
    lot = make_released_lot()
    mine = services.add_lot_property(lot, actor=somebody(Role.QUALITY), quantity="d50", value=5.0, unit="um")
    with pytest.raises(NotAllowed, match="took part"):
        lengthen(lot, [mine])
    add_d50(lot)
    result = lot.properties.exclude(pk=mine.pk).get()
    with pytest.raises(NotAllowed, match="password"):
        lengthen(lot, [result], password="wrong")
    with pytest.raises(NotAllowed):
        lengthen(lot, [result], actor=somebody(Role.CHEMIST))
    lengthen(lot, [result])
    with pytest.raises(Invalid, match="used for a longer life before"):
        lengthen(lot, [result], days=500)


def test_a_retest_outside_the_limits_lengthens_nothing() -> None:
    lot = make_released_lot()
    make_specification(lot.material)
    add_d50(lot, 9.0)
    with pytest.raises(Conflict) as refused:
        lengthen(lot, [lot.properties.get()])
    assert refused.value.code == "verdict-failed"


@pytest.mark.parametrize(
    "change",
    [{"expires_on": None}, {"expires_on": "2099-01-01"}, {"retest_on": "2099-01-01"}, {"in_use_days": 99}],
)
def test_the_database_itself_lengthens_no_life_without_a_retest(change) -> None:
    lot = make_lot(retest_on=TODAY() + timedelta(days=50), in_use_days=20)
    with pytest.raises(IntegrityError, match="only by a signed retest"), transaction.atomic():
        Lot.objects.filter(pk=lot.pk).update(**change)
    Lot.objects.filter(pk=lot.pk).update(expires_on=TODAY(), in_use_days=10)


def test_the_opening_date_stands_once_it_is_written() -> None:
    lot = services.open_lot(make_lot(), actor=somebody(Role.OPERATOR), opened_on=TODAY())
    with pytest.raises(Conflict, match="already"):
        services.open_lot(lot, actor=somebody(Role.OPERATOR), opened_on=TODAY())
    assert selectors.on_hand(lot) == Decimal(25)
