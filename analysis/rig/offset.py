"""The isothermal offset of a rig's sensors: what they read apart where there is nothing to part them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.channels import calibrate
from analysis.results import Flag, Outcome, Severity, Trace
from analysis.rig.outcome import VERSION, files_of, refused
from analysis.rig.points import own_scatter
from analysis.setup import RigSetup
from analysis.statistics.errors_in_both import inflation
from analysis.statistics.uncertainty import Estimate, Source, evaluate
from analysis.steady.blocks import make_signals
from analysis.steady.window import Rig, make_window
from analysis.steady.zero import block_temperature
from analysis.units import shown, to_si
from analysis.worked import Script

_STILL = to_si(0.02, "K/min", "temperature_rate")  # [K/s] an isothermal run may drift by
_LEAST = to_si(0.001, "mK", "temperature_difference")  # [K] below which no scatter is believed


@dataclass(frozen=True, slots=True)
class _Isothermal:
    """One isothermal run: hot less cold, its own standard uncertainty, and the block's temperature."""

    file: str
    offset: float
    u: float
    dof: float
    temperature: float


def sensor_offset(traces: Sequence[Trace], setup: RigSetup) -> Outcome:
    """Hot less cold reading [K] on blocks of one temperature, from isothermal runs without power.

    Parameters: `traces` runs with the heater off, the blocks at one temperature. Formula: mean over the run, weighted
    over several runs by 1 / u^2; runs that scatter more than their own uncertainties say widen the figure.
    """
    runs, problems = [], []
    for trace in traces:
        found = _isothermal(trace, setup)
        if isinstance(found, str):
            problems.append(f"{trace.file}: {found}")
        else:
            runs.append(found)
    if not runs:
        return refused("offset", "; ".join(problems), setup, traces)
    weights = np.array([max(run.u, _LEAST) ** -2.0 for run in runs])
    weights = weights / weights.sum()
    offsets, own = np.array([run.offset for run in runs]), np.array([max(run.u, _LEAST) for run in runs])
    mean = float(weights @ offsets)
    chi2 = float(((offsets - mean) / own) ** 2 @ np.ones(len(runs)))
    alone = math.sqrt(float(weights**2 @ own**2))
    u, free = inflation(chi2, dof=len(runs) - 1).measured_by(alone, 0.0)
    dof = runs[0].dof if len(runs) == 1 else free
    measured, budget = evaluate(Estimate(mean), extra=(Source("scatter of the readings", u, "A", dof),))
    rows = [
        {"file": r.file, "offset_K": r.offset, "u_K": r.u, "temperature_degC": shown(r.temperature, "temperature")}
        for r in runs
    ]
    return Outcome(
        method="rig offset",
        method_version=VERSION,
        figures={"temperature_offset": measured},
        budget={"temperature_offset": budget},
        flags=tuple(Flag("left_out", Severity.CAUTIONS, problem) for problem in problems),
        parts={"runs": rows},
        text=tuple(f"{row['file']}: {row['offset_K']:.4f} K at {row['temperature_degC']:.2f} degC" for row in rows),
        setup=setup.source,
        files=files_of(traces),
        worked={"temperature_offset": _script(runs)},
    )


def _script(runs: Sequence[_Isothermal]) -> Script:
    """The mean of the runs' offsets, weighted by their own uncertainties."""
    script, rows = Script(), range(1, len(runs) + 1)
    for n, run in zip(rows, runs, strict=True):
        script.given(f"o{n}", f"Hot less cold, {run.file}", run.offset, "K")
        script.given(f"u{n}", f"Its own standard uncertainty, {run.file}", max(run.u, _LEAST), "K")
    above = " + ".join(f"o{n} / u{n}^2" for n in rows)
    below = " + ".join(f"1 / u{n}^2" for n in rows)
    script.step("offset", "Weighted mean", f"({above}) / ({below})", "K")
    return script


def _isothermal(trace: Trace, setup: RigSetup) -> _Isothermal | str:
    """The offset of one run, or why it is not isothermal."""
    rig, channels = Rig(setup), calibrate(trace, setup=setup, partial=True)
    signals = make_signals(channels)
    if not all(name in signals for name in ("hot_temperature", "cold_temperature")):
        return "it has no hot or no cold temperature"
    window = make_window(rig, time=trace.time, signals=signals, rows=slice(0, trace.rows))
    if not window.has("hot_temperature", "cold_temperature") or trace.rows < 10:
        return "it has too few readings"
    power = sum(abs(one.value) for one in window.means.get("heater_power", ()))
    u_power = 3.0 * math.fsum(one.reading.u for one in signals.get("heater_power", ()))
    if power > max(u_power, 1e-9):
        return f"the heater is on, {power:.3g} W"
    drift = abs(window.together.trend(window.mean("hot_temperature")))
    if drift > _STILL + 3.0 * own_scatter(window, window.mean("hot_temperature")) / max(window.together.seconds, 1.0):
        return f"the blocks drift by {drift:.2g} K/s, more than {_STILL:.2g} K/s"
    difference = window.mean("hot_temperature") - window.mean("cold_temperature")
    middle = block_temperature(window)
    scatter = window.together.scatter(difference) if window.together.sources else None
    return _Isothermal(
        trace.file,
        difference.value,
        own_scatter(window, difference),
        math.inf if scatter is None else scatter.dof,
        math.nan if middle is None else middle.value,
    )
