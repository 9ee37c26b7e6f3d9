"""Heat that warms the hot block instead of crossing the layer: its capacity, found where the power steps."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from analysis.results import Array
from analysis.statistics.uncertainty import Estimate, Source
from analysis.steady.blocks import mean_blocks, summed_blocks
from analysis.steady.run import Run
from analysis.steady.segments import Segment
from analysis.steady.window import Window

DOUBT = 0.35  # relative standard uncertainty of a capacity found this way; common practice, no source
_FEWEST = 6  # blocks after a step
_SHARE = 0.8  # of the temperature change after a step that is looked at
_CLEAR = 20.0  # times the scatter of the hot block that it has to move by
_BLOCKS = 400  # after a step
_FITS = 0.02  # share of the heat a fit may leave unexplained


def heat_capacity(run: Run, *, segments: Sequence[Segment]) -> float | None:
    """Heat capacity [J/K] of the hot block, from the latest step of the power that shows it; None where none does.

    After a step the heat that comes in more is stored, or crosses the layer as the temperatures part:
    dP t = C (T_hot - T_hot,0) + G * integral of the change of (T_hot - T_cold), a linear fit for C and G.
    """
    if "heater_power" not in run.levels:
        return None
    for before, after in reversed(list(pairwise(segments))):
        capacity = _from_step(run, before, after)
        if capacity is not None:
            return capacity
    return None


def _from_step(run: Run, before: Segment, after: Segment) -> float | None:
    start = int(np.searchsorted(run.time, run.time[before.last - 1] - 0.2 * run.setup.min_duration))
    earlier = np.array([max(start, before.first), before.last])
    edges = np.unique(np.linspace(before.last, after.last, _BLOCKS + 1).astype(np.intp))
    if earlier[0] >= earlier[1] or edges.size <= _FEWEST:
        return None
    names = ("hot_temperature", "cold_temperature")
    old = [float(mean_blocks(run.signals[name], earlier)[0]) for name in names]
    hot, cold = (mean_blocks(run.signals[name], edges) - level for name, level in zip(names, old, strict=True))
    power = summed_blocks(run.signals["heater_power"], edges)
    power = power - float(summed_blocks(run.signals["heater_power"], earlier)[0])
    seconds = np.diff(np.append(run.time[edges[:-1]], run.time[edges[-1] - 1]))
    keep = _early(hot)
    return _fitted(hot[:keep], hot[:keep] - cold[:keep], power[:keep], seconds[:keep]) if keep >= _FEWEST else None


def _early(hot: Array) -> int:
    """How many blocks pass until the hot block has gone most of its way; 0 where the way is lost in noise."""
    if not np.isfinite(hot).all():
        return 0
    noise = 1.4826 * float(np.median(np.abs(np.diff(hot))))
    way = float(np.max(np.abs(hot)))
    if way < _CLEAR * noise or way == 0.0:
        return 0
    return int(np.argmax(np.abs(hot) >= _SHARE * way)) + 1


def _fitted(hot: Array, parted: Array, power: Array, seconds: Array) -> float | None:
    """The capacity [J/K] from block means after a step; None for a fit that is poor or makes no sense."""
    heat = np.cumsum(power * seconds) - 0.5 * power * seconds
    crossed = np.cumsum(parted * seconds) - 0.5 * parted * seconds
    design = np.column_stack((hot, crossed))
    if not (np.isfinite(design).all() and np.isfinite(heat).all()):
        return None
    found, _, rank, _ = np.linalg.lstsq(design, heat, rcond=None)
    left = heat - design @ found
    scale = float(heat @ heat)
    if rank < 2 or found[0] <= 0.0 or found[1] < 0.0 or scale <= 0.0:
        return None
    return float(found[0]) if float(left @ left) < _FITS**2 * scale else None


def stored_heat(window: Window, *, capacity: float | None) -> Estimate | None:
    """Heat [W] the hot block stores over a window: capacity times the slope of its temperature."""
    if capacity is None:
        return None
    rate = capacity * window.together.trend(window.mean("hot_temperature"))
    return Estimate.measured(rate, Source("heat stored in the hot block", DOUBT * abs(rate)))
