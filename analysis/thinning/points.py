"""The quasi-steady points of one run: gap and impedance block by block, with every error that all blocks share."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.results import Array, Measured
from analysis.statistics.trend import independent_points
from analysis.statistics.uncertainty import Estimate, Source, Together
from analysis.steady.blocks import Grid, grid_of, mean_blocks
from analysis.steady.gap import Reference, find_gap
from analysis.steady.heat import electrical_heat, find_heat
from analysis.steady.plateaus import HEATED, highest_power
from analysis.steady.run import Run
from analysis.steady.window import Rig, Window
from analysis.thickness.points import Points, Shared

FEWEST = 12  # blocks that make a line
_SECONDS = 8.0  # [s] of a block; common practice, no source
_MOST = 240  # blocks of a run
_STORED = 0.06  # share of the heat flow that the hot block may store; what it stores is taken out
_LAG, _DOUBT_OF_LAG = 5.0, 1.5  # [s] lag of a sensor that is reckoned with, and what is left as an uncertainty
_RATE = 0.02  # share of the gap's whole way that it may go within the lag
_DOUBT = 0.10  # relative standard uncertainty of the heat capacity, its fit apart; common practice, no source
_KNOWN = 0.5  # relative standard uncertainty from which on the heat capacity is not known at all
_NEAR = 1  # rows to either side of a block's end that tell the temperature there
_TRIED, _CLOSER = 21, 5  # heat capacities tried, and how often they are drawn closer

Pair = tuple[Estimate, Estimate, float]  # gap, impedance, heat flow [W]


@dataclass(frozen=True, slots=True)
class Quasi:
    """The points that count, and how many blocks were looked at; times [s], forces [N] where recorded."""

    points: Points
    time: Array
    force: Array | None
    looked_at: int
    capacity: float | None  # [J/K] of the hot block
    noise: tuple[float, float]  # of a block's gap [m] and impedance [m2 K/W]


def find_points(run: Run, *, rig: Rig, reference: Reference) -> Quasi | str:
    """The blocks of a run in which heat flows, little of it is stored, and the gap moves slowly; or why none are."""
    for quantity in ("gap", *(("heater_power",) if rig.setup.heat_flow == "electrical" else ())):
        if quantity not in run.levels:
            return f"the run has no {quantity.replace('_', ' ')}"
    grid = _grid(run)
    slopes = {
        name: np.asarray(np.gradient(mean_blocks(run.signals[name], grid.edges), grid.centres))
        for name in ("hot_temperature", "gap")
    }
    windows = _windows(rig, run, grid)
    capacity = None
    if rig.setup.heat_flow == "electrical":
        capacity = _capacity(rig, windows, _rates(run, grid))
        if capacity is None:
            return "the run does not show how much heat the hot block stores; record it from before heating on"
    made = _made(rig, windows, reference, capacity, slopes)
    kept = _quiet(made, slopes, 0.0 if capacity is None else capacity.value)
    if len(kept) < FEWEST:
        return (
            f"{len(kept)} of {len(made)} heated blocks of the run are quasi-steady, {FEWEST} are needed: the hot block "
            "still stores heat, or the gap moves too fast for the sensors"
        )
    points, noise = _gathered([made[row] for row in kept])
    return Quasi(
        points=points,
        time=grid.centres[kept],
        force=mean_blocks(run.signals["force"], grid.edges)[kept] if "force" in run.signals else None,
        looked_at=len(made),
        capacity=None if capacity is None else capacity.value,
        noise=noise,
    )


def _grid(run: Run) -> Grid:
    seconds = run.trace.seconds
    return grid_of(run.time, rows=slice(0, run.time.size), blocks=int(np.clip(seconds / _SECONDS, 60, _MOST)))


def _windows(rig: Rig, run: Run, grid: Grid) -> dict[int, Window]:
    """The heated blocks, each as a window."""
    means = {
        quantity: [signal.block_means(grid.edges) for signal in signals]
        for quantity, signals in run.signals.items()
        if quantity not in ("coolant_out", "coolant_flow") or rig.setup.heat_flow == "coolant"
    }
    return {int(row): _window(rig, run, grid, means, int(row)) for row in np.flatnonzero(_heated(run, means))}


def _heated(run: Run, means: Mapping[str, list[Array]]) -> Array:
    """Whether each block is heated; a block in which the power switches has a neighbour unlike it and counts as not."""
    if "heater_power" not in run.levels:
        rise = np.mean(means["hot_temperature"], axis=0) - np.mean(means["cold_temperature"], axis=0)
        return np.asarray(rise > 0.25 * np.nanquantile(rise, 0.98))
    power = np.sum(means["heater_power"], axis=0)
    on = power > max(HEATED, 0.25) * highest_power(run)
    steady = np.ones(power.size, dtype=bool)
    step = np.abs(np.diff(power)) > 0.01 * highest_power(run)
    steady[1:][step] = False
    steady[:-1][step] = False
    return np.asarray(on & steady)


def _window(rig: Rig, run: Run, grid: Grid, means: Mapping[str, list[Array]], row: int) -> Window:
    """A block's means, each knowing its calibration, so that what blocks share is known to be shared."""
    found: dict[str, tuple[Estimate, ...]] = {}
    depths: dict[str, tuple[float, ...]] = {}
    placed: dict[str, tuple[Estimate, ...]] = {}
    for quantity, members in means.items():
        for signal, values in zip(run.signals[quantity], members, strict=True):
            if np.isfinite(values[row]):
                source = rig.calibration(signal.reading)
                if signal.reading.times is not None:
                    u = signal.reading.uncertainty(slice(int(grid.edges[row]), int(grid.edges[row + 1])))
                    source = rig.source("heater_power calibration", u=u, key=f"pair {signal.reading.column}")
                found[quantity] = (*found.get(quantity, ()), Estimate(float(values[row]), {source: 1.0}))
                depths[quantity] = (*depths.get(quantity, ()), signal.reading.depth or 0.0)
                placed[quantity] = (*placed.get(quantity, ()), rig.depth_error(signal.reading))
    return Window(
        rows=slice(int(grid.edges[row]), int(grid.edges[row + 1])),
        start=float(grid.bounds[row]),
        end=float(grid.bounds[row + 1]),
        means=found,
        depths=depths,
        placed=placed,
        together=Together(),
        centres=np.zeros(0),
    )


