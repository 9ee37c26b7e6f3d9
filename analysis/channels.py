"""Calibrated channels: the columns of a trace, as the setup says they are to be read, in SI units.

A channel is converted when it is asked for, so that a long run is not held twice.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.errors import BadSetup, Where
from analysis.quantities import QUANTITIES
from analysis.results import Array, Trace
from analysis.sensors import SENSORS
from analysis.sensors.converting import Signal, sense
from analysis.setup import Channel, RigSetup
from analysis.units import conversion

ALL_ROWS = slice(None)


@dataclass(frozen=True, slots=True)
class Junction:
    """The cold junction of a thermocouple: its column, its standard uncertainty `u` [K], and what it adds per kelvin.

    All thermocouples on one junction share its error: in the difference of two of them it nearly cancels.
    """

    column: str
    u: float
    sensitivity: float


@dataclass(frozen=True, slots=True)
class Reading:
    """One calibrated channel: SI value = `slope` * raw + `shift`; a power pair also multiplies by `times`.

    `u` is the standard uncertainty of the calibrated value in the SI unit (of a difference); `depth` [m] is the
    sensor's distance below its contact face, known to a standard uncertainty `depth_u`.
    """

    column: str
    quantity: str
    raw: NDArray[np.floating]
    slope: float = 1.0
    shift: float = 0.0
    u: float = 0.0
    depth: float | None = None
    depth_u: float = 0.0
    times: Reading | None = None  # the current of a voltage that is a power
    junction: Junction | None = None  # of a thermocouple

    def values(self, rows: slice = ALL_ROWS) -> Array:
        """The calibrated values of `rows` in SI, shape (n,), float64, missing ones nan, read-only."""
        values: Array = self.raw[rows].astype(np.float64, copy=False).view()
        if self.slope != 1.0:
            values = values * self.slope
        if self.shift != 0.0:
            values = values + self.shift
        if self.times is not None:
            values = values * self.times.values(rows)
        values.flags.writeable = False
        return values

    def uncertainty(self, rows: slice = ALL_ROWS) -> float:
        """Standard uncertainty of calibration over `rows` in SI; of a pair, from the mean voltage and current."""
        if self.times is None:
            return self.u
        current = self.times
        plain = Reading(self.column, self.quantity, self.raw, self.slope, self.shift)
        return math.hypot(
            _mean(current.values(rows)) * self.u,
            _mean(plain.values(rows)) * current.u,
        )


@dataclass(frozen=True, slots=True)
class Channels:
    """All calibrated channels of one run, in the setup's order, on one time axis `time` [s], shape (n,), sorted."""

    time: Array
    readings: tuple[Reading, ...]

    def of(self, quantity: str) -> tuple[Reading, ...]:
        """The channels of one quantity; empty where there is none."""
        return tuple(reading for reading in self.readings if reading.quantity == quantity)

    def has(self, quantity: str) -> bool:
        return any(reading.quantity == quantity for reading in self.readings)

    def depths(self, quantity: str) -> tuple[float, ...]:
        """The different depths [m] of a quantity's sensors, nearest to the face first; unknown depths count as 0."""
        return tuple(sorted({reading.depth or 0.0 for reading in self.of(quantity)}))


def calibrate(trace: Trace, *, setup: RigSetup, partial: bool = False) -> Channels:
    """The channels of `trace` as `setup` says; BadSetup where it names a column or a unit that cannot be had.

    With `partial` a column that the file lacks is passed over: a zero run may have been recorded with fewer channels.
    """
    chosen = [
        (number, channel)
        for number, channel in enumerate(setup.channels, start=1)
        if channel.quantity not in ("time", "cold_junction") and (not partial or _recorded(trace, channel))
    ]
    readings = [_reading(trace, channel, number=number, setup=setup) for number, channel in chosen]
    return Channels(time=trace.time, readings=tuple(_paired(readings, [channel for _, channel in chosen])))


def _recorded(trace: Trace, channel: Channel) -> bool:
    return channel.column in trace.columns and (not channel.cold_junction or channel.cold_junction in trace.columns)


