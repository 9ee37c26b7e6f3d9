"""Where a run has settled: the stretches over which the temperature rise keeps still and the blocks store no heat."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.results import Array
from analysis.statistics.autocorrelation import long_run_variances

_SURE = 3.0  # standard errors a window's slope may lie above the limit by noise alone
_WHOLE = 0.5  # share of the limit the slope of a whole stretch may lie above it, where noise explains that
_HIDDEN = 1.5  # a stretch whose slope is not known to within this many limits tells nothing
_TILE = 1.0 / 3.0  # share of a window
_SPENT = 2.0  # a line taken out of each tile takes some of the slow noise with it; so does taking the quietest
_PART, _STEEP = 0.4, 2.5  # parts of a window, and how many times the limit their slope may be
_WORTH = 0.85  # of the marginal variance, below which cutting off a beginning is worth it
_SCALES = (1.0, 2.0, 4.0, 8.0)  # windows looked at, in the shortest plateau


@dataclass(frozen=True, slots=True)
class Watched:
    """A series of block means that has to keep still: its `values` [K] and the slope it may have, `limit` [K/s].

    `noise` is its long-run variance [K^2 s], found by the function of that name.
    """

    name: str
    values: Array
    limit: float
    noise: float = 0.0


@dataclass(frozen=True, slots=True)
class Stretch:
    """Blocks `first` to `last` (not included)."""

    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Slopes:
    """Slopes of a series in windows of one length: one for each block a window can start at, and the window's end."""

    slope: Array
    ends: NDArray[np.intp]
    error: float


def settled_stretches(
    watched: Sequence[Watched], *, centres: Array, bounds: Array, window: float
) -> tuple[Stretch, ...]:
    """Every stretch of at least `window` [s] over which each watched series keeps within its limit, in order.

    Parameters: block `centres` and `bounds` [s], shapes (n,) and (n + 1,), of one segment. The first watched series
    is the temperature rise. A window fails when its slope is above the limit by more than noise explains; longer
    windows sharpen the judgement, and the whole stretch is judged without that allowance.
    """
    noises = noise([series.values for series in watched], bounds=bounds, window=window)
    watched = [replace(series, noise=found) for series, found in zip(watched, noises, strict=True)]
    ends = window_ends(bounds, window)
    good = np.ones(ends.size, dtype=bool)
    for series in watched:
        slopes = window_slopes(series, centres=centres, bounds=bounds, window=window)
        good &= np.abs(slopes.slope) < series.limit + _SURE * slopes.error
        good &= _straight(series, centres=centres, bounds=bounds, window=window)
    found = [
        narrowed
        for first, last in _runs(good)
        if (narrowed := _narrowed(Stretch(first, int(ends[last])), watched, centres, bounds, window)) is not None
    ]
    return tuple(found)


def window_ends(bounds: Array, window: float) -> NDArray[np.intp]:
    """For each block a window can start at, the block it ends before."""
    tolerance = 1e-6 * window
    ends = np.searchsorted(bounds, bounds[:-1] + window - tolerance)
    return ends[ends < bounds.size].astype(np.intp)


def _straight(series: Watched, *, centres: Array, bounds: Array, window: float) -> NDArray[np.bool_]:
    """For each window, whether no part of it is steep: what rises and falls again is not still."""
    ends = window_ends(bounds, window)
    parts = window_slopes(series, centres=centres, bounds=bounds, window=_PART * window)
    steep = np.abs(parts.slope) >= _STEEP * series.limit + _SURE * parts.error
    before = np.concatenate(([0], np.cumsum(steep)))
    last = np.searchsorted(parts.ends, ends, side="right")
    straight: NDArray[np.bool_] = before[last] == before[np.arange(ends.size)]
    return straight


def window_slopes(series: Watched, *, centres: Array, bounds: Array, window: float) -> Slopes:
    """Least-squares slopes of a series in all windows of `window` [s], and the standard error noise gives them."""
    ends = window_ends(bounds, window)
    starts = np.arange(ends.size)
    t = centres - centres.mean()
    y = series.values - series.values.mean()
    sums = [np.concatenate(([0.0], np.cumsum(terms))) for terms in (t, y, t * t, t * y)]
    st, sy, stt, sty = (running[ends] - running[starts] for running in sums)
    count = ends - starts
    spread = stt - st * st / count
    slope = np.where(spread > 0.0, (sty - st * sy / count) / np.where(spread > 0.0, spread, 1.0), np.inf)
    return Slopes(slope=slope, ends=ends, error=math.sqrt(12.0 * series.noise / window**3))


