"""Every settled plateau of a run, and which of them counts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.errors import OutOfRange
from analysis.results import Array
from analysis.steady.blocks import MOST, PER_WINDOW, Grid, grid_of, mean_blocks, summed_blocks
from analysis.steady.run import Run
from analysis.steady.segments import Segment, Stepped, find_segments
from analysis.steady.settling import Stretch, Watched, settled_stretches, trimmed
from analysis.units import to_si

# Slopes the blocks themselves may have: so many times the slope the rise may have, and never held below so many K/s.
# Common practice, no source; what heat they still store at such a slope is taken out of the heat flow, see `storage`.
FOLLOWING, FOLLOWING_LEAST = 4.5, to_si(0.15, "K/min", "temperature_rate")  # going with the coolant
STORING, STORING_LEAST = (
    3.0,
    to_si(0.10, "K/min", "temperature_rate"),
)  # a block against the coolant, or where no coolant is recorded
HEATED = 0.03  # share of the highest power above which a stretch is heated at all
_COOL_DOWN = 0.5  # share of the highest power below which an off-nominal stretch is no measurement
_SMALLEST = {"heater_power": 0.005, "force": 0.02}  # smallest step of a level, relative to the highest
_DEFAULT_TOLERANCE = 0.02  # relative, where the setup gives a nominal value without one
_ENOUGH = 0.95  # share of min_duration that is left where the end of the heating had to be found by the rise itself
_FEWEST = 3  # rows in a window chosen by hand
_FEWEST_BLOCKS = 8  # that show a slope: of a stretch of months the shortest plateau looked for is longer
_LONG = 0.25  # share of min_duration that the power has to be at nominal to have been meant


@dataclass(frozen=True, slots=True)
class Found:
    """One settled stretch as rows of the run, with its conditions by quantity."""

    rows: slice
    conditions: dict[str, float]
    heated: bool
    nominal: dict[str, bool]  # by quantity that has a nominal value and a channel

    @property
    def at_nominal(self) -> bool:
        return all(self.nominal.values())


@dataclass(frozen=True, slots=True)
class Search:
    """What was found: all plateaus, the one that counts, and the power segments that were looked at."""

    plateaus: tuple[Found, ...]
    chosen: Found | None
    segments: tuple[Segment, ...]
    reason: str = ""


NOMINAL = {"heater_power": "heater_power", "force": "force", "coolant_temperature": "coolant_in"}
"""Names of nominal conditions and the channels that show them."""


def search(run: Run) -> Search:
    """Look through the whole run. The last plateau at nominal conditions counts; see `_choose`."""
    segments = find_segments(run.grid, stepped=_stepped(run), window=run.setup.min_duration)
    warm = [segment for segment in segments if _may_count(run, segment)]
    found = tuple(_describe(run, rows) for segment in warm for rows in _settled_rows(run, segment))
    heated = tuple(plateau for plateau in found if plateau.heated)
    chosen, reason = _choose(run, heated, segments)
    return Search(heated, chosen, segments, reason)


def _may_count(run: Run, segment: Segment) -> bool:
    """Whether a segment is heated, as far as a power tells."""
    if "heater_power" not in run.levels:
        return True
    inside = slice(*np.searchsorted(run.grid.edges[:-1], (segment.first, segment.last)))
    blocks = run.levels["heater_power"][inside]
    return blocks.size == 0 or float(np.max(blocks)) > HEATED * highest_power(run)


def by_hand(run: Run, window: tuple[float, float]) -> Found:
    """The rows between two times [s] that a person chose; OutOfRange where hardly any row lies there."""
    first = int(np.searchsorted(run.time, window[0]))
    last = int(np.searchsorted(run.time, window[1], side="right"))
    if last - first < _FEWEST:
        raise OutOfRange(
            f"the window {window[0]:.6g} s to {window[1]:.6g} s holds {max(last - first, 0)} rows; {_FEWEST} are needed"
        )
    return _describe(run, slice(first, last))


def _stepped(run: Run) -> list[Stepped]:
    return [
        Stepped(run.signals[quantity], run.levels[quantity], smallest)
        for quantity, smallest in _SMALLEST.items()
        if quantity in run.levels
    ]


def _settled_rows(run: Run, segment: Segment) -> list[slice]:
    """The settled stretches of a segment, each trimmed, as rows."""
    window = run.setup.min_duration
    grid, levels = local_levels(run, slice(segment.first, segment.last))
    if grid.bounds[-1] - grid.bounds[0] < window * (1.0 - 1e-6) or grid.size < 3:
        return []
    window = max(window, _FEWEST_BLOCKS * float(np.median(np.diff(grid.bounds))))
    watched = watch(levels, run.setup.max_slope)
    stretches = settled_stretches(watched, centres=grid.centres, bounds=grid.bounds, window=window)
    rise = watched[0].values
    if "heater_power" not in run.levels:
        stretches = tuple(_without_tail(stretch, rise=rise) for stretch in stretches)
    lasting = [stretch for stretch in stretches if _seconds(grid, stretch) >= _ENOUGH * window]
    approaching = [rise, *(levels[name] for name in ("gap",) if name in levels)]
    return [_rows(grid, _trimmed(stretch, approaching, bounds=grid.bounds, window=window)) for stretch in lasting]


def _trimmed(stretch: Stretch, approaching: Sequence[Array], *, bounds: Array, window: float) -> Stretch:
    """The stretch without a beginning in which the rise or the gap still approaches its end."""
    kept = [trimmed(stretch, values=values, bounds=bounds, window=window) for values in approaching]
    return max(kept, key=lambda part: part.first)


def _seconds(grid: Grid, stretch: Stretch) -> float:
    return float(grid.bounds[stretch.last] - grid.bounds[stretch.first])


def _rows(grid: Grid, stretch: Stretch) -> slice:
    return slice(int(grid.edges[stretch.first]), int(grid.edges[stretch.last]))


def local_levels(run: Run, rows: slice) -> tuple[Grid, dict[str, Array]]:
    """Block means of temperatures and gap in blocks that fit `rows` exactly, so that no row from outside sneaks in."""
    share = (rows.stop - rows.start) / run.time.size
    blocks = max(int(run.grid.size * share), 60)
    if run.grid.size >= MOST:  # a run so long that its own blocks are too coarse for one stretch of it
        seconds = float(run.time[rows.stop - 1] - run.time[rows.start])
        blocks = max(blocks, min(int(PER_WINDOW * seconds / run.setup.min_duration), MOST))
    grid = grid_of(run.time, rows=rows, blocks=blocks)
    levels = {}
    for quantity in ("hot_temperature", "cold_temperature", "coolant_in", "gap"):
        if quantity in run.levels:
            levels[quantity] = mean_blocks(run.signals[quantity], grid.edges)
    return grid, {quantity: blocks for quantity, blocks in levels.items() if np.isfinite(blocks).all()}


def watch(levels: dict[str, Array], max_slope: float) -> list[Watched]:
    """What has to keep still: the rise, and both blocks, against the coolant where it is recorded."""
    if "hot_temperature" not in levels or "cold_temperature" not in levels:
        return []
    hot, cold = levels["hot_temperature"], levels["cold_temperature"]
    watched = [Watched("temperature rise", hot - cold, max_slope)]
    coolant = levels.get("coolant_in")
    storing = max(STORING * max_slope, STORING_LEAST)
    following = max(FOLLOWING * max_slope, FOLLOWING_LEAST)
    for name, block in (("hot block", hot), ("cold block", cold)):
        if coolant is None:
            watched.append(Watched(name, block, storing))
        else:
            watched.append(Watched(f"{name} against the coolant", block - coolant, storing))
            watched.append(Watched(name, block, following))
    return watched


def _without_tail(stretch: Stretch, *, rise: Array) -> Stretch:
    """The stretch without a few last blocks that already leave it, as after a switch that no channel shows."""
    values = rise[stretch.first : stretch.last]
    n = values.size
    longest = n // 4
    if longest < 2:
        return stretch
    middle = values[: n - longest]
    level = float(np.median(middle))
    scatter = 1.4826 * float(np.median(np.abs(middle - level)))
    tail = np.abs(values[n - longest :] - level) > 5.0 * max(scatter, 1e-9)
    keep = longest
    while keep > 0 and tail[keep - 1]:
        keep -= 1
    return Stretch(stretch.first, stretch.last - (longest - keep))


def _describe(run: Run, rows: slice) -> Found:
    conditions: dict[str, float] = {}
    for quantity in ("heater_power", "force", "coolant_in"):
        if quantity in run.levels:
            means = [signal.mean(rows) for signal in run.signals[quantity]]
            total = math.fsum(means)
            conditions[quantity] = total if quantity == "heater_power" else total / len(means)
    nominal = {
        name: abs(conditions[quantity] - run.setup.nominal[name]) <= tolerance(run, name)
        for name, quantity in NOMINAL.items()
        if name in run.setup.nominal and quantity in conditions
    }
    return Found(rows, conditions, _is_heated(run, rows, conditions), nominal)


def tolerance(run: Run, name: str) -> float:
    """How far a condition may be from its nominal value, SI."""
    if name in run.setup.tolerance:
        return run.setup.tolerance[name]
    return _DEFAULT_TOLERANCE * abs(run.setup.nominal[name]) if name != "coolant_temperature" else 1.0


def _is_heated(run: Run, rows: slice, conditions: dict[str, float]) -> bool:
    """Whether heat flows: by the power where it is recorded, else by the rise against the run's highest."""
    if "heater_power" in conditions:
        return conditions["heater_power"] > HEATED * highest_power(run)
    rise = np.abs(run.rise())  # a rig with its two sides mixed up is heated all the same
    inside = (run.grid.edges[:-1] >= rows.start) & (run.grid.edges[1:] <= rows.stop)
    here = float(np.median(rise[inside])) if inside.any() else 0.0
    return here > _COOL_DOWN * float(np.quantile(rise, 0.98)) * 0.5


