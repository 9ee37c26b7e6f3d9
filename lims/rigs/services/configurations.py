"""Configure a rig: which blocks, which columns are which sensors. Never edited; a new configuration follows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, TypedDict, Unpack

from django.utils import timezone

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.core.errors import Invalid
from lims.core.machines import locked
from lims.rigs.bridge import channel_quantities, check_channels, check_coolant, check_unit
from lims.rigs.models import Block, ConfigurationChannel, Rig, RigConfiguration, Sensor

# a setup knows one area and one conductivity for both blocks, so the two must agree to within this share
AREAS_AGREE = 0.01
NEEDED = ("hot_temperature", "cold_temperature")


@dataclass(frozen=True, slots=True)
class ChannelSpec:
    """One column of a rig's files: what it holds, by which sensor; `depth` below the contact face and `depth_u` in m.

    `cold_junction` is the column that holds the temperature of a thermocouple's cold junction.
    """

    column: str
    quantity: str
    sensor: Sensor | None = None
    unit: str = ""
    depth: float | None = None
    pair: str = ""
    cold_junction: str = ""
    depth_u: float = 0.0


class ConfigurationFacts(TypedDict, total=False):
    """What a configuration states beside its blocks and channels, in SI."""

    heat_flow: str
    loss_conductance: float
    loss_conductance_u: float
    gap_resolution: float
    gap_expansion: float
    gap_expansion_u: float
    zero_max_age: timedelta
    zero_max_drift: float
    null_temperatures: bool
    coolant: str
    coolant_share_u: float | None


@dataclass(frozen=True, slots=True)
class Blocks:
    """The pair of blocks of a rig."""

    hot: Block
    cold: Block


@act("rig.configure")
def configure_rig(
    rig: Rig,
    *,
    actor: User,
    blocks: Blocks,
    channels: Sequence[ChannelSpec],
    reason: str,
    valid_from: datetime | None = None,
    **facts: Unpack[ConfigurationFacts],
) -> RigConfiguration:
    """Say what a rig is from a time on. The configurations before stay as they are, and so do their runs."""
    return _configured(rig, actor, Arrangement(blocks, channels, dict(facts)), reason=reason, valid_from=valid_from)


@dataclass(frozen=True, slots=True)
class Arrangement:
    """What a configuration says: blocks, channels and facts in SI."""

    blocks: Blocks
    channels: Sequence[ChannelSpec]
    facts: dict[str, Any]


def _configured(
    rig: Rig, actor: User, wanted: Arrangement, *, reason: str, valid_from: datetime | None
) -> RigConfiguration:
    blocks, channels = wanted.blocks, wanted.channels
    if not reason.strip():
        raise Invalid("Say what is new and why.", fields={"reason": ["A configuration needs a reason."]})
    _check_blocks(blocks)
    _check_channels(rig, channels)
    check_coolant(wanted.facts.get("coolant", "water"), wanted.facts.get("coolant_share_u"))
    locked(rig)
    last = rig.configurations.order_by("-number").first()
    start = valid_from or timezone.now()
    if last is not None and start <= last.valid_from:
        raise Invalid(
            f"Configuration {last.number} is in force from {timezone.localtime(last.valid_from):%Y-%m-%d %H:%M}.",
            code="configuration-before-last",
            fields={"valid_from": ["Must be later than that."]},
        )
    configuration = RigConfiguration(
        rig=rig,
        number=last.number + 1 if last else 1,
        valid_from=start,
        hot_block=blocks.hot,
        cold_block=blocks.cold,
        made_by=actor,
        reason=reason.strip(),
        **wanted.facts,
    )
    configuration.save()
    _add_channels(configuration, channels)
    return configuration


def _add_channels(configuration: RigConfiguration, channels: Sequence[ChannelSpec]) -> None:
    for spec in channels:
        channel = ConfigurationChannel(
            configuration=configuration,
            column=spec.column,
            quantity=spec.quantity,
            sensor=spec.sensor,
            unit=spec.unit,
            depth=spec.depth,
            pair=spec.pair,
            cold_junction=spec.cold_junction,
            depth_u=spec.depth_u,
        )
        channel.full_clean()
        channel.save()


def _check_blocks(blocks: Blocks) -> None:
    hot, cold = blocks.hot, blocks.cold
    if hot.role != Block.Role.HOT:
        raise _wrong("hot_block", f"{hot.code} is a cooled block; a heater block is expected here.")
    if cold.role != Block.Role.COLD:
        raise _wrong("cold_block", f"{cold.code} is a heater block; a cooled block is expected here.")
    if not math.isclose(hot.area, cold.area, rel_tol=AREAS_AGREE):
        raise _wrong("cold_block", f"{hot.code} and {cold.code} have faces of different area.")
    if abs(hot.conductivity - cold.conductivity) > _apart(hot, cold):
        raise _wrong("cold_block", f"{hot.code} and {cold.code} conduct differently; both blocks need one metal.")


def _apart(hot: Block, cold: Block) -> float:
    """How far two conductivities may lie apart and still be one: twice their combined uncertainty, or a hundredth."""
    return max(2 * math.hypot(hot.conductivity_u, cold.conductivity_u), AREAS_AGREE * hot.conductivity)


def _check_channels(rig: Rig, channels: Sequence[ChannelSpec]) -> None:
    columns = [spec.column for spec in channels]
    if len(set(columns)) != len(columns):
        raise _wrong("channels", "Two channels have the same column.")
    serials = [spec.sensor.pk for spec in channels if spec.sensor]
    if len(set(serials)) != len(serials):
        raise _wrong("channels", "One sensor stands in two columns.")
    missing = [key for key in NEEDED if key not in {spec.quantity for spec in channels}]
    if missing:
        raise _wrong("channels", f"No column holds: {', '.join(key.replace('_', ' ') for key in missing)}.")
    for spec in channels:
        _check_channel(rig, spec)
    check_channels([_row(spec) for spec in channels])


def _row(spec: ChannelSpec) -> dict[str, object]:
    """The channel as a setup file has it, but for its calibration."""
    said = {
        "unit": spec.unit,
        "depth": f"{spec.depth!r} m" if spec.depth is not None else "",
        "depth_uncertainty": f"{spec.depth_u!r} m" if spec.depth_u else "",
        "pair": spec.pair,
        "cold_junction": spec.cold_junction,
        "sensor": spec.sensor.signal if spec.sensor else "",
        "tolerance_class": spec.sensor.tolerance_class if spec.sensor else "",
    }
    return {"column": spec.column, "quantity": spec.quantity, **{key: value for key, value in said.items() if value}}


def _check_channel(rig: Rig, spec: ChannelSpec) -> None:
    if spec.quantity not in dict(channel_quantities()):
        raise _wrong("channels", f"Column '{spec.column}': '{spec.quantity}' is not a quantity a rig records.")
    if spec.unit:
        check_unit(spec.unit, spec.quantity, signal=spec.sensor.signal if spec.sensor else "")
    if spec.quantity == "time":
        return
    if spec.sensor is None:
        raise _wrong("channels", f"Column '{spec.column}' has no sensor.")
    if spec.sensor.rig_id != rig.pk:
        raise _wrong("channels", f"Sensor {spec.sensor.serial} belongs to another rig.")
    if spec.sensor.quantity != spec.quantity:
        words = spec.sensor.quantity.replace("_", " ")
        raise _wrong("channels", f"Sensor {spec.sensor.serial} measures {words}, not {spec.quantity}.")
    if spec.depth is not None and not spec.depth >= 0:
        raise _wrong("channels", f"Column '{spec.column}': the depth is below zero.")


def _wrong(field: str, sentence: str) -> Invalid:
    return Invalid(sentence, fields={field: [sentence]})


def renew_configuration(
    rig: Rig, *, actor: User, reason: str, valid_from: datetime, facts: dict[str, Any]
) -> RigConfiguration:
    """The last configuration again, from a time on, with some facts changed. Called inside an act."""
    last = rig.configurations.order_by("-number").first()
    if last is None:
        raise Invalid(f"{rig.code} has no configuration yet.", code="no-configuration")
    kept = {name: getattr(last, name) for name in ConfigurationFacts.__annotations__}
    channels = [
        ChannelSpec(row.column, row.quantity, row.sensor, row.unit, row.depth, row.pair, row.cold_junction, row.depth_u)
        for row in last.channels.select_related("sensor")
    ]
    wanted = Arrangement(Blocks(last.hot_block, last.cold_block), channels, kept | facts)
    return _configured(rig, actor, wanted, reason=reason, valid_from=valid_from)
