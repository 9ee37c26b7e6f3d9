"""A setup file, or the mapping it holds, to a `RigSetup`; and the channels of a file that comes without one."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import cast
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from analysis.errors import BadSetup, OutOfRange, UnitError, Where
from analysis.quantities import CHANNEL_QUANTITIES, QUANTITIES
from analysis.results import Measured, Trials
from analysis.sensors import SENSORS
from analysis.setup import MAX_SLOPE, MIN_DURATION, Channel, RigSetup
from analysis.setup_tables import Table, tolerance
from analysis.steady.coolant import WATER, coolant_of
from analysis.tables import Heading
from analysis.units import conversion

HEAT_FLOWS = ("electrical", "meter_bar", "coolant")
CONDITIONS: Mapping[str, str] = {"heater_power": "power", "force": "force", "coolant_temperature": "temperature"}
_TABLES = ("rig", "gap", "zero", "nominal", "tolerance", "steady", "channel", "run", "monte_carlo")
_DEEP = ("hot_temperature", "cold_temperature")
_SENSED = (*_DEEP, "coolant_in", "coolant_out", "ambient_temperature", "cold_junction")

SYNONYMS: Mapping[str, tuple[str, ...]] = {
    "time": ("time", "t", "elapsed", "elapsed_time", "timestamp", "time_stamp", "datetime", "date_time"),
    "heater_power": ("heater_power", "power", "heater"),
    "heater_voltage": ("heater_voltage", "voltage"),
    "heater_current": ("heater_current", "current"),
    "hot_temperature": ("hot_temperature", "hot", "t_hot", "hot_block", "hot_face"),
    "cold_temperature": ("cold_temperature", "cold", "t_cold", "cold_block", "cold_face"),
    "coolant_in": ("coolant_in", "coolant_inlet", "t_coolant_in", "water_in"),
    "coolant_out": ("coolant_out", "coolant_outlet", "t_coolant_out", "water_out"),
    "coolant_flow": ("coolant_flow", "flow", "flow_rate", "water_flow"),
    "ambient_temperature": ("ambient_temperature", "ambient", "t_ambient", "room", "room_temperature"),
    "cold_junction": ("cold_junction", "junction", "t_junction"),
    "gap": ("gap", "displacement", "bond_line", "blt"),
    "force": ("force", "load"),
}
"""The names, in small letters with `_` between words, by which a column is known where no setup says what it holds.

