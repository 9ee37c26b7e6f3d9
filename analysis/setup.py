"""A rig's setup: how the channels are to be read, what the blocks are, what counts as nominal and as settled."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta

from analysis.results import Measured, Trials
from analysis.units import to_si

MIN_DURATION = to_si(180.0, "s", "time")
MAX_SLOPE = to_si(0.05, "K/min", "temperature_rate")
_NOTHING = Measured(0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Channel:
    """One column of a run file: calibrated = gain * reading + offset, in `unit`; `u` standard, of a difference."""

    column: str
    quantity: str
    unit: str = ""  # "": the header's unit
    gain: float = 1.0
    offset: float = 0.0
    u: float = 0.0
    depth: float | None = None  # [m] below the contact face
    depth_u: float = 0.0  # [m] standard uncertainty of that
    pair: str = ""  # a voltage and a current channel of one pair make one power
    sensor: str = ""  # a key of `analysis.sensors.SENSORS` where the column holds a resistance or a voltage
    cold_junction: str = ""  # the column that holds the temperature of a thermocouple's cold junction
    tolerance_class: str = ""  # of the sensor: its limit of error counts as an uncertainty


@dataclass(frozen=True, slots=True)
class RigSetup:
    """Everything but the readings, in SI units; `None` where the setup does not say."""

    name: str = ""
    area: Measured | None = None  # [m2]
    heat_flow: str = "electrical"  # electrical | meter_bar | coolant
    loss_conductance: Measured = _NOTHING  # [W/K] heater block to room
    block_conductivity: Measured | None = None  # [W/(m K)]
    coolant: str = "water"  # or a mixture, "ethylene glycol 30 %" of the mass
    coolant_share_u: float | None = None  # standard uncertainty of that share of the mass
    time_zone: str = ""
    gap_resolution: float = 0.0  # [m]
    gap_expansion: Measured = _NOTHING  # [m/K]
    zero_max_age: timedelta | None = None
    zero_max_drift: float | None = None  # [m]
    zero_reading: float | None = None  # [m]
    null_temperatures: bool = False
    nominal: Mapping[str, float] = field(default_factory=dict)  # heater_power [W], force [N], coolant_temperature [K]
    tolerance: Mapping[str, float] = field(default_factory=dict)  # absolute, SI: a relative one times its nominal
    min_duration: float = MIN_DURATION  # [s]
    max_slope: float = MAX_SLOPE  # [K/s] of the temperature rise
    channels: tuple[Channel, ...] = ()
    sample: str = ""
    application: str = ""
    kind: str = ""  # kind of material, for plausibility; "" where unknown
    method: str = "steady"
    window: tuple[float, float] | None = None  # [s] of the run: chosen by a person instead of the plateau found
    monte_carlo: Trials | None = None  # how every figure is propagated so as well, where asked
    source: Mapping[str, object] = field(default_factory=dict)  # the mapping it was read from, as in the TOML file
