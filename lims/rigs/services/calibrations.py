"""Calibrate a sensor: a new dated record that closes the last one, never an edit."""

from __future__ import annotations

import math
from datetime import date, datetime
from typing import TypedDict, Unpack

from django.db.backends.postgresql.psycopg_any import DateTimeTZRange
from django.utils import timezone

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.core.errors import Conflict, Invalid
from lims.core.machines import locked
from lims.files.models import StoredFile
from lims.rigs.bridge import check_unit
from lims.rigs.models import Calibration, ConfigurationChannel, Sensor


class CalibrationFacts(TypedDict, total=False):
    """What a calibration found: calibrated = gain * reading + offset, `u` standard, all in `unit`."""

    unit: str
    gain: float
    offset: float
    u: float
    as_found: str
    as_left: str
    limits: str
    reference: str
    certificate_number: str
    certificate: StoredFile | None


@act("rig.calibrate")
def calibrate(
    sensor: Sensor, *, actor: User, valid_from: datetime, due_on: date, **facts: Unpack[CalibrationFacts]
) -> Calibration:
    """Enter a calibration, in force from `valid_from` until the next one; the last open one ends there.

    Runs made before keep the calibration that was in force when they were made.
    """
    locked(sensor)
    _check(sensor, facts)
    if due_on <= timezone.localdate(valid_from):
        raise Invalid("The calibration is due before it begins.", fields={"due_on": ["Must be after the first day."]})
    _close_last(sensor, valid_from)
    calibration = Calibration(
        sensor=sensor, period=DateTimeTZRange(valid_from, None), due_on=due_on, done_by=actor, **facts
    )
    calibration.save()
    return calibration


def _close_last(sensor: Sensor, at: datetime) -> None:
    last = sensor.calibrations.order_by("-period").first()
    if last is None:
        return
    if at <= last.period.lower:
        begun = timezone.localtime(last.period.lower)
        raise Conflict(
            f"{sensor.serial} has a calibration in force from {begun:%Y-%m-%d %H:%M}; intervals cannot overlap.",
            code="calibration-overlaps",
            next_step="Give a later beginning.",
        )
    last.period = DateTimeTZRange(last.period.lower, at)
    last.save()


def _check(sensor: Sensor, facts: CalibrationFacts) -> None:
    unit = facts.get("unit", "")
    if not unit:
        raise Invalid("A calibration needs its unit.", fields={"unit": ["Write the unit of the calibrated value."]})
    check_unit(unit, sensor.quantity)
    if not facts.get("gain", 1.0) or not math.isfinite(facts.get("gain", 1.0)):
        raise Invalid("A gain of zero makes every reading the same.", fields={"gain": ["Must not be zero."]})
    channel = ConfigurationChannel.objects.filter(sensor=sensor).order_by("-configuration__number").first()
    if channel is not None and channel.unit and channel.unit != unit:
        raise Invalid(
            f"The column '{channel.column}' is read in {channel.unit}.",
            fields={"unit": [f"Give gain, offset and uncertainty in {channel.unit}."]},
        )
