"""A press rig on paper: runs whose true values are known, with all that goes wrong on a real one.

Two lumped blocks with a layer between them; heat goes from the heater block through the layer into the cooled block and
the coolant. Sensors have calibration errors drawn from their stated uncertainties, a lag, and noise with a memory.
Everything is SI inside; columns are in the units a rig would log. All of it is invented.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
ICE = 273.15

# Water at 101.325 kPa by IAPWS-95, every 5 degC from 0 to 80: density kg/m3, heat capacity J/(kg K).
_WATER_T = np.arange(5.0, 65.0, 5.0)
_WATER_RHO = np.array(
    [
        999.9666,
        999.7025,
        999.1026,
        998.2072,
        997.0476,
        995.6495,
        994.0333,
        992.2164,
        990.2132,
        988.0350,
        985.6926,
        983.1958,
    ]
)
_WATER_CP = np.array(
    [4205.04, 4195.16, 4188.46, 4184.05, 4181.31, 4179.82, 4179.26, 4179.41, 4180.13, 4181.34, 4182.96, 4184.95]
)


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


@dataclass(frozen=True, slots=True)
class Bench:
    """A rig: what it is made of, and what its owner states about it."""

    name: str = "north"
    heat_flow: str = "electrical"
    area: float = 1000e-6
    u_area: float = 0.0
    loss: float = 0.08
    u_loss: float = 0.02
    block_conductivity: float = 390.0
    u_block_conductivity: float = 4.0
    hot_capacity: float = 250.0  # [J/K]
    cold_capacity: float = 200.0
    cold_conductance: float = 40.0  # [W/K] to the coolant
    coolant_flow: float = 2.0 / 60000.0
    heaters: int = 6
    depths: tuple[float, ...] = (2e-3,)
    expansion: float = 0.06e-6
    u_expansion: float = 0.012e-6
    zero: float = 6.3e-6
    resolution: float = 0.1e-6
    u_temperature: float = 0.03
    u_coolant: float = 0.02
    u_power: float = 0.05  # of one heater channel
    u_flow: float = 0.01 / 60000.0
    u_gap: float = 0.3e-6
    u_force: float = 1.0
    lag: float = 2.0
    noise: Mapping[str, float] = field(
        default_factory=lambda: {
            "temperature": 0.02,
            "power": 0.02,
            "flow": 0.003 / 60000.0,
            "gap": 0.08e-6,
            "force": 0.4,
        }
    )
    memory: float = 3.0  # [s] of the slow part of the noise
    rounding: Mapping[str, float] = field(default_factory=dict)  # steps of the log, in its own units, by kind
    min_duration: float = 180.0
    max_slope: float = 0.05  # [K/min]


@dataclass(frozen=True, slots=True)
class Plan:
    """What is done in a run: power steps as (start [s], power [W]), force, coolant, room, and the logger."""

    steps: tuple[tuple[float, float], ...] = ((60.0, 150.0), (1700.0, 0.0))
    seconds: float = 1920.0
    interval: float = 1.0
    jitter: float = 0.0
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
    extra: Mapping[str, object] = field(default_factory=dict)  # merged into the setup's sections


@dataclass(frozen=True, slots=True)
class Recording:
    """A file's worth of log: times [s], columns by header name in the header's unit, notes, and the first instant."""

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
        rise, heat = mean["temperature_rise"], mean["heat_flow"]
        impedance = rise * self.area / heat
        return mean | {
            "thermal_impedance": impedance,
            "apparent_conductivity": mean["gap"] / impedance,
            "heat_flux": heat / self.area,
            "pressure": mean["force"] / self.area,
        }


def simulate(bench: Bench, layer: Layer | None = None, plan: Plan | None = None, *, seed: int = 0) -> Simulated:
    """A run on a bench: physics first, then what the sensors make of it."""
    layer, plan = layer or Layer(), plan or Plan()
    rng = np.random.default_rng(seed)
    true = replace(
        bench,
        area=bench.area + rng.normal() * bench.u_area,
        loss=bench.loss + rng.normal() * bench.u_loss,
        block_conductivity=bench.block_conductivity + rng.normal() * bench.u_block_conductivity,
        expansion=bench.expansion + rng.normal() * bench.u_expansion,
    )
    errors = _errors(bench, rng)
    time = _times(plan, rng)
    state = _physics(true, layer, plan, time)
    run = _log(true, plan, time, state, errors, rng, begin=plan.begin, zero_at=_zero_at(bench, plan, plan.begin))
    zero = _zero_run(true, plan, errors, rng, begin=plan.begin - plan.zero_before)
    after = plan.begin + timedelta(seconds=plan.seconds + 600.0)
    series = {name: state[name] for name in ("temperature_rise", "heat_flow", "gap", "coolant_heat_flow")}
    series |= {name: state[name] for name in ("hot_temperature", "cold_temperature", "coolant_temperature", "force")}
    return Simulated(
        run=run,
        setup=setup_of(bench, plan),
        zero=zero,
        zero_after=_zero_run(true, plan, errors, rng, begin=after) if plan.zero_after else None,
        true_series=series,
        area=true.area,
    )


def _errors(bench: Bench, rng: np.random.Generator) -> dict[str, float]:
    """One calibration error for each sensor, drawn from its stated uncertainty."""
    sizes = {f"{side}{n}": bench.u_temperature for side in ("hot", "cold") for n in range(len(bench.depths))}
    sizes |= {f"heater{n}": bench.u_power for n in range(bench.heaters)}
    sizes |= {"coolant_in": bench.u_coolant, "coolant_out": bench.u_coolant, "flow": bench.u_flow, "ambient": 0.2}
    sizes |= {"gap": bench.u_gap, "force": bench.u_force}
    return {name: float(rng.normal() * size) for name, size in sizes.items()}


def _times(plan: Plan, rng: np.random.Generator) -> Array:
    time = np.arange(0.0, plan.seconds, plan.interval)
    if plan.jitter:
        time = np.sort(time + rng.uniform(-0.5, 0.5, time.size) * plan.jitter * plan.interval)
        time -= time[0]
    return time


def _power(plan: Plan, t: Array) -> Array:
    power = np.zeros_like(t)
    for start, watts in plan.steps:
        power[t >= start] = watts
    return power


def _physics(bench: Bench, layer: Layer, plan: Plan, time: Array) -> dict[str, Array]:
    """The true course of everything, at the logger's instants."""
    step = min(0.5, 2.0 * plan.interval)
    t = np.arange(0.0, time[-1] + step, step)
    gap = layer.gap(t, plan.pressed_at)
    depth = min(bench.depths)
    resistance = (gap / layer.conductivity + layer.contact) / bench.area
    blocks = 2.0 * depth / (bench.block_conductivity * bench.area)
    conductance = 1.0 / (resistance + blocks)
    inlet = plan.coolant + plan.coolant_drift(t)
    hot, cold = _integrate(bench, plan, conductance, _power(plan, t), inlet, step)
    heat = conductance * (hot - cold)
    carried = bench.cold_conductance * (cold - inlet)
    state = {
        "hot_sensor": hot,
        "cold_sensor": cold,
        "heat_flow": heat,
        "temperature_rise": heat * resistance,
        "hot_temperature": hot - 0.5 * blocks * heat,
        "cold_temperature": cold + 0.5 * blocks * heat,
        "coolant_temperature": inlet,
        "coolant_heat_flow": carried,
        "gap": gap,
        "force": np.where(t >= plan.pressed_at, plan.force, 0.0),
    }
    sampled = {name: np.interp(time, t, series) for name, series in state.items()}
    sampled["power"] = _power(plan, time)
    sampled["force"] = np.where(time >= plan.pressed_at, plan.force, 0.0)
    return sampled