def _reading(trace: Trace, channel: Channel, *, number: int, setup: RigSetup) -> Reading:
    """One channel without its pair."""
    if channel.sensor:
        return _sensed(trace, channel, number=number, setup=setup)
    return _plain(trace, channel, number=number)


def _plain(trace: Trace, channel: Channel, *, number: int) -> Reading:
    """A channel whose column holds the quantity, or the signal of a sensor, itself."""
    if channel.column not in trace.columns:
        known = ", ".join((*trace.columns, *trace.unread))
        raise BadSetup(
            f"'{channel.column}' is not a column of {trace.file}; it has: {known}",
            where=Where(key=f"channel {number}: column"),
        )
    unit = channel.unit or trace.units.get(channel.column, "")
    where = Where(file="" if channel.unit else trace.file, column=channel.column, key=f"channel {number}: unit")
    dimension = SENSORS[channel.sensor].dimension if channel.sensor else QUANTITIES[channel.quantity].dimension
    to_si = conversion(unit, dimension, where=where)
    return Reading(
        column=channel.column,
        quantity=channel.quantity,
        raw=trace.columns[channel.column],
        slope=to_si.factor * channel.gain,
        shift=to_si.factor * channel.offset + to_si.shift,
        u=abs(to_si.factor) * channel.u,
        depth=channel.depth,
        depth_u=channel.depth_u,
    )


def _sensed(trace: Trace, channel: Channel, *, number: int, setup: RigSetup) -> Reading:
    """A channel whose column holds a resistance or a voltage, as temperatures."""
    curve, signal = SENSORS[channel.sensor], _signal(_plain(trace, channel, number=number))
    cold = _junction(trace, channel, number=number, setup=setup) if channel.cold_junction else None
    found = sense(curve, signal, junction=cold, tolerance_class=channel.tolerance_class)
    if np.isfinite(signal.raw).any() and not np.isfinite(found.values).any():
        raise BadSetup(
            f"no reading of '{channel.column}' lies on the curve of a {curve.name}, from {curve.lowest:g} to "
            f"{curve.highest:g} degC; is its unit right?",
            where=Where(file=trace.file, column=channel.column, key=f"channel {number}: sensor"),
        )
    return Reading(
        column=channel.column,
        quantity=channel.quantity,
        raw=found.values,
        u=found.u,
        depth=channel.depth,
        depth_u=channel.depth_u,
        junction=None if cold is None else Junction(channel.cold_junction, cold.u, found.by_junction),
    )


def _junction(trace: Trace, channel: Channel, *, number: int, setup: RigSetup) -> Signal:
    """The temperature of a thermocouple's cold junction."""
    if channel.cold_junction not in trace.columns:
        known = ", ".join((*trace.columns, *trace.unread))
        raise BadSetup(
            f"'{channel.cold_junction}' is not a column of {trace.file}; it has: {known}",
            where=Where(key=f"channel {number}: cold_junction"),
        )
    place, listed = next((n, one) for n, one in enumerate(setup.channels, 1) if one.column == channel.cold_junction)
    return _signal(_reading(trace, listed, number=place, setup=setup))


def _signal(reading: Reading) -> Signal:
    return Signal(reading.raw, reading.slope, reading.shift, reading.u)


def _paired(readings: Sequence[Reading], channels: Sequence[Channel]) -> list[Reading]:
    """Heater voltages and currents of one pair made into powers, in the place of the voltage."""
    currents = {
        channel.pair: reading
        for reading, channel in zip(readings, channels, strict=True)
        if channel.quantity == "heater_current"
    }
    made: list[Reading] = []
    for reading, channel in zip(readings, channels, strict=True):
        if channel.quantity == "heater_voltage":
            if channel.pair in currents:
                made.append(_power(reading, currents[channel.pair]))
        elif channel.quantity != "heater_current":
            made.append(reading)
    return made


def _power(voltage: Reading, current: Reading) -> Reading:
    return Reading(
        column=f"{voltage.column} * {current.column}",
        quantity="heater_power",
        raw=voltage.raw,
        slope=voltage.slope,
        shift=voltage.shift,
        u=voltage.u,
        times=current,
    )


def _mean(values: Array) -> float:
    return float(np.nanmean(values)) if np.isfinite(values).any() else math.nan
