"""How a series moves: robust slope, a few shapes of drift, when one sets in, and when it will reach a limit."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from analysis.errors import OutOfRange
from analysis.results import Array, Measured
from analysis.statistics.student import coverage_factor

FEWEST = 5  # points of a trend
_PAIRED = 400  # points whose pairs are looked at; longer series are averaged first
_LEAST_EFFECTIVE = 6.0  # independent points
_GRID = 40  # values tried for a shape's own parameter
_REFINED = 4  # times the values are drawn closer
_ACROSS = 9  # values of it looked at over its interval
_LOOKED_AT = 1500  # x at which a limit may be reached
_LOW = 0.025
_TINY = float(np.finfo(float).tiny)

Curve = Callable[[Array, Array], Array]


def _power(x: Array, m: Array) -> Array:
    return np.power(x, m)


def _saturating(x: Array, c: Array) -> Array:
    return 1.0 - np.exp(-x / c)


def _onset(x: Array, c: Array) -> Array:
    return np.maximum(x - c, 0.0)


@dataclass(frozen=True, slots=True)
class Shape:
    """y = a + b g(x / span; c): `curve` is g, `inverse` gives x / span back; `own` are values of c that are tried."""

    name: str
    curve: Curve
    inverse: Callable[[float, float], float]
    own: tuple[float, ...] = ()
    flat: bool = False

    @property
    def fitted(self) -> int:
        return 1 if self.flat else 3 if len(self.own) > 1 else 2


def _saturates(g: float, c: float) -> float:
    return -c * math.log1p(-g) if g < 1.0 else math.inf


SHAPES: Mapping[str, Shape] = MappingProxyType(
    {
        shape.name: shape
        for shape in (
            Shape("none", lambda x, c: 0.0 * x * c, lambda g, c: math.inf, (0.0,), flat=True),
            Shape("linear", lambda x, c: x + 0.0 * c, lambda g, c: g, (0.0,)),
            Shape("square root", lambda x, c: np.sqrt(x) + 0.0 * c, lambda g, c: g * abs(g), (0.0,)),
            Shape(
                "power",
                _power,
                lambda g, m: math.copysign(abs(g) ** (1.0 / m), g),
                tuple(np.geomspace(0.2, 3.0, _GRID).tolist()),
            ),
            Shape("saturating", _saturating, _saturates, tuple(np.geomspace(0.03, 3.0, _GRID).tolist())),
            Shape("onset", _onset, lambda g, c: g + c, tuple(np.linspace(0.05, 0.9, _GRID).tolist())),
        )
    }
)
"""Courses a drift can take; x is counted from the first point and divided by the span of all."""


@dataclass(frozen=True, slots=True)
class Drift:
    """One shape fitted to a series: y = `level` + `rise` g((x - x0) / span; own)."""

    shape: Shape
    x0: float
    span: float
    level: float
    rise: float
    own: float
    own_range: tuple[float, float]  # 95 % interval of `own`; of no meaning for shapes without it
    scatter: float  # standard deviation of the residuals
    effective: float  # independent points
    criterion: float  # corrected information criterion; smaller is better
    residuals: Array

    def at(self, x: ArrayLike) -> Array:
        """The fitted course at `x`."""
        z = (np.asarray(x, dtype=np.float64) - self.x0) / self.span
        return self.level + self.rise * self.shape.curve(z, np.array(self.own))


@dataclass(frozen=True, slots=True)
class Crossing:
    """Where a course reaches a limit: x with its 95 % prediction interval; inf where it may never do so."""

    x: float
    low: float
    high: float


def theil_sen(x: ArrayLike, *, y: ArrayLike, effective: float | None = None) -> tuple[Measured, float, float]:
    """Median of the slopes of all pairs, and its 95 % interval. [1], [2]

    Parameters: `x`, `y` shape (n,), n >= 5; `effective` independent points where the series remembers itself: the
    variance of Kendall's statistic is then larger by n / effective. Returns the slope with a standard uncertainty (a
    quarter of the interval's width, near enough) and both ends. Up to 29 % of the points may be wild.

    1. H. Theil, Proc. Kon. Ned. Akad. Wetensch. A 53 (1950) 386.
    2. P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379.
    """
    xs, ys = _series(x, y)
    n = xs.size
    share = n / min(max(effective or n, 1.0), n)
    xs, ys = _thinned(xs, ys)
    used = xs.size
    share = max(share * used / n, 1.0)
    first, second = np.triu_indices(used, 1)
    apart = xs[second] - xs[first]
    slopes = np.sort((ys[second] - ys[first])[apart > 0.0] / apart[apart > 0.0])
    if not slopes.size:
        raise OutOfRange("a slope needs at least two different x")
    factor = float(coverage_factor(math.inf))
    half = factor * math.sqrt(share * used * (used - 1.0) * (2.0 * used + 5.0) / 18.0)
    low = min(max(round((slopes.size - half) / 2.0) - 1, 0), slopes.size - 1)
    high = min(max(round((slopes.size + half) / 2.0), 0), slopes.size - 1)
    ends = float(slopes[low]), float(slopes[high])
    return Measured(float(np.median(slopes)), (ends[1] - ends[0]) / (2.0 * factor)), *ends


def fit_shapes(x: ArrayLike, *, y: ArrayLike) -> dict[str, Drift]:
    """Every shape that the series has points enough for, the best first by the corrected information criterion. [1]

    Parameters: `x` sorted, `y`, shape (n,), n >= 5. The memory of the residuals counts: the criterion and all
    intervals use as many independent points as the residuals of the best shape are worth.

    1. C. M. Hurvich, C.-L. Tsai, Biometrika 76 (1989) 297.
    """
    xs, ys = _series(x, y)
    rough = _rough(xs, ys)
    closest = min(rough, key=lambda drift: drift.scatter)
    effective = independent_points(closest.residuals, fitted=closest.shape.fitted)
    found = [_fitted(drift.shape, xs, ys, effective) for drift in rough]
    found.sort(key=lambda drift: drift.criterion)
    return {drift.shape.name: drift for drift in found}


def independent_points(residuals: Array, *, fitted: int) -> float:
    """How many independent points the residuals of a fit are worth, as if each remembered only the one before. [1]

    Formula: n (1 - r) / (1 + r), r the correlation of neighbours, made larger by (1 + 3 r) / n + (fitted - 1) / n for
    what a short series and a fit take out of it. For the tens of points of a trend this is steadier than a sum over
    many lags.

    1. M. G. Kendall, Biometrika 41 (1954) 403, on the bias of r; G. V. Bayley, J. M. Hammersley (1946) on the count.
    """
    n = residuals.size
    flat = residuals - residuals.mean()
    total = float(flat @ flat)
    if total <= 0.0:
        return float(n)
    r = float(flat[1:] @ flat[:-1]) / total
    r = min(max(r + (1.0 + 3.0 * r + fitted - 1.0) / n, 0.0), 0.99)
    return max(n * (1.0 - r) / (1.0 + r), min(_LEAST_EFFECTIVE, n))


def closest_scatter(x: ArrayLike, *, y: ArrayLike) -> float:
    """Standard deviation of the residuals about the shape that comes closest, memory not counted."""
    return min(drift.scatter for drift in _rough(*_series(x, y), rounds=1))


def _rough(x: Array, y: Array, *, rounds: int = 2) -> list[Drift]:
    """Every shape that there are points enough for, as if each point were independent."""
    return [
        _fitted(shape, x, y, float(x.size), rounds=rounds) for shape in SHAPES.values() if x.size > shape.fitted + 1
    ]


def crossing(drift: Drift, *, x: ArrayLike, y: ArrayLike, limit: float, u_limit: float = 0.0) -> Crossing:
    """When a drift reaches `limit`: solution of course = limit, and of course -+ prediction half-width = limit. [1]

    Parameters: `u_limit` standard uncertainty of the limit itself, or of what all y share.
    Formula, with g as the abscissa: (D - b u)^2 = t^2 s^2 (1 + r / n + r u^2 / S), u = g - mean, D = limit - mean of y,
    S the sum of squares of u, r = n / effective points. For shapes with a parameter of their own the interval is the
    widest over the parameter's 95 % interval. Where the slope is not above its uncertainty the upper end is infinite.

    1. E. J. Williams, Regression Analysis (1959), section 6 (inverse prediction, the interval of Fieller).
    """
    xs, ys = _series(x, y)
    tried = {drift.own, *np.linspace(*drift.own_range, _ACROSS).tolist()}
    found = [_crossing(drift, xs, ys, limit, c, u_limit) for c in sorted(tried)]
    central = _crossing(drift, xs, ys, limit, drift.own, u_limit)
    return Crossing(central.x, min(one.low for one in found), max(one.high for one in found))


def _crossing(drift: Drift, x: Array, y: Array, limit: float, own: float, u_limit: float) -> Crossing:
    if drift.shape.flat:
        return Crossing(math.inf, math.inf, math.inf)
    g = drift.shape.curve((x - drift.x0) / drift.span, np.array(own))
    n, middle, level = g.size, float(g.mean()), float(y.mean())
    spread = float((g - middle) @ (g - middle))
    slope = float((g - middle) @ (y - level)) / spread
    residual = y - level - slope * (g - middle)
    dof = max(drift.effective - drift.shape.fitted, 1.0)
    variance = float(residual @ residual) / n * drift.effective / dof
    ratio = n / drift.effective
    t2s2 = coverage_factor(dof) ** 2 * variance
    away = limit - level

    def back(u: float) -> float:
        return drift.x0 + drift.span * drift.shape.inverse(u + middle, own)

    a = slope**2 - t2s2 * ratio / spread
    c = away**2 - t2s2 * (1.0 + ratio / n) - (coverage_factor(math.inf) * u_limit) ** 2
    half = math.sqrt(max((slope * away) ** 2 - a * c, 0.0))
    point = back(away / slope) if slope != 0.0 else math.inf
    if a <= 0.0:  # the slope is not told from none
        towards = away * slope
        return Crossing(point, back((slope * away - half) / a) if towards > 0.0 and a < 0.0 else x[0], math.inf)
    ends = sorted(((slope * away - half) / a, (slope * away + half) / a))
    return Crossing(point, back(ends[0]), back(ends[1]))


def reached(
    drifts: Mapping[str, Drift], *, x: ArrayLike, y: ArrayLike, limit: float, longest: float, u_limit: float = 0.0
) -> tuple[float, float]:
    """95 % interval of the x at which a course reaches `limit`, over all shapes as likely as they are. [1], [2]

    Parameters: `longest` x that is looked at: the upper end is inf where the limit is not reached by then with 97.5 %;
    `u_limit` standard uncertainty of the limit, or of what all y share.
    Formula: P(reached by x) = sum of w P(course(x) beyond limit), each course with Student's distribution about its
    fit, each shape weighted by exp(-criterion / 2), each value of its own parameter by its likelihood.

    1. K. P. Burnham, D. R. Anderson, Model Selection and Multimodel Inference, 2nd ed. (2002), section 2.9.
    2. S. T. Buckland, K. P. Burnham, N. H. Augustin, Biometrics 53 (1997) 603.
    """
    xs, ys = _series(x, y)
    at = np.linspace(float(xs[0]), longest, _LOOKED_AT)
    best = min(drifts.values(), key=lambda drift: drift.criterion)
    sign = 1.0 if limit > float(best.at(xs[0])) else -1.0
    weights = np.array([math.exp(-0.5 * (drift.criterion - best.criterion)) for drift in drifts.values()])
    each = [_chance(drift, xs, sign * ys, at, Measured(sign * limit, u_limit)) for drift in drifts.values()]
    chance = np.maximum.accumulate(weights @ np.stack(each) / weights.sum())
    low, high = np.searchsorted(chance, (_LOW, 1.0 - _LOW))
    return float(at[min(low, at.size - 1)]), float(at[high]) if high < at.size else math.inf


def _chance(drift: Drift, x: Array, y: Array, at: Array, limit: Measured) -> Array:
    """Probability that a course is above the limit at `at`, over the values of its own parameter."""
    if drift.shape.flat:
        return np.zeros(at.size)
    own = np.linspace(*drift.own_range, _ACROSS if drift.own_range[1] > drift.own_range[0] else 1)
    dof = max(drift.effective - drift.shape.fitted, 1.0)
    values, lefts = [], []
    for c in own:
        g, ahead = (drift.shape.curve((one - drift.x0) / drift.span, c) for one in (x, at))
        away, v = g - g.mean(), y - y.mean()
        spread = float(away @ away)
        slope = float(away @ v) / spread
        left = float(np.sum((v - slope * away) ** 2))
        variance = left / x.size * drift.effective / dof
        u2 = variance * (1.0 / drift.effective + x.size / drift.effective * (ahead - g.mean()) ** 2 / spread)
        above = float(y.mean()) + slope * (ahead - g.mean()) - limit.value
        values.append(special.stdtr(dof, above / np.sqrt(np.maximum(u2 + limit.u**2, _TINY))))
        lefts.append(max(left, _TINY))
    likely = (min(lefts) / np.array(lefts)) ** (0.5 * drift.effective)
    return np.asarray(likely @ np.stack(values) / likely.sum())


def _fitted(shape: Shape, x: Array, y: Array, effective: float, *, rounds: int = _REFINED) -> Drift:
    """A shape with the value of its own parameter that leaves the least, and the interval that leaves hardly more."""
    x0, span = float(x[0]), float(x[-1] - x[0])
    z, v = (x - x0) / span, y - y.mean()
    dof = max(effective - shape.fitted, 1.0)
    least = max(np.finfo(float).eps * float(v @ v), np.finfo(float).tiny)
    factor = 1.0 + coverage_factor(dof) ** 2 / dof
    own, slopes, squares = _profiled(shape, z, v, factor=factor, least=least, rounds=rounds)
    best = int(np.argmin(squares))
    left = max(float(squares[best]), least)
    inside = own[squares <= left * factor]
    curve = shape.curve(z, own[best])
    fitted = shape.fitted + 1  # the scatter too
    criterion = effective * math.log(left / y.size) + 2.0 * fitted
    criterion += 2.0 * fitted * (fitted + 1.0) / max(effective - fitted - 1.0, 0.5)
    return Drift(
        shape=shape,
        x0=x0,
        span=span,
        level=float(y.mean() - slopes[best] * curve.mean()),
        rise=float(slopes[best]),
        own=float(own[best]),
        own_range=(float(inside.min()), float(inside.max())),
        scatter=math.sqrt(float(squares[best]) / y.size * effective / dof),
        effective=effective,
        criterion=criterion,
        residuals=v - slopes[best] * (curve - curve.mean()),
    )


def _profiled(
    shape: Shape, z: Array, v: Array, *, factor: float, least: float, rounds: int
) -> tuple[Array, Array, Array]:
    """Slope and sum of squares for each value of the shape's own parameter, the values ever closer about the best."""
    own = np.array(shape.own)
    for _ in range(rounds if own.size > 1 else 1):
        curves = shape.curve(z[None, :], own[:, None])
        g = curves - curves.mean(axis=1, keepdims=True)
        spread = np.einsum("ij,ij->i", g, g)
        slopes = np.where(spread > 0.0, (g @ v) / np.where(spread > 0.0, spread, 1.0), 0.0)
        left = v - slopes[:, None] * g
        squares = np.einsum("ij,ij->i", left, left)
        inside = np.flatnonzero(squares <= factor * max(float(squares.min()), least))
        used, ends = own, (max(int(inside[0]) - 1, 0), min(int(inside[-1]) + 1, own.size - 1))
        own = np.linspace(own[ends[0]], own[ends[1]], own.size)
    return used, slopes, squares