A number at the end (`hot_1`, `heater 2`) makes several channels of one quantity. A column named by the quantity's own
key goes before all others; of two different names for one quantity neither is taken and the reader is asked.
"""


def read_setup(source: Path | str | Mapping[str, object]) -> RigSetup:
    """A setup from a TOML or JSON file, from a JSON result that carries its setup, or from a mapping of one.

    Raises UnreadableFile or BadSetup, which names the file, the line of a mistake in the syntax, or the key.
    """
    if isinstance(source, Mapping):
        return from_mapping(source)
    path = Path(source)
    return from_mapping(_load(path), file=path.name)


def from_mapping(mapping: Mapping[str, object], *, file: str = "") -> RigSetup:
    """A setup from the mapping a TOML file holds; BadSetup names every mistake by its key."""
    if isinstance(mapping.get("setup"), Mapping) and "method" in mapping:
        mapping = _carried(mapping)
    top = Table(mapping, "", file)
    rig, gap, steady, run = (top.inner(name) for name in ("rig", "gap", "steady", "run"))
    zero, nominal_table, tolerance_table = (top.inner(name) for name in ("zero", "nominal", "tolerance"))
    nominal = _nominal(nominal_table)
    nominal_table.done()
    setup = RigSetup(
        name=rig.text("name"),
        area=_positive_measured(rig, "area", "area"),
        heat_flow=rig.choice("heat_flow", of=HEAT_FLOWS, default="electrical"),
        loss_conductance=rig.measured("loss_conductance", "conductance", least=0.0) or Measured(0.0, 0.0),
        block_conductivity=_positive_measured(rig, "block_conductivity", "conductivity"),
        coolant=_coolant(rig),
        coolant_share_u=rig.quantity("coolant_share_u", "ratio", least=0.0),
        time_zone=_time_zone(rig),
        gap_resolution=gap.quantity("resolution", "length", least=0.0) or 0.0,
        gap_expansion=gap.measured("expansion", "expansion") or Measured(0.0, 0.0),
        zero_max_age=_duration(gap, "zero_max_age"),
        zero_max_drift=gap.quantity("zero_max_drift", "length", least=0.0),
        zero_reading=gap.quantity("zero_reading", "length"),
        null_temperatures=zero.truth("null_temperatures", default=False),
        nominal=nominal,
        tolerance=_tolerance(tolerance_table, nominal),
        min_duration=steady.positive("min_duration", "time", MIN_DURATION),
        max_slope=steady.positive("max_slope", "temperature_rate", MAX_SLOPE),
        window=_window(steady),
        channels=_channels(top),
        sample=run.text("sample"),
        application=run.text("application"),
        kind=run.text("kind"),
        method=run.text("method", "steady"),
        monte_carlo=_trials(top),
        source=mapping,
    )
    for table in (rig, gap, zero, tolerance_table, steady, run):
        table.done()
    top.asked.update(_TABLES)
    top.done()
    return setup


def with_window(setup: RigSetup, window: tuple[float, float]) -> RigSetup:
    """A setup with a window that a person chose, also in the mapping that a result carries."""
    return replace(setup, window=window, source=_mapping_with_window(setup.source, window))


def with_monte_carlo(setup: RigSetup, trials: Trials) -> RigSetup:
    """A setup whose figures are propagated by Monte Carlo as well, also in the mapping that a result carries."""
    table = {"seed": trials.seed, "digits": trials.digits}
    return replace(setup, monte_carlo=trials, source={**setup.source, "monte_carlo": table})


def with_channels(setup: RigSetup, headings: Sequence[Heading], *, file: str = "") -> RigSetup:
    """A setup that names no channels, with those that the headings name."""
    rows = [
        {"column": name, "quantity": quantity} | ({"pair": pair} if pair else {})
        for quantity in CHANNEL_QUANTITIES
        for name, pair in _recognised(quantity, headings, file=file)
    ]
    return from_mapping({**setup.source, "channel": rows}, file=file)


def time_column(setup: RigSetup, headings: Sequence[Heading], *, file: str = "") -> Channel:
    """The channel of the time: as the setup says, else the one column that is named as time is."""
    listed = ", ".join(heading.name for heading in headings)
    for number, channel in enumerate(setup.channels, start=1):
        if channel.quantity == "time" and channel.column not in {heading.name for heading in headings}:
            raise BadSetup(
                f"'{channel.column}' is not a column of {file}; it has: {listed}",
                where=Where(file=file, key=f"channel {number}: column"),
            )
        if channel.quantity == "time":
            return channel
    found = _recognised("time", headings, file=file)
    if not found:
        raise BadSetup(
            f"no column is named as a time column is (such as 'time'); the file has: {listed}",
            where=Where(file=file, key="channel: time"),
        )
    return Channel(column=found[0][0], quantity="time")


def _carried(record: Mapping[str, object]) -> Mapping[str, object]:
    """The setup that a result carries, with the window that a person chose for it."""
    setup, steady = cast(Mapping[str, object], record["setup"]), record.get("steady")
    if not isinstance(steady, Mapping) or steady.get("chosen_by_hand") is not True:
        return setup
    start, end = steady.get("start_s"), steady.get("end_s")
    if not isinstance(start, (int, float)) or not isinstance(end, (int, float)):
        return setup
    return _mapping_with_window(setup, (float(start), float(end)))


def _mapping_with_window(mapping: Mapping[str, object], window: tuple[float, float]) -> Mapping[str, object]:
    given = mapping.get("steady")
    steady = dict(given) if isinstance(given, Mapping) else {}
    steady["window"] = [f"{time!r} s" for time in window]
    return {**mapping, "steady": steady}


def _recognised(quantity: str, headings: Sequence[Heading], *, file: str) -> list[tuple[str, str]]:
    """The columns of a quantity, each with the number at the end of its name where voltages and currents pair up."""
    found: dict[str, list[tuple[str, str]]] = {}
    for heading in headings:
        plain = re.sub(r"[\s\-.]+", "_", heading.name.strip().lower())
        stem, number = _stem(plain)
        if plain in SYNONYMS[quantity]:
            stem, number = plain, ""
        if stem in SYNONYMS[quantity]:
            pair = (number or "1") if quantity in ("heater_voltage", "heater_current") else ""
            found.setdefault(stem, []).append((heading.name, pair))
    if quantity in found:
        return found[quantity] if quantity != "time" else found[quantity][:1]
    if len(found) > 1 or (quantity == "time" and sum(len(columns) for columns in found.values()) > 1):
        names = ", ".join(f"'{name}'" for columns in found.values() for name, _ in columns)
        raise BadSetup(
            f"{names} could all be {QUANTITIES[quantity].label.lower()}; say which in a setup",
            where=Where(file=file, key="channel: column"),
        )
    return next(iter(found.values()), [])


def _stem(name: str) -> tuple[str, str]:
    match = re.fullmatch(r"(.*?)_?(\d{1,2})", name)
    return (name, "") if match is None else (match[1], match[2])


def _load(path: Path) -> Mapping[str, object]:
    """The mapping a setup file holds."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError as error:
        raise BadSetup("there is no such file", where=Where(path.name)) from error
    except OSError as error:
        raise BadSetup(f"the file cannot be opened: {error.strerror}", where=Where(path.name)) from error
    except UnicodeDecodeError as error:
        raise BadSetup("the setup is not UTF-8 text", where=Where(path.name)) from error
    loaded = _json(text, path.name) if text.lstrip().startswith("{") else _toml(text, path.name)
    if not isinstance(loaded, Mapping):
        raise BadSetup("expected tables such as [rig] and [[channel]]", where=Where(path.name))
    return cast(Mapping[str, object], loaded)