def _integrate(
    bench: Bench, plan: Plan, conductance: Array, power: Array, inlet: Array, step: float
) -> tuple[Array, Array]:
    """Both block temperatures by the implicit Euler rule, a linear system of two in every step."""
    hot, cold = np.empty_like(power), np.empty_like(power)
    h = c = float(inlet[0])
    working = 1.0 if plan.dead_heater is None else (bench.heaters - 1.0) / bench.heaters
    ch, cc, gl, gc, room = (
        bench.hot_capacity / step,
        bench.cold_capacity / step,
        bench.loss,
        bench.cold_conductance,
        plan.ambient,
    )
    for i, (g, p, w) in enumerate(zip(conductance.tolist(), (power * working).tolist(), inlet.tolist(), strict=True)):
        a, d = ch + g + gl, cc + g + gc
        x, y = ch * h + p + gl * room, cc * c + gc * w
        det = a * d - g * g
        h, c = (x * d + g * y) / det, (a * y + g * x) / det
        hot[i], cold[i] = h, c
    return hot, cold


def _outlet(bench: Bench, inlet: Array, heat: Array) -> Array:
    """Coolant outlet temperature [K] that carries `heat` away."""
    mass_flow = np.interp(inlet - ICE, _WATER_T, _WATER_RHO) * bench.coolant_flow
    outlet = inlet + heat / (mass_flow * 4180.0)
    for _ in range(4):
        outlet = inlet + heat / (mass_flow * np.interp(0.5 * (inlet + outlet) - ICE, _WATER_T, _WATER_CP))
    return outlet


