"""How the figures drift over the cycles: from first to last, per cycle, in what shape, and when a limit is reached."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from analysis.results import Array, Measured
from analysis.statistics.trend import (
    Crossing,
    Drift,
    closest_scatter,
    crossing,
    fit_shapes,
    kendall_p,
    reached,
    theil_sen,
)
from analysis.steady.blocks import Rows

_ENDS = 0.1  # share of the cycles at either end whose means are compared
_FEWEST_ENDS = 3
FURTHEST = 2.0  # times the cycles done to which a course may be carried on; common practice, no source
_RUN_IN = (0, 1, 2, 3, 5, 8, 13, 21, 34, 55, 89, 144, 233, 377)  # cycles tried
_RUN_IN_SHARE = 0.3  # of the cycles at most
_RUN_IN_FROM = 15  # cycles that a run-in can be told in
_AS_QUIET = 1.35  # times the scatter of the later cycles: what a course with all of its beginning may have
_MOST = 300  # points a drift is found in
_WIDEST = 4.0  # times the cycles done that the upper end of a prediction may lie at


@dataclass(frozen=True, slots=True)
class Drifting:
    """The drift of one figure over the cycles `number`, shape (n,), with values `y`; SI units. Many are averaged."""

    number: Array
    y: Array
    run_in: int  # cycles before, in which the layer still ran in
    slope: Measured  # per cycle, robust
    slope_low: float
    slope_high: float
    change: Measured  # mean of the last tenth less that of the first
    shapes: Mapping[str, Drift]
    chance: float  # probability of so clear a trend by chance

    @property
    def best(self) -> Drift:
        return next(iter(self.shapes.values()))


@dataclass(frozen=True, slots=True)
class Limit:
    """When the drift reaches a limit: cycles with their interval, or why no number is given."""

    value: float
    crossing: Crossing | None
    reason: str = ""


def find_drift(number: Rows, y: Array) -> Drifting:
    """The drift of `y` over the cycles once the layer has run in, missing ones left out."""
    known = np.isfinite(y)
    x, values = _thinned(number[known].astype(np.float64), y[known])
    run_in = _run_in(x, values)
    x, values = x[run_in:], values[run_in:]
    shapes = fit_shapes(x, y=values)
    best = next(iter(shapes.values()))
    slope, low, high = theil_sen(x, y=values, effective=best.effective)
    return Drifting(
        number=x,
        y=values,
        run_in=round(run_in * number.size / max(x.size + run_in, 1)),
        slope=slope,
        slope_low=low,
        slope_high=high,
        change=_change(values, best),
        shapes=shapes,
        chance=kendall_p(x, y=values, effective=best.effective),
    )


def _thinned(x: Array, y: Array) -> tuple[Array, Array]:
    """Means of neighbouring cycles, so that at most a few hundred points stay."""
    if x.size <= _MOST:
        return x, y
    edges = (np.arange(_MOST) * x.size) // _MOST
    counts = np.diff(np.append(edges, x.size))
    return np.add.reduceat(x, edges) / counts, np.add.reduceat(y, edges) / counts


def _run_in(x: Array, y: Array) -> int:
    """How many first cycles follow another course than the rest: with them no shape fits as closely as without."""
    if x.size < _RUN_IN_FROM:
        return 0
    tried = [first for first in _RUN_IN if first <= _RUN_IN_SHARE * x.size]
    scatters = [closest_scatter(x[first:], y=y[first:]) for first in tried]
    enough = _AS_QUIET * float(np.median(scatters[-3:]))
    return next(
        first for first, scatter in zip(tried, scatters, strict=True) if scatter <= enough or first == tried[-1]
    )


def _change(y: Array, best: Drift) -> Measured:
    """The mean of the last cycles less that of the first, free of any shape; its scatter is that about the shape."""
    ends = ends_of(y.size)
    change = float(y[-ends:].mean() - y[:ends].mean())
    dof = max(best.effective - best.shape.fitted, 1.0)
    independent = max(ends * best.effective / y.size, 1.0)
    return Measured(change, best.scatter * math.sqrt(2.0 / independent), dof)


def ends_of(points: int) -> int:
    """How many points at either end are averaged for a change."""
    return max(int(_ENDS * points), min(_FEWEST_ENDS, points // 2))


def onset(drifting: Drifting) -> tuple[float, float, float] | None:
    """The cycle at which the drift sets in, with its 95 % interval; None where no such course is told from others."""
    found = drifting.shapes.get("onset")
    if found is None or found is not drifting.best or found.rise == 0.0:
        return None
    low, high = found.own_range
    middle = found.x0 + found.span * found.own
    return middle, found.x0 + found.span * low, found.x0 + found.span * high


def find_limit(drifting: Drifting, value: float, *, u: float = 0.0) -> Limit:
    """When the drift reaches `value`: over all shapes as likely as the cycles make them, not beyond what they bear.

    `u` is the standard uncertainty of what all values share, such as a calibration, against the limit.
    """
    last = float(drifting.number[-1])
    x, y = drifting.number, drifting.y
    best = crossing(drifting.best, x=x, y=y, limit=value, u_limit=u)
    if drifting.best.shape.flat:
        return Limit(value, None, "no drift is told from the scatter")
    if not math.isfinite(best.x) or best.x < float(drifting.number[0]):
        return Limit(value, None, "the drift as seen does not lead to the limit")
    if best.x > FURTHEST * last:
        text = f"at the drift seen it lies near {best.x:.3g} cycles, more than {FURTHEST:.0f} times the {last:.0f} done"
        return Limit(value, None, f"{text}; carry on to {best.x / FURTHEST:.0f} cycles at least")
    low, high = reached(drifting.shapes, x=x, y=y, limit=value, u_limit=u, longest=_WIDEST * last)
    if high > _WIDEST * last:
        return Limit(
            value, None, "the cycles done do not tell apart courses that reach it from some that may never do so"
        )
    return Limit(value, Crossing(best.x, min(low, best.x), max(high, best.x)))
