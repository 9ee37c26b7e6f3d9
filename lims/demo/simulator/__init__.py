"""A press rig on paper: runs whose true values are known, with all that goes wrong on a real one.

Two lumped blocks with a layer between them; heat goes from the heater block through the layer into the cooled block and
the coolant. Sensors have calibration errors drawn from their stated uncertainties, a lag, and noise with a memory.
Everything is SI inside; columns are in the units a rig would log. All of it is invented.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np

from lims.demo.simulator.bench import ICE, NOISE, Array, Bench, Layer, Plan, Recording, Simulated
from lims.demo.simulator.logger import Log, draw_errors, record, record_zero
from lims.demo.simulator.physics import course
from lims.demo.simulator.setup import as_toml, setup_of

__all__ = [
    "ICE",
    "NOISE",
    "Bench",
    "Layer",
    "Plan",
    "Recording",
    "Simulated",
    "as_toml",
    "setup_of",
    "simulate",
]

_LATER = 600.0  # [s] from the run's end to the zero after it
_TRUE = (
    "temperature_rise",
    "heat_flow",
    "gap",
    "coolant_heat_flow",
    "hot_temperature",
    "cold_temperature",
    "coolant_temperature",
    "force",
)


def simulate(
    bench: Bench, layer: Layer | None = None, plan: Plan | None = None, *, seed: int = 0, rig_seed: int | None = None
) -> Simulated:
    """A run on a bench: physics first, then what the sensors make of it.

    `rig_seed` keeps the bench's own errors the same from run to run; without it each run has a bench of its own.
    """
    layer, plan = layer or Layer(), plan or Plan()
    rng = np.random.default_rng(seed)
    of_bench = rng if rig_seed is None else np.random.default_rng(rig_seed)
    true = _true_bench(bench, of_bench)
    log = Log(true, plan, _times(plan, rng), draw_errors(bench, of_bench), rng)
    state = course(true, layer, plan, log.time)
    run = record(log, state, begin=plan.begin, zero=_zero(true, plan, plan.begin))
    before = plan.begin - plan.zero_before
    after = plan.begin + timedelta(seconds=plan.seconds + _LATER)
    return Simulated(
        run=run,
        setup=setup_of(bench, plan),
        zero=record_zero(log, begin=before, zero=_zero(true, plan, before)),
        zero_after=record_zero(log, begin=after, zero=_zero(true, plan, after)) if plan.zero_after else None,
        true_series={name: state[name] for name in _TRUE},
        area=true.area,
    )


def _true_bench(bench: Bench, rng: np.random.Generator) -> Bench:
    """The bench as it is, drawn from what its owner states."""
    return replace(
        bench,
        area=bench.area + rng.normal() * bench.u_area,
        loss=bench.loss + rng.normal() * bench.u_loss,
        block_conductivity=bench.block_conductivity + rng.normal() * bench.u_block_conductivity,
        expansion=bench.expansion + rng.normal() * bench.u_expansion,
    )


def _times(plan: Plan, rng: np.random.Generator) -> Array:
    time = np.arange(0.0, plan.seconds, plan.interval)
    if plan.jitter:
        time = np.sort(time + rng.uniform(-0.5, 0.5, time.size) * plan.jitter * plan.interval)
        time -= time[0]
    return time


def _zero(bench: Bench, plan: Plan, at: datetime) -> float:
    """The true zero [m] at an instant; it drifts from the zero run on."""
    return bench.zero + plan.zero_drift * (at - (plan.begin - plan.zero_before)).total_seconds()