def _series(x: ArrayLike, y: ArrayLike) -> tuple[Array, Array]:
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if xs.ndim != 1 or xs.shape != ys.shape or xs.size < FEWEST:
        raise OutOfRange(f"a trend needs two equally long rows of at least {FEWEST} points, not {xs.shape}, {ys.shape}")
    if not (np.isfinite(xs).all() and np.isfinite(ys).all()):
        raise OutOfRange("a trend needs finite points; leave missing ones out")
    if not xs[-1] > xs[0]:
        raise OutOfRange("a trend needs at least two different x, sorted")
    return xs, ys


def _thinned(x: Array, y: Array) -> tuple[Array, Array]:
    """Means of neighbouring points, so that at most a few hundred stay."""
    if x.size <= _PAIRED:
        return x, y
    parts = np.array_split(np.arange(x.size), _PAIRED)
    return np.array([x[part].mean() for part in parts]), np.array([np.median(y[part]) for part in parts])


def kendall_p(x: ArrayLike, *, y: ArrayLike, effective: float | None = None) -> float:
    """Probability of a trend at least this clear by chance: Mann and Kendall's test, two-sided, ties not corrected."""
    xs, ys = _thinned(*_series(x, y))
    n = xs.size
    first, second = np.triu_indices(n, 1)
    score = float(np.sum(np.sign(ys[second] - ys[first])))
    share = n / min(max(effective or n, 1.0), n)
    z = max(abs(score) - 1.0, 0.0) / math.sqrt(share * n * (n - 1.0) * (2.0 * n + 5.0) / 18.0)
    return float(2.0 * special.ndtr(-z))
