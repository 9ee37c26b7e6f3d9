"""Control charts: is a process what it was in its first phase?

Limits come from a first phase and stay; later points are laid beside them and never move them. Short-term spread:

    individuals         sigma = mean moving range / d2(2)                    m +- 3 sigma
    averages            sigma = mean range / d2(n), or mean s / c4(n)        m +- 3 sigma / sqrt n
    weighted average    z_i = w x_i + (1 - w) z_(i-1)                m +- L sigma sqrt(w / (2 - w) (1 - (1 - w)^2i))
    cumulative sum      C+_i = max(0, x_i - m - K + C+_(i-1)), C- the same downwards; a signal above H

The overall standard deviation is never used for limits: a drift in the first phase would widen them.

1. ASTM E2587, control charts; ISO 7870-2 (Shewhart), 7870-4 (cumulative sum), 7870-6 (weighted average).
2. NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.errors import OutOfRange
from analysis.quality.chart_constants import chart_constants
from analysis.results import Array

FEWEST = 10
"""A first phase of fewer points gives limits too loose to use: 20 to 25 are usual. (Common practice, no source.)"""


@dataclass(frozen=True, slots=True)
class Phase:
    """What a first phase says: level and short-term standard deviation, in the unit of the values, and its points."""

    level: float
    sigma: float
    points: int


@dataclass(frozen=True, slots=True, eq=False)
class ControlChart:
    """Points with centre and limits, each an array in the unit of the values; `outside` marks points beyond a limit."""

    kind: str
    points: Array
    centre: Array
    lower: Array
    upper: Array

    @property
    def outside(self) -> NDArray[np.bool_]:
        """Which points lie beyond a limit, as booleans."""
        return np.asarray((self.points > self.upper) | (self.points < self.lower))

    @property
    def first_signal(self) -> int | None:
        """The number of the first point beyond a limit, from 0; None where there is none."""
        found = np.flatnonzero(self.outside)
        return int(found[0]) if found.size else None


def moving_ranges(values: ArrayLike) -> Array:
    """Differences of neighbours without sign, shape (n - 1,)."""
    return np.abs(np.diff(_checked(values, least=2)))


def phase_of(values: ArrayLike) -> Phase:
    """The first phase of single values: shape (n,), n of at least `FEWEST`. Raises OutOfRange. Source: [1], [2]."""
    x = _checked(values, least=FEWEST)
    return Phase(float(x.mean()), float(moving_ranges(x).mean()) / chart_constants(2).d2, x.size)


def phase_of_samples(samples: ArrayLike, *, by: str = "range") -> Phase:
    """The first phase of samples of equal size, shape (k, n): `by` their mean "range" or mean "s". Source: [1]."""
    rows = np.asarray(samples, dtype=float)
    if rows.ndim != 2 or rows.shape[0] < 2 or not np.isfinite(rows).all():
        raise OutOfRange("samples for a control chart are rows of equal length without gaps", code="bad-samples")
    factors = chart_constants(rows.shape[1])
    if by == "range":
        sigma = float(np.ptp(rows, axis=1).mean()) / factors.d2
    else:
        sigma = float(rows.std(axis=1, ddof=1).mean()) / factors.c4
    return Phase(float(rows.mean()), sigma, rows.size)


def individuals(values: ArrayLike, *, phase: Phase) -> ControlChart:
    """Single values within level +- 3 sigma. Shape (n,). Source: [1]."""
    x = _checked(values, least=1)
    return _chart("individuals", x, phase.level, 3.0 * phase.sigma)


def ranges_moving(values: ArrayLike, *, phase: Phase) -> ControlChart:
    """Moving ranges of neighbours below D4(2) times their mean; n - 1 points. Source: [1]."""
    centre = phase.sigma * chart_constants(2).d2
    return _spread_chart("moving ranges", moving_ranges(values), centre, chart_constants(2).range_limits)


def averages(samples: ArrayLike, *, phase: Phase) -> ControlChart:
    """Averages of samples, shape (k, n), within level +- 3 sigma / sqrt n. Source: [1]."""
    rows = np.asarray(samples, dtype=float)
    return _chart("averages", rows.mean(axis=1), phase.level, 3.0 * phase.sigma / math.sqrt(rows.shape[1]))


def ranges(samples: ArrayLike, *, phase: Phase) -> ControlChart:
    """Ranges of samples, shape (k, n), within D3 and D4 times their mean. Source: [1]."""
    rows = np.asarray(samples, dtype=float)
    factors = chart_constants(rows.shape[1])
    return _spread_chart("ranges", np.ptp(rows, axis=1), phase.sigma * factors.d2, factors.range_limits)


def spreads(samples: ArrayLike, *, phase: Phase) -> ControlChart:
    """Standard deviations of samples, shape (k, n), within B3 and B4 times their mean. Source: [1]."""
    rows = np.asarray(samples, dtype=float)
    factors = chart_constants(rows.shape[1])
    return _spread_chart(
        "standard deviations", rows.std(axis=1, ddof=1), phase.sigma * factors.c4, factors.spread_limits
    )


def weighted_average(values: ArrayLike, *, phase: Phase, weight: float = 0.2, reach: float = 2.962) -> ControlChart:
    """The exponentially weighted moving average: sees small, lasting shifts.

    Parameters: values, shape (n,); weight w in (0, 1]; reach L in sigma of the average. The defaults give a false
    signal about every 500 points. Raises: OutOfRange. Source: [1], [2].
    """
    if not 0.0 < weight <= 1.0:
        raise OutOfRange("the weight of the newest point lies above 0 and up to 1", code="bad-weight")
    x = _checked(values, least=1)
    points, last = np.empty(x.size), phase.level
    for i, value in enumerate(x):
        last = weight * value + (1.0 - weight) * last
        points[i] = last
    steps = np.arange(1, x.size + 1)
    width = reach * phase.sigma * np.sqrt(weight / (2.0 - weight) * (1.0 - (1.0 - weight) ** (2 * steps)))
    return _chart("weighted average", points, phase.level, width)


@dataclass(frozen=True, slots=True, eq=False)
class CumulativeSums:
    """Sums upwards and downwards, shape (n,), in the unit of the values, and the height at which they signal."""

    high: Array
    low: Array
    height: float

    @property
    def first_signal(self) -> int | None:
        """The number of the first point with a signal, from 0; None where there is none."""
        found = np.flatnonzero((self.high > self.height) | (self.low > self.height))
        return int(found[0]) if found.size else None


def cumulative_sums(values: ArrayLike, *, phase: Phase, slack: float = 0.5, height: float = 5.0) -> CumulativeSums:
    """The two-sided cumulative sum: sees a lasting shift of twice `slack` soonest.

    Parameters: values, shape (n,); slack K and height H in sigma. K = 0.5, H = 5 gives a false signal about every 465
    points and a shift of one sigma after about 10. Raises: OutOfRange. Source: [1], [2].
    """
    x = _checked(values, least=1)
    off = x - phase.level
    allowed = slack * phase.sigma
    return CumulativeSums(_summed(off - allowed), _summed(-off - allowed), height * phase.sigma)


def _summed(steps: Array) -> Array:
    sums, last = np.empty(steps.size), 0.0
    for i, step in enumerate(steps):
        last = max(0.0, last + float(step))
        sums[i] = last
    return sums


def _chart(kind: str, points: Array, level: float, reach: float | Array) -> ControlChart:
    centre = np.full(points.size, level)
    return ControlChart(kind, points, centre, centre - reach, centre + reach)


def _spread_chart(kind: str, points: Array, centre: float, factors: tuple[float, float]) -> ControlChart:
    made = _chart(kind, points, centre, 0.0)
    return replace(made, lower=made.centre * factors[0], upper=made.centre * factors[1])


def _checked(values: ArrayLike, *, least: int) -> Array:
    x = np.asarray(values, dtype=float)
    if x.ndim != 1 or not np.isfinite(x).all():
        raise OutOfRange("a control chart takes one row of values without gaps", code="bad-values")
    if x.size < least:
        raise OutOfRange(f"{x.size} points are too few: at least {least} are needed", code="too-few-points")
    return x