def noise(series: Sequence[Array], *, bounds: Array, window: float) -> list[float]:
    """Long-run variance [K^2 s] of what is left of each series when each third of a window has its line taken out.

    The quietest third of these tiles counts: where a series bends or jumps, that is not noise.
    """
    blocks = bounds.size - 1
    step = float(bounds[-1] - bounds[0]) / blocks
    per = min(max(int(_TILE * window / step), 8), blocks)
    starts = np.unique(np.linspace(0, blocks - per, max(2 * blocks // per - 1, 1)).astype(np.intp))
    tiles = np.concatenate([values[starts[:, None] + np.arange(per)] for values in series])
    variances = np.sort(long_run_variances(_level(tiles), step=step).reshape(len(series), starts.size), axis=1)
    return [float(value) for value in variances[:, : (starts.size + 2) // 3].mean(axis=1) * _SPENT]


def _level(tiles: Array) -> Array:
    """Each row of `tiles` without its straight line."""
    places = np.arange(tiles.shape[1]) - 0.5 * (tiles.shape[1] - 1)
    flat: Array = tiles - tiles.mean(axis=1, keepdims=True)
    spread = float(places @ places)
    if spread > 0.0:
        flat -= np.outer(flat @ places / spread, places)
    return flat


def _runs(good: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Each run of true as its first and last place."""
    padded = np.concatenate(([False], good, [False]))
    change = np.flatnonzero(padded[1:] != padded[:-1])
    return [(int(first), int(last) - 1) for first, last in zip(change[::2], change[1::2], strict=True)]


def _narrowed(
    stretch: Stretch, watched: Sequence[Watched], centres: Array, bounds: Array, window: float
) -> Stretch | None:
    """The latest part of a stretch that also passes at longer windows and as a whole; None where there is none."""
    for scale in _SCALES[1:]:
        stretch = _after_failures(stretch, watched, centres, bounds, scale * window)
    if bounds[stretch.last] - bounds[stretch.first] < window * (1.0 - 1e-6):
        return None
    return _as_a_whole(stretch, watched, centres, bounds, window)


def _after_failures(
    stretch: Stretch, watched: Sequence[Watched], centres: Array, bounds: Array, window: float
) -> Stretch:
    """The stretch without its beginning up to the last long window that fails."""
    part = slice(stretch.first, stretch.last)
    edges = bounds[stretch.first : stretch.last + 1]
    if edges[-1] - edges[0] < window:
        return stretch
    first = 0
    for series in watched:
        inside = replace(series, values=series.values[part])
        slopes = window_slopes(inside, centres=centres[part], bounds=edges, window=window)
        failing = np.flatnonzero(np.abs(slopes.slope) >= series.limit + _SURE * slopes.error)
        first = max(first, int(failing[-1]) + 1) if failing.size else first
    return replace(stretch, first=stretch.first + first)


def _as_a_whole(
    stretch: Stretch, watched: Sequence[Watched], centres: Array, bounds: Array, window: float
) -> Stretch | None:
    """The longest later part whose slope as a whole is within the limits, tried in steps; None where there is none."""
    latest = int(np.searchsorted(bounds, bounds[stretch.last] - window * (1.0 - 1e-6), side="right")) - 1
    for first in np.unique(np.linspace(stretch.first, max(latest, stretch.first), 24).astype(int)):
        part = Stretch(int(first), stretch.last)
        if all(_still(series, part, centres, bounds) for series in watched):
            return part
    return None


def _still(series: Watched, part: Stretch, centres: Array, bounds: Array) -> bool:
    """Whether a stretch as a whole keeps within the limit, and is known well enough to say so.

    The error is that of the noise alone: what bends in the stretch is no noise, and does not excuse a slope.
    """
    slope = line_slope(series.values[part.first : part.last], centres=centres[part.first : part.last])
    error = math.sqrt(12.0 * series.noise / float(bounds[part.last] - bounds[part.first]) ** 3)
    if error > _HIDDEN * series.limit:
        return False
    return abs(slope) < series.limit + min(error, _WHOLE * series.limit)


def line_slope(values: Array, *, centres: Array) -> float:
    """Least-squares slope of `values` [unit] over `centres` [s]; nan for less than two of them."""
    t = centres - centres.mean()
    spread = float(t @ t)
    return float(t @ values) / spread if spread > 0.0 else math.nan


def trimmed(stretch: Stretch, *, values: Array, bounds: Array, window: float) -> Stretch:
    """The stretch without a beginning that still approaches: the start with the least marginal standard error. [1]

    At least `window` [s] and half of the stretch stay, and nothing is cut off that noise alone would suggest.

    1. K. P. White, An effective truncation heuristic for bias reduction in simulation output, Simulation 69 (1997) 323.
    """
    latest_time = min(bounds[stretch.last] - window, 0.5 * (bounds[stretch.first] + bounds[stretch.last]))
    slack = 1e-6 * window
    latest = int(np.searchsorted(bounds, latest_time + slack, side="right")) - 1
    if latest <= stretch.first:
        return stretch
    y = values[stretch.first : stretch.last] - values[stretch.last - 1]
    left = np.arange(y.size, 0, -1)
    sums, squares = np.cumsum(y[::-1])[::-1], np.cumsum((y * y)[::-1])[::-1]
    marginal = (squares - sums**2 / left) / left.astype(float) ** 2
    best = int(np.argmin(marginal[: latest - stretch.first + 1]))
    return replace(stretch, first=stretch.first + best) if marginal[best] < _WORTH * marginal[0] else stretch
