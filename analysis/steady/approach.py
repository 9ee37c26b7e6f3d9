"""How fast a run still comes to rest: what is left of an approach is its slope times its time constant."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.results import Array
from analysis.statistics.regression import fit_line
from analysis.steady.plateaus import local_levels
from analysis.steady.run import Run
from analysis.steady.segments import Segment
from analysis.steady.settling import Watched, noise, window_slopes

_PART = 1.0 / 3.0  # of the shortest plateau: windows that slopes are taken in
_CLEAR = 4.0  # standard errors a slope has to stand above noise
_FEWEST = 10  # windows
_FALL = 2.0  # factor the slope has to fall by for its fall to be seen
_TAIL = 8.0  # factor above the last clear slope up to which it is looked at: the slowest part of the approach


def approach_time(run: Run, *, rows: slice, segments: Sequence[Segment]) -> float | None:
    """Time constant [s] of the approach that ends in a plateau; None where no falling slope is seen. [1]

    The hot block's slope, against the coolant where that is recorded, falls as exp(-t / tau): a straight line of its
    logarithm against time, over the last windows in which it stands clear of noise.

    1. First-order approach: T_end - T(t) = tau dT/dt.
    """
    first = next((part.first for part in segments if part.first <= rows.start < part.last), rows.start)
    grid, levels = local_levels(run, slice(first, rows.stop))
    if "hot_temperature" not in levels or grid.size < _FEWEST:
        return None
    hot = levels["hot_temperature"] - levels.get("coolant_in", 0.0)
    window = run.setup.min_duration
    series = Watched("hot block", hot, 0.0, noise([hot], bounds=grid.bounds, window=window)[0])
    slopes = window_slopes(series, centres=grid.centres, bounds=grid.bounds, window=_PART * window)
    return _falling(grid.bounds[: slopes.slope.size], slopes.slope, error=slopes.error)


def _falling(time: Array, slope: Array, *, error: float) -> float | None:
    size = np.abs(slope)
    clear = np.flatnonzero((size > _CLEAR * error) & np.isfinite(slope))
    if clear.size < _FEWEST:
        return None
    last = int(clear[-1])
    steep = np.flatnonzero((size > _TAIL * size[last]) | (slope * slope[last] <= 0.0))
    start = int(steep[steep < last][-1]) + 1 if (steep < last).any() else 0
    seen = clear[clear >= start]
    if seen.size < _FEWEST or size[seen].max() < _FALL * size[last]:
        return None
    line = fit_line(time[seen], y=np.log(size[seen]))
    return -1.0 / line.slope if line.slope < 0.0 else None
