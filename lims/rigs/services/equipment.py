"""Blocks, rigs and sensors: take them in, change what is known of them, take a rig out of service and back."""

from __future__ import annotations

from datetime import date
from typing import TypedDict, Unpack
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from django.utils import timezone

from lims.accounts.acts import act, require_not_own_work
from lims.accounts.models import User
from lims.audit.recording import note_change
from lims.cases.services import refuse_if_held
from lims.core.codes import next_code
from lims.core.errors import Invalid
from lims.core.machines import advance, locked
from lims.rigs.bridge import channel_quantities, check_signal, signals, tolerance_classes
from lims.rigs.models import Block, Calibration, Rig, RigConfiguration, RigNote, Sensor
from lims.rigs.states import RIG_MACHINE


class EquipmentFacts(TypedDict, total=False):
    """What may be said of any piece of equipment."""

    maker: str
    type: str
    serial: str
    location: str
    software: str
    acceptance: str
    remarks: str


class BlockFacts(EquipmentFacts, total=False):
    """What is said of a block, in SI."""

    name: str
    role: str
    metal: str
    finish: str
    roughness: float | None
    flatness: float | None
    area: float
    area_u: float
    conductivity: float
    conductivity_u: float
    uses_allowed: int | None


class SensorFacts(TypedDict, total=False):
    """What may be said of a sensor."""

    maker: str
    type: str
    location: str
    software: str
    acceptance: str
    description: str
    signal: str
    tolerance_class: str


class RigFacts(EquipmentFacts, total=False):
    """What may be said of a rig."""

    name: str
    time_zone: str
    needs_authorization: bool


@act("block.create")
def create_block(*, actor: User, **facts: Unpack[BlockFacts]) -> Block:
    """Take a block in: its metal, its face, its conductivity."""
    for name in ("area", "conductivity"):
        if not facts.get(name):
            raise Invalid(f"A block needs its {name}.", fields={name: ["Must be above zero."]})
    block = Block(code=next_code("block"), **facts)
    block.save()
    return block


@act("rig.create")
def create_rig(*, actor: User, **facts: Unpack[RigFacts]) -> Rig:
    """Take a rig in. It can be used once it has a configuration and its sensors are calibrated."""
    rig = Rig(code=next_code("rig"), **facts)
    _check_zone(rig)
    rig.save()
    return rig


@act("rig.change")
def change_rig(rig: Rig, *, actor: User, reason: str, **facts: Unpack[RigFacts]) -> Rig:
    """Change what is known of a rig, such as its location; the history keeps what stood before."""
    _need(reason, "A change needs a reason.")
    fresh = locked(rig)
    for name, value in facts.items():
        setattr(fresh, name, value)
    _check_zone(fresh)
    fresh.save()
    return fresh


def _check_zone(rig: Rig) -> None:
    try:
        ZoneInfo(rig.time_zone)
    except (ZoneInfoNotFoundError, ValueError) as error:
        raise Invalid(
            f"There is no time zone '{rig.time_zone}'.",
            fields={"time_zone": ["Write one such as Europe/Vienna or UTC."]},
        ) from error


@act("rig.note")
def note_rig(rig: Rig, *, actor: User, kind: str, text: str, on: date | None = None) -> RigNote:
    """Add to a rig's log: maintenance, damage, a modification."""
    note = RigNote(rig=rig, kind=kind, text=text, on=on or timezone.localdate(), by=actor)
    if note.on > timezone.localdate():
        raise Invalid("The day is in the future.", fields={"on": ["Enter the day it was done or seen."]})
    note.full_clean()
    note.save()
    note_change(note, {kind: (None, f"{note.on.isoformat()}: {text}")})
    return note


@act("rig.add_sensor")
def add_sensor(rig: Rig, *, actor: User, serial: str, quantity: str, **facts: Unpack[SensorFacts]) -> Sensor:
    """Add a sensor to a rig; it measures once a configuration gives it a column and a calibration stands."""
    known = dict(channel_quantities())
    if quantity not in known or quantity == "time":
        raise Invalid(
            f"'{quantity}' is not a quantity a sensor can measure.",
            fields={"quantity": [f"Choose one of: {', '.join(key for key in known if key != 'time')}."]},
        )
    _check_signal(facts.get("signal", ""), facts.get("tolerance_class", ""), quantity)
    sensor = Sensor(rig=rig, serial=serial, quantity=quantity, **facts)
    sensor.save()
    return sensor


def _check_signal(signal: str, tolerance_class: str, quantity: str) -> None:
    """Refuse a kind of sensor that is not known, that is no thermometer's, or a class it does not come in."""
    if signal and signal not in dict(signals()):
        words = f"Choose one of: {', '.join(dict(signals()))}."
        raise Invalid(f"'{signal}' is not a known sensor.", fields={"signal": [words]})
    known = tolerance_classes(signal)
    if tolerance_class and tolerance_class not in known:
        words = (
            f"Choose one of: {', '.join(known)}." if known else "Only a thermometer whose signal is recorded has one."
        )
        raise Invalid(f"There is no tolerance class '{tolerance_class}' here.", fields={"tolerance_class": [words]})
    if signal:
        check_signal(signal, quantity)


@act("rig.out_of_service")
def take_rig_out(rig: Rig, *, actor: User, reason: str) -> Rig:
    """Take a rig out of service: it cannot be chosen until it is returned."""
    _need(reason, "Taking a rig out of service needs a reason.")
    return _set_state(rig, "take_out", actor=actor, reason=reason)


@act("rig.return_to_service")
def return_rig(rig: Rig, *, actor: User, reason: str) -> Rig:
    """Return a rig to service; not by the person who took it out or worked on it since."""
    _need(reason, "Say what was done and what shows that the rig is in order.")
    refuse_if_held(rig.record_kind, rig.record_code)
    require_not_own_work(actor, "rig.return_to_service", _took_part(rig))
    return _set_state(rig, "return", actor=actor, reason=reason)


def _set_state(rig: Rig, move: str, *, actor: User, reason: str) -> Rig:
    fresh: Rig = advance(rig, RIG_MACHINE, move)
    fresh.state_reason, fresh.state_by, fresh.state_at = reason.strip(), actor, timezone.now()
    fresh.save()
    return fresh


def _took_part(rig: Rig) -> set[int | None]:
    """Who took the rig out, and who configured, calibrated or mended it since."""
    people: set[int | None] = {rig.state_by_id} - {None}
    if rig.state_at is None:
        return people
    since = {"created_at__gte": rig.state_at}
    people |= set(Calibration.objects.filter(sensor__rig=rig, **since).values_list("done_by", flat=True))
    people |= set(RigConfiguration.objects.filter(rig=rig, **since).values_list("made_by", flat=True))
    return people | set(RigNote.objects.filter(rig=rig, at__gte=rig.state_at).values_list("by", flat=True))


def _need(reason: str, sentence: str) -> None:
    if not reason.strip():
        raise Invalid(sentence, fields={"reason": [sentence]})
