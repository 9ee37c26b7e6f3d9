"""Read rigs, blocks, sensors, calibrations and methods; say what a rig was at a time, as a setup."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.db.models import QuerySet
from django.utils import timezone

from lims.accounts.acts import require
from lims.accounts.models import User
from lims.core.codes import expect_kind
from lims.core.errors import Conflict, NotFound
from lims.core.finding import by_code
from lims.rigs.bridge import channel_quantities, coolant_keys, coolants, reduction_methods, signals, tolerance_classes
from lims.rigs.models import (
    Block,
    Calibration,
    ConfigurationChannel,
    Method,
    MethodVersion,
    NeedsAuthorization,
    Rig,
    RigConfiguration,
    RigNote,
    Sensor,
)
from lims.rigs.states import CalibrationState, MethodState

READ = "laboratory.read"
BLOCK_ROLES = Block.Role.choices
HEAT_FLOWS = RigConfiguration.HeatFlow.choices
NOTE_KINDS = RigNote.Kind.choices
AUTHORIZATION_NEEDS = NeedsAuthorization.choices


def rigs_for(user: User) -> QuerySet[Rig]:
    """The rigs this person may see."""
    require(user, READ)
    return Rig.objects.order_by("code")


def get_rig_for(user: User, code: str) -> Rig:
    """One rig by its code, where this person may see it."""
    return by_code(rigs_for(user), code, "rig")


def blocks_for(user: User) -> QuerySet[Block]:
    """The blocks this person may see."""
    require(user, READ)
    return Block.objects.order_by("code")


def get_block_for(user: User, code: str) -> Block:
    """One block by its code, where this person may see it."""
    return by_code(blocks_for(user), code, "block")


def methods_for(user: User) -> QuerySet[Method]:
    """The methods this person may see, with their versions."""
    require(user, READ)
    return Method.objects.prefetch_related("versions__author", "versions__approved_by").order_by("code")


def get_method_for(user: User, code: str) -> Method:
    """One method by its code, where this person may see it."""
    return by_code(methods_for(user), code, "method")


def method_versions_for(user: User) -> QuerySet[MethodVersion]:
    """The method versions this person may see."""
    require(user, READ)
    return MethodVersion.objects.select_related("method", "author", "approved_by").order_by("code")


def get_method_version_for(user: User, code: str) -> MethodVersion:
    """One method version by its code (M-004/2), where this person may see it."""
    return by_code(method_versions_for(user), code, "method")


def get_sensor_for(user: User, rig: Rig, serial: str) -> Sensor:
    """One sensor of a rig by its serial number."""
    require(user, READ)
    sensor = Sensor.objects.select_related("rig").filter(rig=rig, serial=serial).first()
    if sensor is None:
        raise NotFound(f"{rig.code} has no sensor with serial number '{serial}'.")
    return sensor


def effective_versions() -> QuerySet[MethodVersion]:
    """The versions offered for new work: of each method the newest approved one whose day has come."""
    return (
        MethodVersion.objects.filter(state=MethodState.APPROVED, effective_from__lte=timezone.now())
        .select_related("method")
        .order_by("method_id", "-number")
        .distinct("method_id")
    )


def get_version_of_method_for(user: User, code: str) -> MethodVersion:
    """The version a code names: M-004/2 itself, or the newest of M-004."""
    plain = expect_kind(code, "method")
    rows = method_versions_for(user)
    found = rows.filter(code=plain).first() or rows.filter(method__code=plain).order_by("-number").first()
    if found is None:
        raise NotFound(f"There is no method {plain}.")
    return found


def get_subject_for(user: User, code: str) -> Method | MethodVersion | Rig:
    """What an authorization is for: a rig, a method, or one version of it, by its code."""
    plain = code.strip().upper()
    if plain.startswith("RIG"):
        return get_rig_for(user, plain)
    return get_method_version_for(user, plain) if "/" in plain else get_method_for(user, plain)


def versions_of(method: Method) -> QuerySet[MethodVersion]:
    """The versions of a method, newest first."""
    return method.versions.select_related("author", "approved_by").order_by("-number")


def draft_of(method: Method) -> MethodVersion | None:
    """The draft of a method, where there is one."""
    return method.versions.filter(state=MethodState.DRAFT).first()


def is_effective(version: MethodVersion) -> bool:
    """Whether a version is the one offered for new work."""
    return effective_versions().filter(method=version.method_id).first() == version


def quantity_choices() -> list[tuple[str, str]]:
    """What a column of a rig's files can hold: key and label."""
    return channel_quantities()


def signal_choices() -> list[tuple[str, str]]:
    """What a thermometer's column may hold: key and words; empty where it holds the temperature itself."""
    return [("", "the quantity itself"), *signals()]


def tolerance_choices() -> list[str]:
    """Every tolerance class of every kind of thermometer."""
    return list(dict.fromkeys(name for signal, _ in signals() for name in tolerance_classes(signal)))


