"""The gap's reference: what the sensor reads on closed blocks, when, how warm, and how far it moved until after."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from analysis.channels import calibrate
from analysis.errors import BadSetup, Where
from analysis.results import Array, Trace
from analysis.setup import RigSetup
from analysis.statistics.uncertainty import Estimate, Source
from analysis.steady.blocks import Grid, Signal, bridged, make_grid, make_signals, mean_blocks
from analysis.steady.settling import Stretch, Watched, noise, trimmed, window_ends, window_slopes
from analysis.steady.window import Rig, Signals, Window, make_window
from analysis.units import to_si

_STILL = to_si(0.1, "um", "length")  # [m] a closed gap may move over a window and count as still; common practice
_SURE = 3.0
_OF_INTEREST = ("gap", "hot_temperature", "cold_temperature", "force")
_SHORTEST = 10  # blocks in a window
_PRESSED = 0.8  # share of the highest force under which blocks count as closed


@dataclass(frozen=True, slots=True)
class Zero:
    """A zero: `reading` [m], `temperature` [K] of the blocks where known, and its instant where known."""

    reading: Estimate
    temperature: Estimate | None = None
    instant: datetime | None = None
    window: Window | None = None
    sha256: str = ""


def stated_zero(setup: RigSetup) -> Zero | None:
    """The zero reading that stands in the setup; its temperature and its instant are not known."""
    if setup.zero_reading is None:
        return None
    u = setup.gap_resolution / math.sqrt(12.0)
    source = Source("zero reading, resolution", u, common="zero reading", shape="rectangular")
    return Zero(Estimate.measured(setup.zero_reading, source))


def measured_zero(trace: Trace, *, rig: Rig) -> Zero:
    """The zero of a run on closed blocks: the mean of its last settled stretch."""
    channels = calibrate(trace, setup=rig.setup, partial=True)
    if not channels.has("gap"):
        raise BadSetup("a zero run needs a gap channel; the setup has none", where=Where(key="channel"))
    if trace.rows < 2:
        raise BadSetup(f"the zero run {trace.file} has {trace.rows} rows; at least two are needed")
    signals = make_signals(channels)
    grid = make_grid(trace.time, window=_window(trace, rig.setup))
    stretch = _closed_stretch(grid, signals, rig.setup, window=_window(trace, rig.setup))
    rows = slice(int(grid.edges[stretch.first]), int(grid.edges[stretch.last]))
    window = make_window(rig, time=trace.time, signals=signals, rows=rows)
    if not window.has("gap"):
        raise BadSetup("the zero run has no gap reading where the gap is closed", where=Where(file=trace.file))
    return Zero(
        reading=_frozen(window, sha256=trace.sha256),
        temperature=_still_temperature(window),
        instant=None if trace.start is None else trace.start + timedelta(seconds=window.end),
        window=window,
        sha256=trace.sha256,
    )


def _recorded(trace: Trace, setup: RigSetup) -> RigSetup:
    """The setup with the channels of interest that the zero run has; it may have been recorded with fewer."""
    kept = tuple(channel for channel in setup.channels if channel.quantity in _OF_INTEREST)
    return replace(setup, channels=tuple(channel for channel in kept if channel.column in trace.columns))


def block_temperature(window: Window) -> Estimate | None:
    """Mean temperature of the two blocks [K], by their sensors; None where neither has one."""
    sides = [window.mean(name) for name in ("hot_temperature", "cold_temperature") if window.has(name)]
    return None if not sides else sum(sides, Estimate(0.0)) * (1.0 / len(sides))


def _frozen(window: Window, *, sha256: str) -> Estimate:
    """The mean reading with its own scatter as one source, common to all runs that use this zero."""
    reading = window.mean("gap")
    mean = window.together.scatter(reading)
    common = f"zero: {sha256}"
    rounding = math.sqrt(sum((slope * source.u) ** 2 for source, slope in reading.gradient.items() if _rounds(source)))
    gradient = {
        Source("zero readings", mean.u, "A", mean.dof, common): 1.0,
        Source("zero resolution", rounding, "B", math.inf, common, "rectangular"): 1.0,
    }
    return Estimate(reading.value, gradient)


def _still_temperature(window: Window) -> Estimate | None:
    """Mean temperature of the blocks at the zero, with its own scatter as one source."""
    temperature = block_temperature(window)
    if temperature is None:
        return None
    joint = set(window.together.sources)
    mean = window.together.scatter(temperature)
    gradient = {source: slope for source, slope in temperature.gradient.items() if source not in joint}
    return Estimate(temperature.value, {**gradient, Source("zero temperature readings", mean.u, "A", mean.dof): 1.0})


def _rounds(source: Source) -> bool:
    return source.name.endswith("resolution")


def _window(trace: Trace, setup: RigSetup) -> float:
    return min(setup.min_duration, 0.25 * trace.seconds)


def _closed_stretch(grid: Grid, signals: Signals, setup: RigSetup, *, window: float) -> Stretch:
    """The last stretch under force over which the gap keeps still; the last half where there is none."""
    gap = mean_blocks(signals["gap"], grid.edges)
    gap = gap - setup.gap_expansion.value * _warmth(grid, signals)
    first, last = _pressed(grid, signals)
    bounds, centres, values = grid.bounds[first : last + 1], grid.centres[first:last], gap[first:last]
    fallback = Stretch((first + last) // 2, last)
    if last - first < _SHORTEST or window_ends(bounds, window).size == 0:
        return fallback
    still = max(_STILL, setup.gap_resolution)
    watched = Watched("gap", values, still / window, noise([values], bounds=bounds, window=window)[0])
    slopes = window_slopes(watched, centres=centres, bounds=bounds, window=window)
    moved = np.abs(slopes.slope) * window
    good = np.flatnonzero(moved < still + _SURE * slopes.error * window)
    if not good.size:
        return fallback
    breaks = np.flatnonzero(np.diff(good) > 1)
    start = int(good[breaks[-1] + 1]) if breaks.size else int(good[0])
    stretch = trimmed(Stretch(start, int(slopes.ends[good[-1]])), values=values, bounds=bounds, window=window)
    return Stretch(first + stretch.first, first + stretch.last)


def _warmth(grid: Grid, signals: Signals) -> Array:
    """Mean block temperature [K] in blocks of rows, zero where no sensor tells."""
    members: tuple[Signal, ...] = (*signals.get("hot_temperature", ()), *signals.get("cold_temperature", ()))
    warmth = [bridged(member.block_means(grid.edges)) for member in members]
    warmth = [values for values in warmth if np.isfinite(values).all()]
    return np.mean(warmth, axis=0) if warmth else np.zeros(grid.size)


def _pressed(grid: Grid, signals: Signals) -> tuple[int, int]:
    """The last blocks under full force; all of them where there is no force channel."""
    if "force" not in signals:
        return 0, grid.size
    force = mean_blocks(signals["force"], grid.edges)
    if not np.isfinite(force).all():
        return 0, grid.size
    pressed = np.flatnonzero(force >= _PRESSED * float(np.quantile(force, 0.95)))
    breaks = np.flatnonzero(np.diff(pressed) > 1)
    start = int(pressed[breaks[-1] + 1]) if breaks.size else int(pressed[0])
    return start, int(pressed[-1]) + 1