def highest_power(run: Run) -> float:
    """The highest power that lasts [W]."""
    blocks = run.levels["heater_power"]
    return float(np.quantile(blocks, max(0.98, 1.0 - 0.2 * run.setup.min_duration / max(run.trace.seconds, 1e-9))))


def _choose(run: Run, plateaus: Sequence[Found], segments: Sequence[Segment]) -> tuple[Found | None, str]:
    """The last plateau at nominal power, then force, then coolant; without nominal power the last at a high power."""
    at_power = [plateau for plateau in plateaus if plateau.nominal.get("heater_power", True)]
    if "heater_power" in run.levels and not at_power and not _was_at_nominal(run, segments):
        at_power = _strong(run, plateaus)
    elif "heater_power" in run.levels and "heater_power" not in run.setup.nominal:
        at_power = _strong(run, at_power)
    if not at_power:
        return None, "no plateau"
    for name in ("force", "coolant_temperature"):
        at_power = [plateau for plateau in at_power if plateau.nominal.get(name, True)] or at_power
    return at_power[-1], ""


def _strong(run: Run, plateaus: Sequence[Found]) -> list[Found]:
    limit = _COOL_DOWN * highest_power(run)
    return [plateau for plateau in plateaus if plateau.conditions["heater_power"] >= limit]


def _was_at_nominal(run: Run, segments: Sequence[Segment]) -> bool:
    """Whether the power was at its nominal value long enough to have been meant."""
    if "heater_power" not in run.setup.nominal:
        return False
    seconds = 0.0
    for segment in segments:
        rows = slice(segment.first, segment.last)
        power = mean_power(run, rows)
        if abs(power - run.setup.nominal["heater_power"]) <= tolerance(run, "heater_power"):
            seconds += float(run.time[segment.last - 1] - run.time[segment.first])
    return seconds >= _LONG * run.setup.min_duration


def mean_power(run: Run, rows: slice) -> float:
    """Mean over rows of all heater powers together [W]; 0 where there is none."""
    return math.fsum(signal.mean(rows) for signal in run.signals.get("heater_power", ()))


def levels_of(run: Run, rows: slice, quantity: str, *, blocks: int) -> tuple[Grid, Array]:
    """Block means of a quantity over rows: the heater powers summed, others averaged."""
    grid = grid_of(run.time, rows=rows, blocks=blocks)
    together = summed_blocks if quantity == "heater_power" else mean_blocks
    return grid, together(run.signals[quantity], grid.edges)
