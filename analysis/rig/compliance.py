"""Frame compliance: how the gap reading follows the force where there is nothing in the gap."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from analysis.channels import calibrate
from analysis.quantities import QUANTITIES
from analysis.results import Array, Outcome, Trace
from analysis.rig.outcome import VERSION, files_of, refused
from analysis.setup import RigSetup
from analysis.statistics.autocorrelation import mean_of
from analysis.statistics.uncertainty import Estimate, Source, evaluate
from analysis.steady.blocks import Grid, Signal, make_grid, make_signals, mean_blocks
from analysis.units import shown, shown_difference
from analysis.worked import Script

_RAMP = 1.5  # highest over lowest force of a ramp
_SEATED = 0.3  # share of the highest force above which bare blocks count as seated
_BLOCKS = 30  # of a ramp, at least


def frame_compliance(traces: Sequence[Trace], setup: RigSetup) -> Outcome:
    """Change of the gap reading per force [m/N] on bare closed blocks, from one ramp of the force.

    Parameters: `traces` one run on closed blocks with nothing between them, the force rising or falling or both.
    Formula: slope of the reading, less the blocks' expansion, against the force where the blocks are seated (above
    30 % of the highest force; common practice). A bend of the line and a loop between loading and unloading count as
    uncertainty.
    """
    if len(traces) != 1:
        return refused("compliance", f"one ramp is expected, {len(traces)} runs are given", setup, traces)
    trace = traces[0]
    channels = calibrate(trace, setup=setup, partial=True)
    signals = make_signals(channels)
    if not all(name in signals for name in ("gap", "force")):
        return refused("compliance", "a ramp needs a gap and a force channel", setup, traces)
    grid = make_grid(trace.time, window=max(trace.seconds / 4.0, 1.0))
    force, gap = mean_blocks(signals["force"], grid.edges), mean_blocks(signals["gap"], grid.edges)
    gap = gap - _warmth(setup, grid, signals)
    seated = np.isfinite(force) & np.isfinite(gap) & (force >= _SEATED * float(np.nanmax(force)))
    if int(seated.sum()) < _BLOCKS or float(np.nanmax(force)) <= 0.0:
        return refused("compliance", "the run is too short, or the force never rises", setup, traces)
    f, d = force[seated], gap[seated]
    if float(f.max()) < _RAMP * float(f.min()):
        why = f"the force goes from {f.min():.4g} N to {f.max():.4g} N only; a ramp over a factor of {_RAMP} is needed"
        return refused("compliance", why, setup, traces)
    return _ramp(trace, setup, f, d, u_gap=max(one.reading.u for one in signals["gap"]))


def _warmth(setup: RigSetup, grid: Grid, signals: Mapping[str, tuple[Signal, ...]]) -> Array:
    """What the warmth of the blocks adds to the reading, block by block."""
    sides = [signals[name] for name in ("hot_temperature", "cold_temperature") if name in signals]
    if not sides or setup.gap_expansion.value == 0.0:
        return np.zeros(grid.size)
    warm = np.mean([mean_blocks(side, grid.edges) for side in sides], axis=0)
    return np.asarray(setup.gap_expansion.value * (warm - warm[0]))


def _ramp(trace: Trace, setup: RigSetup, force: Array, gap: Array, *, u_gap: float) -> Outcome:
    centred = force - force.mean()
    spread = float(centred @ centred)
    slope = float(centred @ gap) / spread
    left = gap - gap.mean() - slope * centred
    scatter = mean_of(force.size * centred * left / spread, fitted=2)
    parts = {
        "scatter about the line": (scatter.u, "A", scatter.dof),
        "gap calibration": (u_gap / float(np.ptp(force)), "B", math.inf),
        "bend of the line": (_bend(force, gap), "B", math.inf),
    }
    ways = {name: _way(force, gap, sign) for name, sign in (("loading", 1.0), ("unloading", -1.0))}
    parts["loop between loading and unloading"] = (_loop(*ways.values(), u=scatter.u), "B", math.inf)
    sources = tuple(Source(name, u, kind, dof) for name, (u, kind, dof) in parts.items())
    measured, budget = evaluate(Estimate(slope), extra=sources)
    per = {name: None if value is None else shown(value, "frame_compliance") for name, value in ways.items()}
    text = (
        f"{trace.file}: {force.min():.4g} N to {force.max():.4g} N, {force.size} blocks",
        *(f"{name}: {value:.4g} {QUANTITIES['frame_compliance'].shown}" for name, value in per.items() if value),
    )
    return Outcome(
        method="rig compliance",
        method_version=VERSION,
        figures={"frame_compliance": measured},
        budget={"frame_compliance": budget},
        parts={"force_N": [float(force.min()), float(force.max())], "ways_um_per_kN": per},
        text=text,
        setup=setup.source,
        files=files_of([trace]),
        worked={"frame_compliance": _script(force, gap)},
    )


def _script(force: Array, gap: Array) -> Script:
    """The slope from the sums over all blocks of rows."""
    script, n = Script(), force.size
    way = force - force.mean()
    summed = shown_difference(float(way @ (gap - gap.mean())), "gap")
    script.given("Sfd", f"Sum of (F - mean F) (d - mean d) over {n} blocks", summed, "N*um")
    script.given("Sff", f"Sum of (F - mean F)^2 over {n} blocks", float(way @ way), "N^2")
    script.step("c", "Slope; um/N is 1000 um/kN", "1000 * Sfd / Sff", QUANTITIES["frame_compliance"].shown)
    return script


def _loop(loading: float | None, unloading: float | None, *, u: float) -> float:
    """How far a loop may put the slope off: what the ways clearly differ by, as the width of a rectangle.

    Each way has half of the blocks, so that noise alone parts the two by twice the standard uncertainty `u` of both.
    """
    if loading is None or unloading is None:
        return 0.0
    return max(abs(loading - unloading) - 3.0 * 2.0 * u, 0.0) / math.sqrt(12.0)


def _bend(force: Array, gap: Array) -> float:
    """How far a bend may put the slope off: its change from the middle to the end, as a rectangular half-width."""
    z = (force - force.mean()) / float(np.ptp(force))
    quadratic = np.polyfit(z, gap, 2)
    rest = float(np.std(gap - np.polyval(quadratic, z), ddof=3))
    noise = rest / math.sqrt(float((z**2 - (z**2).mean()) @ (z**2 - (z**2).mean())))
    clear = max(abs(float(quadratic[0])) - 3.0 * noise, 0.0)
    return clear / float(np.ptp(force)) / math.sqrt(3.0)


def _way(force: Array, gap: Array, sign: float) -> float | None:
    """The slope while the force goes one way; None where it hardly does."""
    going = sign * np.gradient(force) > 0.1 * float(np.ptp(force)) / force.size
    if int(going.sum()) < _BLOCKS // 3 or float(np.ptp(force[going])) < 0.3 * float(np.ptp(force)):
        return None
    return float(np.polyfit(force[going], gap[going], 1)[0])
