"""The true course of a run: two lumped blocks with a layer between them, and coolant behind the second."""

from __future__ import annotations

import numpy as np

from lims.demo.simulator.bench import ICE, Array, Bench, Layer, Plan

# Water at 101.325 kPa every 5 degC from 5 to 60: density [kg/m3], heat capacity [J/(kg K)]; IAPWS R6-95(2018).
_WATER = np.array(
    [
        (5.0, 999.9666, 4205.04),
        (10.0, 999.7025, 4195.16),
        (15.0, 999.1026, 4188.46),
        (20.0, 998.2072, 4184.05),
        (25.0, 997.0476, 4181.31),
        (30.0, 995.6495, 4179.82),
        (35.0, 994.0333, 4179.26),
        (40.0, 992.2164, 4179.41),
        (45.0, 990.2132, 4180.13),
        (50.0, 988.0350, 4181.34),
        (55.0, 985.6926, 4182.96),
        (60.0, 983.1958, 4184.95),
    ]
)


def course(bench: Bench, layer: Layer, plan: Plan, time: Array) -> dict[str, Array]:
    """Everything true at the logger's instants `time` [s], SI; sensors read the blocks at their nearest depth."""
    step = min(0.5, 2.0 * plan.interval)
    t = np.arange(0.0, time[-1] + step, step)
    gap = layer.gap(t, plan.pressed_at)
    resistance = layer.impedance(t, gap) / bench.area
    blocks = 2.0 * min(bench.depths) / (bench.block_conductivity * bench.area)
    conductance = 1.0 / (resistance + blocks)
    inlet = plan.coolant + plan.coolant_drift(t)
    hot, cold = _blocks(bench, plan, conductance, inlet, step=step)
    heat = conductance * (hot - cold)
    fine = {
        "hot_sensor": hot,
        "cold_sensor": cold,
        "heat_flow": heat,
        "temperature_rise": heat * resistance,
        "hot_temperature": hot - 0.5 * blocks * heat,
        "cold_temperature": cold + 0.5 * blocks * heat,
        "coolant_temperature": inlet,
        "coolant_heat_flow": bench.cold_conductance * (cold - inlet),
        "gap": gap,
    }
    state = {name: np.interp(time, t, series) for name, series in fine.items()}
    state["power"] = power(plan, time)
    state["force"] = np.where(time >= plan.pressed_at, plan.force, 0.0)
    return state


def power(plan: Plan, t: Array) -> Array:
    """Set power of all heaters together [W]."""
    watts = np.zeros_like(t)
    for start, level in plan.steps:
        watts[t >= start] = level
    return watts


def _blocks(bench: Bench, plan: Plan, conductance: Array, inlet: Array, *, step: float) -> tuple[Array, Array]:
    """Both block temperatures by the implicit Euler rule, a linear system of two in every step."""
    working = 1.0 if plan.dead_heater is None else (bench.heaters - 1.0) / bench.heaters
    watts = power(plan, np.arange(float(inlet.size)) * step) * working + bench.loss * plan.ambient
    hot, cold = np.empty_like(inlet), np.empty_like(inlet)
    stored_hot, stored_cold = bench.hot_capacity / step, bench.cold_capacity / step
    h = c = float(inlet[0])
    for i, (g, p, w) in enumerate(zip(conductance.tolist(), watts.tolist(), inlet.tolist(), strict=True)):
        a, d = stored_hot + g + bench.loss, stored_cold + g + bench.cold_conductance
        x, y = stored_hot * h + p, stored_cold * c + bench.cold_conductance * w
        h, c = (x * d + g * y) / (a * d - g * g), (a * y + g * x) / (a * d - g * g)
        hot[i], cold[i] = h, c
    return hot, cold


def outlet(bench: Bench, inlet: Array, heat: Array) -> Array:
    """Coolant outlet temperature [K] that carries `heat` [W] away; the flow meter sits in the inlet."""
    mass_flow = np.interp(inlet - ICE, _WATER[:, 0], _WATER[:, 1]) * bench.coolant_flow
    warm = inlet.copy()
    for _ in range(5):
        warm = inlet + heat / (mass_flow * np.interp(0.5 * (inlet + warm) - ICE, _WATER[:, 0], _WATER[:, 2]))
    return warm