def _made(
    rig: Rig,
    windows: Mapping[int, Window],
    reference: Reference,
    capacity: Measured | None,
    slopes: Mapping[str, Array],
) -> dict[int, Pair]:
    """Gap, impedance and heat flow [W] of each block that has them."""
    found = {row: _pair(rig, window, reference, capacity, slopes, row) for row, window in windows.items()}
    return {row: pair for row, pair in found.items() if pair is not None}


def _pair(
    rig: Rig,
    window: Window,
    reference: Reference,
    capacity: Measured | None,
    slopes: Mapping[str, Array],
    row: int,
) -> Pair | None:
    if not window.has("hot_temperature", "cold_temperature", "gap"):
        return None
    stored = None
    rate = float(slopes["hot_temperature"][row])
    if capacity is not None:
        source = rig.source("heat capacity of the hot block", u=capacity.u)
        stored = Estimate(capacity.value * rate, {source: rate})
    heat = find_heat(rig, window=window, stored=stored)
    if heat.flow.value <= 0.0:
        return None
    lag = rig.source("lag of the temperature sensors", u=_DOUBT_OF_LAG)
    gap = find_gap(rig, window=window, reference=reference, start=None)
    gap = gap + Estimate(0.0, {lag: float(slopes["gap"][row])})
    impedance = (heat.hot_face - heat.cold_face) * rig.constant("area") / heat.flow
    return gap, impedance, heat.flow.value


def _rates(run: Run, grid: Grid) -> Array:
    """How fast the hot block warms over each block of rows [K/s]: from end to end, for early on the course bends."""
    near = np.clip(np.stack((grid.edges - _NEAR, grid.edges + _NEAR), axis=1), 0, run.time.size)
    ends = np.array(
        [np.mean([signal.mean(slice(int(a), int(b))) for signal in run.signals["hot_temperature"]]) for a, b in near]
    )
    at = np.array([run.time[int(a) : int(b)].mean() for a, b in near])
    return np.asarray(np.diff(ends) / np.diff(at))