def _json(text: str, file: str) -> object:
    try:
        return json.loads(text)
    except (json.JSONDecodeError, RecursionError) as error:
        line = getattr(error, "lineno", None)
        raise BadSetup(f"the JSON cannot be read: {error}", where=Where(file, line)) from error


def _toml(text: str, file: str) -> object:
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        match = re.search(r"\(at line (\d+), column \d+\)", str(error))
        line = int(match[1]) if match else text.count("\n") + 1
        raise BadSetup(f"the TOML cannot be read: {error}", where=Where(file, line)) from error


def _positive_measured(table: Table, key: str, dimension: str) -> Measured | None:
    value = table.measured(key, dimension)
    if value is not None and value.value <= 0.0:
        raise table.wrong(key, "expected a value above zero")
    return value


def _coolant(rig: Table) -> str:
    name = rig.text("coolant", WATER)
    try:
        coolant_of(name)
    except OutOfRange as error:
        raise rig.wrong("coolant", error.message) from error
    return name


def _time_zone(rig: Table) -> str:
    name = rig.text("time_zone")
    if name:
        try:
            ZoneInfo(name)
        except (ZoneInfoNotFoundError, ValueError, OSError) as error:
            raise rig.wrong("time_zone", f"'{name}' is not a time zone such as Europe/Vienna") from error
    return name


def _duration(table: Table, key: str) -> timedelta | None:
    seconds = table.quantity(key, "time", least=0.0)
    try:
        return None if seconds is None else timedelta(seconds=seconds)
    except OverflowError as error:
        raise table.wrong(key, "the duration is too long") from error