def _noise(rng: np.random.Generator, bench: Bench, interval: float, n: int, size: float) -> Array:
    """Half of the variance without memory, half with the bench's memory (a first-order autoregression)."""
    white = rng.normal(size=n)
    phi = math.exp(-interval / bench.memory) if bench.memory > 0.0 else 0.0
    turn = 1.0 - phi * np.exp(-2j * np.pi * np.fft.rfftfreq(n))
    slow = np.fft.irfft(np.fft.rfft(rng.normal(size=n)) / turn, n) * math.sqrt(1.0 - phi**2)
    return size * math.sqrt(0.5) * (white + slow)


def _lagged(bench: Bench, time: Array, series: Array) -> Array:
    """What a slow sensor shows; as an exact first-order filter from row to row."""
    if bench.lag <= 0.0:
        return series
    shown, value, before = np.empty_like(series), float(series[0]), float(time[0])
    for i, (t, x) in enumerate(zip(time.tolist(), series.tolist(), strict=True)):
        value += (x - value) * (1.0 - math.exp(-(t - before) / bench.lag))
        shown[i], before = value, t
    return shown


def _zero_at(bench: Bench, plan: Plan, at: datetime) -> float:
    """The true zero [m] at an instant; it drifts from the middle of the zero run on."""
    taken = plan.begin - plan.zero_before
    return bench.zero + plan.zero_drift * (at - taken).total_seconds()


def _log(
    bench: Bench,
    plan: Plan,
    time: Array,
    state: Mapping[str, Array],
    errors: Mapping[str, float],
    rng: np.random.Generator,
    *,
    begin: datetime,
    zero_at: float,
) -> Recording:
    """What the logger writes, in its own units."""

    def noisy(kind: str) -> Array:
        return _noise(rng, bench, plan.interval, time.size, bench.noise[kind])

    columns: dict[str, Array] = {}
    units: dict[str, str] = {}

    def add(name: str, unit: str, values: Array) -> None:
        columns[name], units[name] = values, unit

    flux = state["heat_flow"] / bench.area
    nearest = min(bench.depths)
    for n in range(bench.heaters if bench.heat_flow != "meter_bar" else 0):
        share = state["power"] / bench.heaters
        on = 0.0 if plan.dead_heater == n else 1.0
        add(f"heater {n + 1}", "W", on * (share + np.where(share > 0, 1, 0) * (noisy("power") - errors[f"heater{n}"])))
    for side, sign in (("hot", 1.0), ("cold", -1.0)):
        base = _lagged(bench, time, state[f"{side}_sensor"])
        for n, depth in enumerate(bench.depths):
            extra = sign * flux * (depth - nearest) / bench.block_conductivity
            name = side if len(bench.depths) == 1 else f"{side} {n + 1}"
            add(name, "degC", base + extra - errors[f"{side}{n}"] + noisy("temperature") - ICE)
    inlet = state["coolant_temperature"]
    outlet = _outlet(bench, inlet, state["coolant_heat_flow"])
    add("coolant in", "degC", inlet - errors["coolant_in"] + 0.5 * noisy("temperature") - ICE)
    add("coolant out", "degC", outlet - errors["coolant_out"] + 0.5 * noisy("temperature") - ICE)
    add("flow", "L/min", (bench.coolant_flow - errors["flow"] + noisy("flow")) * 60000.0)
    add("room", "degC", plan.ambient - errors["ambient"] + noisy("temperature") - ICE)
    warm = 0.5 * (state["hot_sensor"] + state["cold_sensor"]) - plan.coolant
    zero = zero_at + plan.zero_drift * time
    add("gap", "um", (state["gap"] + zero - errors["gap"] + bench.expansion * warm + noisy("gap")) * 1e6)
    add("force", "N", state["force"] + np.where(state["force"] > 0, 1, 0) * (noisy("force") - errors["force"]))
    rounded = {name: _rounded(bench, values, units[name]) for name, values in columns.items()}
    return Recording(time, rounded, units, begin)


