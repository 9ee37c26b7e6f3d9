"""Calibrate a sensor: intervals that follow one another, never edited."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.db import DatabaseError, IntegrityError, transaction
from django.db.backends.postgresql.psycopg_any import DateTimeTZRange
from django.utils import timezone

from lims.accounts.roles import Role
from lims.cases.models import Nonconformance
from lims.core.errors import Conflict, Invalid, NotAllowed, WrongState
from lims.rigs import services
from lims.rigs.models import Calibration, Sensor
from lims.rigs.readiness import channel_states, refuse_unusable
from tests.factories import make_rig, somebody

pytestmark = pytest.mark.django_db


def calibrate(sensor: Sensor, **changes: Any) -> Calibration:
    content: dict[str, Any] = {
        "actor": somebody(Role.RIG_KEEPER),
        "valid_from": timezone.now(),
        "due_on": timezone.localdate() + timedelta(days=300),
        "unit": "N",
        "u": 0.5,
        "reference": "deadweights",
    }
    return services.approve_calibration(services.calibrate(sensor, **(content | changes)), actor=somebody(Role.QUALITY))


def force_sensor() -> Sensor:
    return make_rig().sensors.get(quantity="force")


def test_a_new_calibration_ends_the_last_one_where_it_begins() -> None:
    sensor = force_sensor()
    old = sensor.calibrations.get()
    new = calibrate(sensor, gain=1.01)
    old.refresh_from_db()
    assert old.period.upper == new.period.lower
    assert new.period.upper is None
    assert old.gain == 1.0


def test_one_that_begins_before_the_last_is_refused() -> None:
    sensor = force_sensor()
    with pytest.raises(Conflict) as caught:
        calibrate(sensor, valid_from=timezone.now() - timedelta(days=60))
    assert caught.value.code == "calibration-overlaps"
    assert sensor.calibrations.count() == 1


def test_the_database_refuses_overlapping_intervals() -> None:
    standing = force_sensor().calibrations.get()
    copy = Calibration(
        sensor=standing.sensor, due_on=standing.due_on, unit="N", u=1.0, reference="x", done_by=standing.done_by,
        period=DateTimeTZRange(timezone.now(), None),
    )  # fmt: skip
    with pytest.raises(IntegrityError, match="calibration_periods_apart"), transaction.atomic():
        Calibration.objects.bulk_create([copy])


@pytest.mark.parametrize("change", [{"gain": 1.5}, {"u": 0.1}, {"due_on": "2031-01-01"}])
def test_the_database_refuses_an_edit(change: dict[str, Any]) -> None:
    sensor = force_sensor()
    with pytest.raises(DatabaseError, match="never edited"), transaction.atomic():
        sensor.calibrations.update(**change)


def test_the_database_refuses_to_open_a_closed_interval_or_to_delete() -> None:
    sensor = force_sensor()
    calibrate(sensor)
    closed = sensor.calibrations.get(period__endswith__isnull=False)
    with pytest.raises(DatabaseError, match="never edited"), transaction.atomic():
        Calibration.objects.filter(pk=closed.pk).update(period=DateTimeTZRange(closed.period.lower, timezone.now()))
    with pytest.raises(DatabaseError, match="never_deleted"), transaction.atomic():
        sensor.calibrations.all().delete()


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"unit": "kg"}, "unit"),
        ({"unit": ""}, "unit"),
        ({"unit": "kN"}, "unit"),
        ({"gain": 0.0}, "gain"),
        ({"due_on": timezone.localdate() - timedelta(days=1)}, "due_on"),
    ],
)
def test_what_cannot_be_right_is_refused_by_its_field(change: dict[str, Any], field: str) -> None:
    with pytest.raises(Invalid) as caught:
        calibrate(force_sensor(), **change)
    assert set(caught.value.fields) == {field}


def test_overdue_begins_the_day_after_the_due_day() -> None:
    rig = make_rig(due_on=timezone.localdate())
    refuse_unusable(rig)
    assert not any(status.problem for status in channel_states(rig))
    with pytest.raises(Conflict) as caught:
        refuse_unusable(rig, timezone.now() + timedelta(days=1))
    assert caught.value.code == "calibration-overdue"
    assert caught.value.extra["due_on"] == timezone.localdate().isoformat()


def proposed(sensor: Sensor, **changes: Any) -> Calibration:
    facts = {"unit": "N", "u": 0.5, "reference": "deadweights"} | changes
    return services.calibrate(
        sensor, actor=somebody(Role.RIG_KEEPER), valid_from=timezone.now(),
        due_on=timezone.localdate() + timedelta(days=300), **facts,
    )  # fmt: skip


def test_it_takes_effect_only_once_another_person_approves_it() -> None:
    sensor = force_sensor()
    standing, made = sensor.calibrations.get(), proposed(sensor, gain=1.01)
    assert made.state == "proposed"
    assert channel_states(sensor.rig)[4].calibration == standing
    with pytest.raises(NotAllowed):
        services.approve_calibration(made, actor=made.done_by)
    services.approve_calibration(made, actor=somebody(Role.QUALITY))
    assert channel_states(sensor.rig)[4].calibration == made
    with pytest.raises(WrongState):
        services.turn_down_calibration(made, actor=somebody(Role.QUALITY), reason="late")


def test_one_turned_down_stays_on_record_and_lets_the_next_one_stand() -> None:
    sensor = force_sensor()
    made = services.turn_down_calibration(proposed(sensor), actor=somebody(Role.QUALITY), reason="wrong weights")
    assert (made.state, made.decision_reason) == ("turned_down", "wrong weights")
    calibrate(sensor)
    assert sorted(sensor.calibrations.values_list("state", flat=True)) == ["in_force", "in_force", "turned_down"]


def test_a_sensor_found_outside_its_limits_opens_one_nonconformance_and_stops_the_rig() -> None:
    sensor = force_sensor()
    proposed(sensor, error_found=0.4, error_allowed=0.5)
    assert not Nonconformance.objects.exists()
    services.approve_calibration(proposed(sensor, error_found=-0.8, error_allowed=0.5), actor=somebody(Role.QUALITY))
    case = Nonconformance.objects.get()
    assert (case.subject_kind, case.subject_code) == ("rig", sensor.rig.code)
    assert "-0.8 N" in case.description