def _trials(top: Table) -> Trials | None:
    """How figures are propagated by Monte Carlo; None where the setup has no such table."""
    if top.get("monte_carlo") is None:
        return None
    table = top.inner("monte_carlo")
    found = Trials(
        seed=table.whole("seed", 1, least=0, most=2**32 - 1),
        digits=table.whole("digits", 2, least=1, most=3),
    )
    table.done()
    return found


def _nominal(table: Table) -> dict[str, float]:
    values = {key: table.quantity(key, dimension) for key, dimension in CONDITIONS.items()}
    return {key: value for key, value in values.items() if value is not None}


def _tolerance(table: Table, nominal: Mapping[str, float]) -> dict[str, float]:
    values = {key: tolerance(table, key, kind, nominal=nominal.get(key)) for key, kind in CONDITIONS.items()}
    return {key: value for key, value in values.items() if value is not None}


def _window(steady: Table) -> tuple[float, float] | None:
    """`window = ["900 s", "1500 s"]`: times of the run that a person chose."""
    given = steady.get("window")
    if given is None:
        return None
    if not isinstance(given, Sequence) or isinstance(given, str) or len(given) != 2:
        raise steady.wrong("window", 'expected two times, such as ["900 s", "1500 s"]')
    start, end = (steady.si("window", time, "time") for time in given)
    if not start < end:
        raise steady.wrong("window", "the second time must be later than the first")
    return start, end


def _channels(top: Table) -> tuple[Channel, ...]:
    rows = top.get("channel")
    if rows is None:
        return ()
    if not isinstance(rows, Sequence) or isinstance(rows, str):
        raise BadSetup("expected a list of tables, each written as [[channel]]", where=Where(top.file, key="channel"))
    channels: list[Channel] = []
    seen: dict[str, int] = {}
    for number, row in enumerate(rows, start=1):
        if not isinstance(row, Mapping):
            raise BadSetup("expected a table", where=Where(top.file, key=f"channel {number}"))
        table = Table(row, f"channel {number}:", top.file)
        channel = _channel(table)
        if channel.column in seen:
            earlier = seen[channel.column]
            raise table.wrong("column", f"'{channel.column}' is the column of channel {earlier} already")
        seen[channel.column] = number
        channels.append(channel)
    _check_pairs(channels, top.file)
    _check_one_time(channels, top.file)
    return (*channels, *_junctions(channels, top.file))


def _channel(table: Table) -> Channel:
    column, quantity = table.text("column"), table.text("quantity")
    if not column:
        raise table.wrong("column", "is missing; expected the header's name without its unit")
    if not quantity:
        raise table.wrong("quantity", f"is missing; expected one of: {', '.join(CHANNEL_QUANTITIES)}")
    quantity = table.choice("quantity", of=CHANNEL_QUANTITIES, default="")
    sensor = table.choice("sensor", of=("", *SENSORS), default="")
    channel = Channel(
        column=column,
        quantity=quantity,
        unit=_unit(table, SENSORS[sensor].dimension if sensor else quantity),
        gain=table.number("gain", 1.0),
        offset=table.number("offset", 0.0),
        u=table.checked("u", table.number("u", 0.0), 0.0),
        depth=table.quantity("depth", "length", least=0.0),
        depth_u=table.quantity("depth_uncertainty", "length", least=0.0) or 0.0,
        pair=_pair(table),
        sensor=sensor,
        cold_junction=table.text("cold_junction"),
        tolerance_class=table.text("tolerance_class"),
    )
    _check_sensor(table, channel)
    if channel.gain == 0.0:
        raise table.wrong("gain", "a gain of zero would erase the reading")
    if channel.depth is not None and quantity not in _DEEP:
        raise table.wrong("depth", f"is for {' and '.join(_DEEP)} only")
    if channel.depth is None and channel.depth_u:
        raise table.wrong("depth_uncertainty", "needs the depth it is the standard uncertainty of")
    if channel.pair and quantity not in ("heater_voltage", "heater_current"):
        raise table.wrong("pair", "is for heater_voltage and heater_current only")
    table.done()
    return channel