def coolant_choices() -> list[tuple[str, str]]:
    """What may carry the heat away: key and words."""
    return coolants()


def reduction_choices() -> list[tuple[str, str]]:
    """The reduction methods: key and words."""
    return [(key, key.replace("_", " ")) for key in reduction_methods()]


def sensors_of(rig: Rig) -> QuerySet[Sensor]:
    """The sensors of a rig."""
    return rig.sensors.select_related("rig").order_by("quantity", "serial")


def calibrations_of(sensor: Sensor) -> QuerySet[Calibration]:
    """The calibrations of a sensor, newest first."""
    return sensor.calibrations.select_related("certificate", "done_by", "decided_by").order_by("-period")


def get_calibration_for(user: User, rig: Rig, pk: int) -> Calibration:
    """One calibration of one of a rig's sensors."""
    require(user, READ)
    found = calibrations_of_rig(rig).filter(pk=pk).first()
    if found is None:
        raise NotFound(f"{rig.code} has no calibration {pk}.")
    return found


def calibrations_of_rig(rig: Rig) -> QuerySet[Calibration]:
    """The calibrations of all sensors of a rig, newest first."""
    return Calibration.objects.filter(sensor__rig=rig).select_related(
        "sensor__rig", "certificate", "done_by", "decided_by"
    )


def configurations_of(rig: Rig) -> QuerySet[RigConfiguration]:
    """The configurations of a rig, newest first."""
    return rig.configurations.select_related("hot_block", "cold_block", "made_by").order_by("-number")


def last_configuration(rig: Rig) -> RigConfiguration | None:
    """The newest configuration of a rig, also where its time has not come."""
    return configurations_of(rig).prefetch_related("channels__sensor").first()


def rigs_with(block: Block) -> list[Rig]:
    """The rigs that have this block on now."""
    return [rig for rig in Rig.objects.order_by("code") if block in mounted_blocks(rig)]


# What a rig was at a time


def configurations_at(rigs: Iterable[Rig], at: datetime) -> dict[int, RigConfiguration]:
    """The configuration in force at `at` for each of some rigs, by the rig's key."""
    found = (
        RigConfiguration.objects.filter(rig__in=[rig.pk for rig in rigs], valid_from__lte=at)
        .select_related("rig", "hot_block", "cold_block", "made_by")
        .prefetch_related("channels__sensor")
        .order_by("rig_id", "-number")
        .distinct("rig_id")
    )
    return {configuration.rig_id: configuration for configuration in found}


def configuration_at(rig: Rig, at: datetime) -> RigConfiguration:
    """The configuration in force at `at`; refuses where there was none yet."""
    found = configurations_at([rig], at).get(rig.pk)
    if found is None:
        raise no_configuration(rig, at)
    return found


def no_configuration(rig: Rig, at: datetime) -> Conflict:
    """The refusal for a rig that had no configuration at a time."""
    return Conflict(
        f"{rig.code} had no configuration on {timezone.localtime(at):%Y-%m-%d %H:%M}.",
        code="configuration-missing",
        next_step="The rig keeper enters blocks and channels on the rig's page.",
    )


def mounted_blocks(rig: Rig) -> tuple[Block, ...]:
    """The heater block and the cooled block a rig has now; nothing where it has no configuration."""
    try:
        configuration = configuration_at(rig, timezone.now())
    except Conflict:
        return ()
    return (configuration.hot_block, configuration.cold_block)


def calibrations_at(rigs: Iterable[Rig], at: datetime) -> dict[int, Calibration]:
    """The calibration in force at `at` for each sensor of some rigs, by the sensor's key."""
    found = Calibration.objects.filter(
        sensor__rig__in=[rig.pk for rig in rigs], state=CalibrationState.IN_FORCE, period__contains=at
    ).select_related("sensor__rig", "certificate", "done_by")
    return {calibration.sensor_id: calibration for calibration in found}


def setup_at(rig: Rig, at: datetime) -> dict[str, Any]:
    """What a rig was at `at`: `{"setup": ..., "calibrations": [...], "configuration": ...}`.

    `setup` has the tables rig, gap and channel of a setup file; `calibrations` the keys of the calibrations in it;
    `configuration` the key of the configuration. Raises Conflict where a sensor had no calibration at that time.
    """
    configuration = configuration_at(rig, at)
    calibrations = calibrations_at([rig], at)
    channels = list(configuration.channels.all())
    return {
        "setup": {
            "rig": _rig_table(rig, configuration),
            "gap": _gap_table(configuration),
            "zero": {"null_temperatures": configuration.null_temperatures},
            "channel": [_channel_row(rig, channel, calibrations) for channel in channels],
        },
        "calibrations": sorted(
            calibrations[c.sensor_id].pk for c in channels if c.sensor_id is not None and c.sensor_id in calibrations
        ),
        "configuration": configuration.pk,
    }


