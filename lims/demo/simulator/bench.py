"""What is simulated: the layer, the bench it is put on, what is done in a run, and what comes out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
ICE = 273.15  # [K]
LITRES_A_MINUTE = 60000.0  # in one m3/s
NOISE: Mapping[str, float] = MappingProxyType(
    {"temperature": 0.02, "power": 0.02, "flow": 0.003 / LITRES_A_MINUTE, "gap": 0.08e-6, "force": 0.4}
)
"""Standard deviation of the noise of one reading by the kind of channel, SI."""


@dataclass(frozen=True, slots=True)
class Layer:
    """The layer under test: its bulk conductivity and contact impedance, and how it is pressed out."""

    conductivity: float = 4.0  # [W/(m K)]
    contact: float = 3e-6  # [m2 K/W] both faces together
    gap_open: float = 300e-6  # [m]
    gap_end: float = 50e-6  # [m]
    pressing_time: float = 30.0  # [s]
    exponent: float = 3.0  # of the approach
    creep: float = 0.0  # [m/s] the gap goes on moving by

    def gap(self, t: Array, pressed_at: float) -> Array:
        """Gap [m] at the times `t` [s]."""
        since = np.maximum(t - pressed_at, 0.0)
        way = (1.0 + since / self.pressing_time) ** -self.exponent
        return self.gap_end + (self.gap_open - self.gap_end) * way - self.creep * since

    def impedance(self, t: Array, gap: Array) -> Array:
        """Impedance [m2 K/W] at the times `t` [s], where the gap is `gap` [m]."""
        return gap / self.conductivity + self.contact + 0.0 * t


@dataclass(frozen=True, slots=True)
class Bench:
    """A rig: what it is made of, and what its owner states about it. SI units, but for `max_slope`."""

    name: str = "north"
    heat_flow: str = "electrical"  # electrical | meter_bar | coolant
    area: float = 1000e-6
    u_area: float = 0.0
    loss: float = 0.08  # [W/K]
    u_loss: float = 0.02
    block_conductivity: float = 390.0
    u_block_conductivity: float = 4.0
    hot_capacity: float = 250.0  # [J/K]
    cold_capacity: float = 200.0
    cold_conductance: float = 40.0  # [W/K] to the coolant
    coolant_flow: float = 2.0 / LITRES_A_MINUTE
    heaters: int = 6
    depths: tuple[float, ...] = (2e-3,)  # of the sensors of each block
    expansion: float = 0.06e-6  # [m/K]
    u_expansion: float = 0.012e-6
    zero: float = 6.3e-6
    resolution: float = 0.1e-6  # of the gap
    u_temperature: float = 0.03
    u_coolant: float = 0.02
    u_power: float = 0.05  # of one heater channel
    u_flow: float = 0.01 / LITRES_A_MINUTE
    u_room: float = 0.2
    u_gap: float = 0.3e-6
    u_force: float = 1.0
    lag: float = 2.0  # [s] of the temperature sensors
    noise: Mapping[str, float] = field(default_factory=lambda: NOISE)
    memory: float = 3.0  # [s] of the slow half of the noise
    rounding: Mapping[str, float] = field(default_factory=dict)  # steps of the log by unit
    min_duration: float = 180.0
    max_slope: float = 0.05  # [K/min]

    @property
    def powered(self) -> bool:
        """Whether heater powers are logged."""
        return self.heat_flow != "meter_bar"


@dataclass(frozen=True, slots=True)
class Plan:
    """What is done in a run: power steps as (start [s], power [W]), force, coolant, room, and the logger."""

    steps: tuple[tuple[float, float], ...] = ((60.0, 150.0), (1700.0, 0.0))
    seconds: float = 1920.0
    interval: float = 1.0
    jitter: float = 0.0  # of the instants, in intervals
    pressed_at: float = 40.0
    force: float = 250.0
    coolant: float = 25.0 + ICE
    coolant_drift: Callable[[Array], Array] = field(default=np.zeros_like)
    ambient: float = 23.0 + ICE
    nominal_power: float | None = 150.0
    begin: datetime = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
    zero_before: timedelta = timedelta(minutes=30)
    zero_after: bool = False
    zero_drift: float = 0.0  # [m/s]
    dead_heater: int | None = None
    extra: Mapping[str, object] = field(default_factory=dict)  # merged into the setup's tables


@dataclass(frozen=True, slots=True)
class Recording:
    """A file's worth of log: times [s], columns by header name in the header's unit, and the first instant."""

    time: Array
    columns: Mapping[str, Array]
    units: Mapping[str, str]
    begin: datetime


@dataclass(frozen=True, slots=True)
class Simulated:
    """A run with its zeros, the setup its rig's owner would write, and the truth."""

    run: Recording
    setup: Mapping[str, object]
    zero: Recording
    zero_after: Recording | None
    true_series: Mapping[str, Array]
    area: float

    def truth(self, start: float, end: float) -> dict[str, float]:
        """True values of the figures over the rows from `start` to `end` [s], SI."""
        rows = (self.run.time >= start) & (self.run.time <= end)
        mean = {name: float(series[rows].mean()) for name, series in self.true_series.items()}
        heat = mean["heat_flow"]
        impedance = mean["temperature_rise"] * self.area / heat
        return mean | {
            "thermal_impedance": impedance,
            "apparent_conductivity": mean["gap"] / impedance,
            "heat_flux": heat / self.area,
            "pressure": mean["force"] / self.area,
        }