def _check_sensor(table: Table, channel: Channel) -> None:
    """A sensor reads a temperature; a thermocouple needs a cold junction, and nothing else may have one."""
    couple = channel.sensor.startswith("thermocouple")
    if channel.sensor and channel.quantity not in _SENSED:
        raise table.wrong("sensor", f"is for {', '.join(_SENSED)} only")
    if couple and channel.quantity == "cold_junction":
        raise table.wrong("sensor", "a cold junction cannot be measured by a thermocouple")
    if couple and not channel.cold_junction:
        raise table.wrong(
            "cold_junction", f"a {channel.sensor} needs the column that holds its cold junction's reading"
        )
    if channel.cold_junction and not couple:
        raise table.wrong("cold_junction", "is for thermocouples only")
    if channel.tolerance_class:
        known = SENSORS[channel.sensor].tolerances if channel.sensor else {}
        if channel.tolerance_class not in known:
            expected = f"expected one of: {', '.join(known)}" if known else "it is for channels with a sensor only"
            raise table.wrong("tolerance_class", f"'{channel.tolerance_class}' is not known; {expected}")


def _junctions(channels: Sequence[Channel], file: str) -> list[Channel]:
    """The cold junctions that thermocouples name and no channel describes; BadSetup for one that is something else."""
    listed = {channel.column: channel for channel in channels}
    added: dict[str, Channel] = {}
    for number, channel in enumerate(channels, start=1):
        column = channel.cold_junction
        if not column:
            continue
        if column in listed and listed[column].quantity not in ("cold_junction", "ambient_temperature"):
            raise BadSetup(
                f"'{column}' is a channel of {listed[column].quantity}; expected one of cold_junction",
                where=Where(file, key=f"channel {number}: cold_junction"),
            )
        if column not in listed:
            added[column] = Channel(column=column, quantity="cold_junction")
    return list(added.values())


def _unit(table: Table, quantity: str) -> str:
    unit = table.text("unit")
    if unit:
        try:
            conversion(unit, quantity)
        except UnitError as error:
            raise table.wrong("unit", error.message) from error
    return unit


def _pair(table: Table) -> str:
    pair = table.get("pair")
    if isinstance(pair, int) and not isinstance(pair, bool):
        return str(pair)
    return table.text("pair")


def _check_pairs(channels: Sequence[Channel], file: str) -> None:
    """Each voltage needs the one current of its pair, and the other way round."""
    partners = {"heater_voltage": "heater_current", "heater_current": "heater_voltage"}
    for number, channel in enumerate(channels, start=1):
        partner = partners.get(channel.quantity)
        if partner is None:
            continue
        same = sum(other.quantity == channel.quantity and other.pair == channel.pair for other in channels)
        others = sum(other.quantity == partner and other.pair == channel.pair for other in channels)
        if same != 1 or others != 1:
            raise BadSetup(
                f"expected exactly one {channel.quantity} and one {partner} of pair '{channel.pair}', "
                f"found {same} and {others}",
                where=Where(file, key=f"channel {number}: pair"),
            )


def _check_one_time(channels: Sequence[Channel], file: str) -> None:
    times = [number for number, channel in enumerate(channels, start=1) if channel.quantity == "time"]
    if len(times) > 1:
        raise BadSetup("expected one time channel", where=Where(file, key=f"channel {times[1]}: quantity"))
    for number in times:
        if channels[number - 1].gain != 1.0 or channels[number - 1].offset != 0.0:
            raise BadSetup("a time channel has no gain and no offset", where=Where(file, key=f"channel {number}: gain"))