def _rig_table(rig: Rig, configuration: RigConfiguration) -> dict[str, Any]:
    hot, cold = configuration.hot_block, configuration.cold_block
    face = min(hot, cold, key=lambda block: block.area)
    conductivity = (hot.conductivity + cold.conductivity) / 2
    return {
        "name": rig.name,
        "area": _measured(face.area, face.area_u, "m^2"),
        "heat_flow": configuration.heat_flow,
        "loss_conductance": _measured(configuration.loss_conductance, configuration.loss_conductance_u, "W/K"),
        "block_conductivity": _measured(conductivity, max(hot.conductivity_u, cold.conductivity_u), "W/(m*K)"),
        "time_zone": rig.time_zone,
        **_coolant_keys(configuration),
    }


def _coolant_keys(configuration: RigConfiguration) -> dict[str, str]:
    """Nothing for plain water, so that setups of rigs cooled by water stay as they were."""
    if configuration.coolant == "water":
        return {}
    return coolant_keys(configuration.coolant, configuration.coolant_share_u)


def _gap_table(configuration: RigConfiguration) -> dict[str, Any]:
    return {
        "resolution": _quantity(configuration.gap_resolution, "m"),
        "expansion": _measured(configuration.gap_expansion, configuration.gap_expansion_u, "m/K"),
        "zero_max_age": _quantity(configuration.zero_max_age.total_seconds(), "s"),
        "zero_max_drift": _quantity(configuration.zero_max_drift, "m"),
    }


def _channel_row(rig: Rig, channel: ConfigurationChannel, calibrations: dict[int, Calibration]) -> dict[str, Any]:
    row: dict[str, Any] = {"column": channel.column, "quantity": channel.quantity}
    if channel.unit:
        row["unit"] = channel.unit
    if channel.sensor is not None:
        calibration = calibrations.get(channel.sensor.pk)
        if calibration is None:
            raise _no_calibration(rig, channel)
        row |= {
            "unit": calibration.unit,
            "gain": calibration.gain,
            "offset": calibration.offset,
            "u": calibration.u,
        }
        row |= {key: word for key, word in _signal_keys(channel.sensor).items() if word}
    if channel.cold_junction:
        row["cold_junction"] = channel.cold_junction
    if channel.depth is not None:
        row["depth"] = _quantity(channel.depth, "m")
        if channel.depth_u:
            row["depth_uncertainty"] = _quantity(channel.depth_u, "m")
    if channel.pair:
        row["pair"] = channel.pair
    return row


def _signal_keys(sensor: Sensor) -> dict[str, str]:
    return {"sensor": sensor.signal, "tolerance_class": sensor.tolerance_class}


def _no_calibration(rig: Rig, channel: ConfigurationChannel) -> Conflict:
    serial = channel.sensor.serial if channel.sensor else ""
    return Conflict(
        f"{rig.code}: sensor {serial} (column '{channel.column}') had no calibration at that time.",
        code="calibration-missing",
        next_step="The rig keeper enters the calibration that was in force.",
        sensor=serial,
    )


def method_setup(version: MethodVersion) -> dict[str, Any]:
    """What a method version asks for: the tables nominal, tolerance and steady of a setup file."""
    nominal = {
        "heater_power": (version.heater_power, "W", _percent(version.heater_power_tolerance)),
        "force": (version.force, "N", _percent(version.force_tolerance)),
        "coolant_temperature": (version.coolant_temperature, "K", _quantity(version.coolant_tolerance, "K")),
    }
    stated = {key: (value, unit, limit) for key, (value, unit, limit) in nominal.items() if value is not None}
    return {
        "nominal": {key: _quantity(value, unit) for key, (value, unit, _) in stated.items()},
        "tolerance": {key: limit for key, (_, _, limit) in stated.items()},
        "steady": {
            "min_duration": _quantity(version.min_duration, "s"),
            "max_slope": _quantity(version.max_slope, "K/s"),
        },
    }


def _quantity(value: float, unit: str) -> str:
    """A value in SI as a setup file writes it; `repr` keeps every digit."""
    return f"{value!r} {unit}"


def _measured(value: float, u: float, unit: str) -> dict[str, str]:
    return {"value": _quantity(value, unit), "u": _quantity(u, unit)}


def _percent(fraction: float) -> str:
    return f"{Decimal(repr(fraction)).scaleb(2).normalize():f} %"


def rig_choices() -> list[tuple[str, str]]:
    """Every rig for a form: code and name."""
    return [(rig.code, rig.name) for rig in Rig.objects.order_by("code")]


def method_choices() -> list[tuple[str, str]]:
    """Every method for a form: code and name."""
    return [(method.code, method.name) for method in Method.objects.order_by("code")]
