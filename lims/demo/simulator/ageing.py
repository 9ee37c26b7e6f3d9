"""Layers that age while they are cycled: pump-out and dry-out as a growth of the impedance from cycle to cycle."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lims.demo.simulator import simulate
from lims.demo.simulator.bench import Array, Bench, Layer, Plan, Simulated


@dataclass(frozen=True, slots=True)
class AgeingLayer(Layer):
    """A layer whose impedance grows with the cycles done: by `growth` of itself over `cycles` cycles.

    `course` is how: "linear", "square root", "saturating", or "onset" (nothing until `sets_in` of the cycles are done,
    then linear: pump-out). `thinning` [m] is how much the gap falls over all cycles.
    """

    growth: float = 0.3
    course: str = "linear"
    sets_in: float = 0.5
    thinning: float = 0.0
    begin: float = 60.0  # [s] the first cycle
    period: float = 120.0  # [s]
    cycles: int = 40

    def done(self, t: Array) -> Array:
        """Share of all cycles done at the times `t` [s], whole cycles only."""
        return np.clip(np.floor((t - self.begin) / self.period) / max(self.cycles - 1, 1), 0.0, 1.0)

    def gap(self, t: Array, pressed_at: float) -> Array:
        """Gap [m] at the times `t` [s]: pressed out as any layer, then thinned by the cycles."""
        return Layer.gap(self, t, pressed_at) - self.thinning * self.done(t)

    def impedance(self, t: Array, gap: Array) -> Array:
        """Impedance [m2 K/W]: that of the gap, grown by what the cycles have done."""
        return Layer.impedance(self, t, gap) * (1.0 + self.growth * course_of(self.done(t), self.course, self.sets_in))


def course_of(share: Array, course: str, sets_in: float = 0.5) -> Array:
    """How far a growth has come when a share of the cycles is done, 0 to 1."""
    if course == "square root":
        return np.sqrt(share)
    if course == "saturating":
        return np.asarray(-np.expm1(-4.0 * share) / -np.expm1(-4.0))
    if course == "onset":
        return np.asarray(np.maximum(share - sets_in, 0.0) / (1.0 - sets_in))
    return share


def power_cycles(
    layer: AgeingLayer, *, high: float = 150.0, low: float = 0.0, on: float = 0.5
) -> tuple[tuple[float, float], ...]:
    """Power steps that switch between `high` and `low` [W], `on` being the heated share of each period."""
    starts = layer.begin + layer.period * np.arange(layer.cycles)
    steps = [((float(start), high), (float(start + on * layer.period), low)) for start in starts]
    return tuple(step for pair in steps for step in pair)


def simulate_cycles(
    bench: Bench | None = None,
    layer: AgeingLayer | None = None,
    plan: Plan | None = None,
    *,
    on: float = 0.5,
    seed: int = 0,
) -> Simulated:
    """A run of power cycles on a bench; a light bench follows each cycle, so that it comes to rest in every soak."""
    layer = layer or AgeingLayer()
    bench = bench or Bench(hot_capacity=25.0, cold_capacity=20.0, cold_conductance=60.0)
    seconds = layer.begin + layer.period * layer.cycles + 10.0
    plan = replace(plan or Plan(), steps=power_cycles(layer, on=on), seconds=seconds)
    return simulate(bench, layer, plan, seed=seed)
