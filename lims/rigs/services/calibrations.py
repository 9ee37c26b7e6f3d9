"""Calibrate a sensor: a new dated record, approved by another person, that closes the last one; never an edit."""

from __future__ import annotations

import math
from datetime import date, datetime
from typing import TypedDict, Unpack

from django.db.backends.postgresql.psycopg_any import DateTimeTZRange
from django.utils import timezone

from lims.accounts.acts import act, require_not_own_work
from lims.accounts.models import User
from lims.cases.services import open_nonconformance
from lims.core.errors import Conflict, Invalid
from lims.core.machines import advance, locked
from lims.files.models import StoredFile
from lims.rigs.bridge import check_unit
from lims.rigs.models import Calibration, ConfigurationChannel, Sensor
from lims.rigs.states import CALIBRATION_MACHINE, CalibrationState


class CalibrationFacts(TypedDict, total=False):
    """What a calibration found: calibrated = gain * reading + offset, `u` standard, all in `unit`."""

    unit: str
    gain: float
    offset: float
    u: float
    as_found: str
    as_left: str
    limits: str
    error_found: float | None
    error_allowed: float | None
    reference: str
    certificate_number: str
    certificate: StoredFile | None


@act("rig.calibrate")
def calibrate(
    sensor: Sensor, *, actor: User, valid_from: datetime, due_on: date, **facts: Unpack[CalibrationFacts]
) -> Calibration:
    """Propose a calibration, in force from `valid_from` once another person has approved it.

    The one in force ends there then. Runs made before keep the calibration that was in force when they were made.
    Where the sensor is found outside its limits, one nonconformance is opened at once.
    """
    locked(sensor)
    _check(sensor, facts)
    if due_on <= timezone.localdate(valid_from):
        raise Invalid("The calibration is due before it begins.", fields={"due_on": ["Must be after the first day."]})
    _refuse_overlap(sensor, valid_from)
    calibration = Calibration(
        sensor=sensor,
        state=CalibrationState.PROPOSED,
        period=DateTimeTZRange(valid_from, None),
        due_on=due_on,
        done_by=actor,
        **facts,
    )
    calibration.save()
    if calibration.failed_as_found:
        _open_case(calibration)
    return calibration


@act("rig.approve_calibration")
def approve_calibration(calibration: Calibration, *, actor: User, reason: str = "") -> Calibration:
    """Put a proposed calibration into force; not by the person who did it."""
    locked(calibration.sensor)
    fresh = _decided(calibration, "approve", actor, reason)
    _close_last(fresh.sensor, fresh.period.lower)
    fresh.save()
    return fresh


@act("rig.approve_calibration")
def turn_down_calibration(calibration: Calibration, *, actor: User, reason: str) -> Calibration:
    """Turn a proposed calibration down; it stays on record."""
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["Turning a calibration down needs a reason."]})
    fresh = _decided(calibration, "turn_down", actor, reason)
    fresh.save()
    return fresh


def _decided(calibration: Calibration, move: str, actor: User, reason: str) -> Calibration:
    require_not_own_work(actor, "rig.approve_calibration", {locked(calibration).done_by_id})
    fresh: Calibration = advance(calibration, CALIBRATION_MACHINE, move)
    fresh.decided_by, fresh.decided_at, fresh.decision_reason = actor, timezone.now(), reason.strip()
    return fresh


def _open_case(calibration: Calibration) -> None:
    sensor = calibration.sensor
    open_nonconformance(
        sensor.rig,
        actor=None,
        title=f"Sensor {sensor.serial} was found outside its limits",
        description=(
            f"Sensor {sensor.serial} of {sensor.rig.code} was found off by {calibration.error_found:g} "
            f"{calibration.unit}; {calibration.error_allowed:g} {calibration.unit} are allowed. The sensor's page "
            "lists every figure since its last good point."
        ),
    )


def _last_in_force(sensor: Sensor) -> Calibration | None:
    return sensor.calibrations.filter(state=CalibrationState.IN_FORCE).order_by("-period").first()


def _refuse_overlap(sensor: Sensor, at: datetime) -> None:
    last = _last_in_force(sensor)
    if last is not None and at <= last.period.lower:
        begun = timezone.localtime(last.period.lower)
        raise Conflict(
            f"{sensor.serial} has a calibration in force from {begun:%Y-%m-%d %H:%M}; intervals cannot overlap.",
            code="calibration-overlaps",
            next_step="Give a later beginning.",
        )


def _close_last(sensor: Sensor, at: datetime) -> None:
    _refuse_overlap(sensor, at)
    last = _last_in_force(sensor)
    if last is None:
        return
    last.period = DateTimeTZRange(last.period.lower, at)
    last.save()


def _check(sensor: Sensor, facts: CalibrationFacts) -> None:
    unit = facts.get("unit", "")
    if not unit:
        raise Invalid("A calibration needs its unit.", fields={"unit": ["Write the unit of the calibrated value."]})
    check_unit(unit, sensor.quantity, signal=sensor.signal)
    if not facts.get("gain", 1.0) or not math.isfinite(facts.get("gain", 1.0)):
        raise Invalid("A gain of zero makes every reading the same.", fields={"gain": ["Must not be zero."]})
    channel = ConfigurationChannel.objects.filter(sensor=sensor).order_by("-configuration__number").first()
    if channel is not None and channel.unit and channel.unit != unit:
        raise Invalid(
            f"The column '{channel.column}' is read in {channel.unit}.",
            fields={"unit": [f"Give gain, offset and uncertainty in {channel.unit}."]},
        )