def _rounded(bench: Bench, values: Array, unit: str) -> Array:
    step = bench.rounding.get(unit, bench.resolution * 1e6 if unit == "um" else 0.0)
    return np.round(values / step) * step if step else values


def _zero_run(
    bench: Bench, plan: Plan, errors: Mapping[str, float], rng: np.random.Generator, *, begin: datetime
) -> Recording:
    """Closed blocks at the coolant's temperature: an open gap that closes after 20 s, then rest."""
    zero_plan = replace(
        plan, steps=(), seconds=180.0, interval=max(min(plan.interval, 1.0), 0.2), dead_heater=None, jitter=0.0
    )
    time = np.arange(0.0, zero_plan.seconds, zero_plan.interval)
    level = np.full_like(time, plan.coolant)
    closed = time >= 20.0
    state = dict.fromkeys(("hot_sensor", "cold_sensor", "coolant_temperature"), level)
    state |= {"heat_flow": 0.0 * time, "coolant_heat_flow": 0.0 * time, "power": 0.0 * time}
    state |= {"gap": np.where(closed, 0.0, 200e-6), "force": np.where(closed, plan.force, 0.0)}
    # A displacement is counted from here, so its calibration error shows in the run alone.
    here = dict(errors) | {"gap": 0.0}
    at = _zero_at(bench, plan, begin)
    return _log(bench, zero_plan, time, state, here, rng, begin=begin, zero_at=at)


def setup_of(bench: Bench, plan: Plan) -> dict[str, object]:
    """The setup file's mapping as the rig's owner would write it."""
    channels: list[dict[str, object]] = []

    def add(column: str, quantity: str, **more: object) -> None:
        channels.append({"column": column, "quantity": quantity} | more)

    for n in range(bench.heaters if bench.heat_flow != "meter_bar" else 0):
        add(f"heater {n + 1}", "heater_power", u=bench.u_power)
    for side in ("hot", "cold"):
        for n, depth in enumerate(bench.depths):
            name = side if len(bench.depths) == 1 else f"{side} {n + 1}"
            add(name, f"{side}_temperature", u=bench.u_temperature, depth=f"{depth * 1e3:.6g} mm")
    add("coolant in", "coolant_in", u=bench.u_coolant)
    add("coolant out", "coolant_out", u=bench.u_coolant)
    add("flow", "coolant_flow", u=bench.u_flow * 60000.0)
    add("room", "ambient_temperature", u=0.2)
    add("gap", "gap", u=bench.u_gap * 1e6)
    add("force", "force", u=bench.u_force)
    nominal: dict[str, object] = {
        "force": f"{plan.force:.9g} N",
        "coolant_temperature": f"{plan.coolant - ICE:.9g} degC",
    }
    tolerance: dict[str, object] = {"force": "2 %", "coolant_temperature": "0.5 K"}
    if plan.nominal_power is not None and bench.heat_flow != "meter_bar":
        nominal["heater_power"], tolerance["heater_power"] = f"{plan.nominal_power:.9g} W", "1 %"
    setup: dict[str, object] = {
        "rig": {
            "name": bench.name,
            "area": {"value": f"{bench.area * 1e6:.9g} mm^2", "u": f"{bench.u_area * 1e6:.9g} mm^2"},
            "heat_flow": bench.heat_flow,
            "loss_conductance": {"value": f"{bench.loss:.9g} W/K", "u": f"{bench.u_loss:.9g} W/K"},
            "block_conductivity": {
                "value": f"{bench.block_conductivity:.9g} W/(m*K)",
                "u": f"{bench.u_block_conductivity:.9g} W/(m*K)",
            },
            "time_zone": "Europe/Vienna",
        },
        "gap": {
            "resolution": f"{bench.resolution * 1e6:.9g} um",
            "expansion": {"value": f"{bench.expansion * 1e6:.9g} um/K", "u": f"{bench.u_expansion * 1e6:.9g} um/K"},
            "zero_max_age": "8 h",
            "zero_max_drift": "1 um",
        },
        "nominal": nominal,
        "tolerance": tolerance,
        "steady": {"min_duration": f"{bench.min_duration:.9g} s", "max_slope": f"{bench.max_slope:.9g} K/min"},
        "channel": channels,
    }
    for section, values in plan.extra.items():
        known = setup.get(section, {})
        setup[section] = {**known, **values} if isinstance(known, dict) and isinstance(values, dict) else values
    return setup