def _capacity(rig: Rig, windows: Mapping[int, Window], rates: Array) -> Measured | None:
    """Heat capacity [J/K] of the hot block, from all heated blocks, those that still warm up included.

    The rise from sensor to sensor goes with what crosses: rise = (a + b d) (flow - C dT/dt), the flow found as if
    nothing were stored. For each C this is a straight line; the C that leaves the least counts. None where the run
    does not tell it. Its uncertainty is that of the fit with its memory, and a tenth for what two lumps leave out.
    """
    rows = [row for row, window in windows.items() if window.has("hot_temperature", "cold_temperature", "gap")]
    if len(rows) < FEWEST:
        return None
    gap, hot, cold = (
        np.array([windows[row].mean(name).value for row in rows])
        for name in ("gap", "hot_temperature", "cold_temperature")
    )
    rise, rate = hot - cold, rates[rows]
    flow = np.array([electrical_heat(rig, window=windows[row]).value for row in rows])
    if not np.isfinite(rate).all() or float(np.ptp(rate)) <= 0.0:
        return None

    def left(capacity: float) -> Array:
        return _left(gap, rise, flow - capacity * rate)

    low, high = 0.0, 2.0 * float(flow.max()) / float(np.abs(rate).max())
    for _ in range(_CLOSER):
        tried = np.linspace(low, high, _TRIED)
        squares = [float(np.sum(left(float(c)) ** 2)) for c in tried]
        best = int(np.argmin(squares))
        low, high = tried[max(best - 2, 0)], tried[min(best + 2, _TRIED - 1)]
    value = float(tried[best])
    u = _u_of_least(left, value)
    return Measured(value, math.hypot(u, _DOUBT * value)) if u < _KNOWN * value else None


def _u_of_least(left: Callable[[float], Array], value: float) -> float:
    """Standard uncertainty of the value that leaves the least, from how fast more is left beside it."""
    residuals, step = left(value), 0.05 * value
    if step <= 0.0:
        return math.inf
    bend = float(np.sum(left(value + step) ** 2 + left(value - step) ** 2 - 2.0 * residuals**2)) / step**2
    effective = independent_points(residuals, fitted=3)
    variance = float(residuals @ residuals) / max(effective - 3.0, 1.0)
    return math.sqrt(2.0 * variance / bend) if bend > 0.0 else math.inf


def _left(gap: Array, rise: Array, flow: Array) -> Array:
    """What rise = (a + b gap) flow leaves."""
    design = np.column_stack((flow, (gap - gap.mean()) / float(np.ptp(gap) or 1.0) * flow))
    return np.asarray(rise - design @ np.linalg.lstsq(design, rise, rcond=None)[0])


def _quiet(made: Mapping[int, Pair], slopes: Mapping[str, Array], capacity: float) -> list[int]:
    """The blocks that store little heat and in which the gap goes little of its way within a sensor's lag."""
    kept = list(made)
    for _ in range(3):
        if len(kept) < FEWEST:
            break
        gaps = np.array([made[row][0].value for row in kept])
        way = float(np.quantile(gaps, 0.98) - np.quantile(gaps, 0.02))
        kept = [
            row
            for row, (_, _, flow) in made.items()
            if abs(capacity * float(slopes["hot_temperature"][row])) <= _STORED * flow
            and (way == 0.0 or abs(float(slopes["gap"][row])) * _LAG <= _RATE * way)
        ]
    return kept


def _gathered(pairs: Sequence[Pair]) -> tuple[Points, tuple[float, float]]:
    """The blocks as points of a line, and the scatter of a block's gap and impedance."""
    gaps = np.array([gap.value for gap, *_ in pairs])
    impedances = np.array([impedance.value for _, impedance, *_ in pairs])
    noise = _noise(gaps), _noise(impedances)
    sources: dict[Source, None] = {}
    for gap, impedance, *_ in pairs:
        sources.update(dict.fromkeys((*gap.gradient, *impedance.gradient)))
    shared = [
        Shared(
            source=source.name,
            common=source.common,
            on_gap=np.array([gap.gradient.get(source, 0.0) for gap, *_ in pairs]) * source.u,
            on_impedance=np.array([impedance.gradient.get(source, 0.0) for _, impedance, *_ in pairs]) * source.u,
        )
        for source in sources
        if source.u > 0.0
    ]
    points = Points(
        points=(),
        gap=gaps,
        impedance=impedances,
        u_gap=np.full(gaps.size, noise[0]),
        u_impedance=np.full(gaps.size, noise[1]),
        shared=tuple(shared),
    )
    return points, noise


def _noise(values: Array) -> float:
    """Scatter of a block that no course explains: from second differences, so that a bend counts for nothing."""
    apart = np.abs(np.diff(values, 2))
    return max(1.4826 * float(np.median(apart)) / math.sqrt(6.0), np.finfo(float).eps * float(np.abs(values).max()))
