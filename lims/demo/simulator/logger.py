"""What the sensors make of the truth, and the logger of the sensors: lag, noise with a memory, calibration errors."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime

import numpy as np

from lims.demo.simulator.bench import ICE, LITRES_A_MINUTE, Array, Bench, Plan, Recording
from lims.demo.simulator.physics import outlet

MICRO = 1e6
_ZERO_SECONDS, _CLOSED_AT = 180.0, 20.0


@dataclass(slots=True)
class Log:
    """A recording in the making: `errors` are the calibration errors of the sensors, true value less reading."""

    bench: Bench  # as it truly is
    plan: Plan
    time: Array
    errors: Mapping[str, float]
    rng: np.random.Generator
    columns: dict[str, Array] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)

    def add(self, name: str, unit: str, values: Array) -> None:
        """One column, in the log's own unit and steps."""
        step = self.bench.rounding.get(unit, self.bench.resolution * MICRO if unit == "um" else 0.0)
        self.columns[name] = np.round(values / step) * step if step else values
        self.units[name] = unit

    def noise(self, kind: str) -> Array:
        """Half of the variance without memory, half with the bench's memory (a first-order autoregression)."""
        n = self.time.size
        phi = math.exp(-self.plan.interval / self.bench.memory) if self.bench.memory > 0.0 else 0.0
        turn = 1.0 - phi * np.exp(-2j * np.pi * np.fft.rfftfreq(n))
        slow = np.fft.irfft(np.fft.rfft(self.rng.normal(size=n)) / turn, n) * math.sqrt(1.0 - phi**2)
        return self.bench.noise[kind] * math.sqrt(0.5) * (self.rng.normal(size=n) + slow)

    def temperature(self, name: str, values: Array, *, error: str, share: float = 1.0) -> None:
        self.add(name, "degC", values - self.errors[error] + share * self.noise("temperature") - ICE)


def draw_errors(bench: Bench, rng: np.random.Generator) -> dict[str, float]:
    """One calibration error for each sensor, drawn from its stated uncertainty."""
    sizes = {f"{side}{n}": bench.u_temperature for side in ("hot", "cold") for n in range(len(bench.depths))}
    sizes |= {f"heater{n}": bench.u_power for n in range(bench.heaters)}
    sizes |= {"coolant_in": bench.u_coolant, "coolant_out": bench.u_coolant, "flow": bench.u_flow}
    sizes |= {"ambient": bench.u_room, "gap": bench.u_gap, "force": bench.u_force}
    return {name: float(rng.normal() * size) for name, size in sizes.items()}


def record(log: Log, state: Mapping[str, Array], *, begin: datetime, zero: float) -> Recording:
    """The log of a run whose truth is `state`; `zero` [m] is what the gap sensor reads on closed blocks at `begin`."""
    bench, plan = log.bench, log.plan
    _heaters(log, state)
    for side, sign in (("hot", 1.0), ("cold", -1.0)):
        _block(log, state, side=side, sign=sign)
    inlet = state["coolant_temperature"]
    log.temperature("coolant in", inlet, error="coolant_in", share=0.5)
    log.temperature("coolant out", outlet(bench, inlet, state["coolant_heat_flow"]), error="coolant_out", share=0.5)
    flow = bench.coolant_flow - log.errors["flow"] + log.noise("flow")
    log.add("flow", "L/min", flow * LITRES_A_MINUTE)
    log.temperature("room", np.full_like(inlet, plan.ambient), error="ambient")
    warm = 0.5 * (state["hot_sensor"] + state["cold_sensor"]) - plan.coolant
    drifted = zero + plan.zero_drift * log.time
    gap = state["gap"] + drifted - log.errors["gap"] + bench.expansion * warm + log.noise("gap")
    log.add("gap", "um", gap * MICRO)
    pressed = state["force"] > 0.0
    log.add("force", "N", np.where(pressed, state["force"] + log.noise("force") - log.errors["force"], 0.0))
    return Recording(log.time, log.columns, log.units, begin)


def record_zero(log: Log, *, begin: datetime, zero: float) -> Recording:
    """Closed blocks at the coolant's temperature: an open gap that closes after 20 s, then rest."""
    plan = replace(log.plan, interval=max(min(log.plan.interval, 1.0), 0.2), dead_heater=None)
    time = np.arange(0.0, _ZERO_SECONDS, plan.interval)
    level, none = np.full_like(time, plan.coolant), np.zeros_like(time)
    closed = time >= _CLOSED_AT
    state = dict.fromkeys(("hot_sensor", "cold_sensor", "coolant_temperature"), level)
    state |= dict.fromkeys(("heat_flow", "coolant_heat_flow", "power"), none)
    state |= {"gap": np.where(closed, 0.0, 200e-6), "force": np.where(closed, plan.force, 0.0)}
    # A displacement is counted from here, so its calibration error shows in the run alone.
    zero_log = Log(log.bench, plan, time, dict(log.errors) | {"gap": 0.0}, log.rng)
    return record(zero_log, state, begin=begin, zero=zero)


def _heaters(log: Log, state: Mapping[str, Array]) -> None:
    if not log.bench.powered:
        return
    share = state["power"] / log.bench.heaters
    for n in range(log.bench.heaters):
        on = 0.0 if log.plan.dead_heater == n else 1.0
        reading = share + np.where(share > 0.0, log.noise("power") - log.errors[f"heater{n}"], 0.0)
        log.add(f"heater {n + 1}", "W", on * reading)


def _block(log: Log, state: Mapping[str, Array], *, side: str, sign: float) -> None:
    """All sensors of one block; heat enters the hot one and leaves the cold one away from the layer."""
    bench = log.bench
    gradient = sign * state["heat_flow"] / (bench.area * bench.block_conductivity)
    base = _lagged(log.time, state[f"{side}_sensor"], lag=bench.lag)
    for n, depth in enumerate(bench.depths):
        name = side if len(bench.depths) == 1 else f"{side} {n + 1}"
        log.temperature(name, base + gradient * (depth - min(bench.depths)), error=f"{side}{n}")


def _lagged(time: Array, series: Array, *, lag: float) -> Array:
    """What a slow sensor shows, an exact first-order filter from row to row."""
    if lag <= 0.0:
        return series
    shown, value, before = np.empty_like(series), float(series[0]), float(time[0])
    for i, (t, x) in enumerate(zip(time.tolist(), series.tolist(), strict=True)):
        value += (x - value) * (1.0 - math.exp(-(t - before) / lag))
        shown[i], before = value, t
    return shown
