"""A straight line through points that are uncertain in both coordinates, and what scatter beyond that means."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from analysis.errors import OutOfRange
from analysis.results import Array
from analysis.statistics.student import coverage_factor

_REPETITIONS = 500
_TOLERANCE = 1e-13  # of the slope, relative
_FEW, _ROUGH = 30, 1e-8  # repetitions and relative change of many slopes at once
_STEP = 1e-3  # of a point's uncertainty, for derivatives
_SMALLEST = 1e-9  # of the spread: the least step for an exact point
_LEAST = 1e-300

# Common practice, no source: how likely it is held beforehand that the stated uncertainties explain all the scatter.
# With one or two degrees of freedom the scatter itself hardly tells.
_STATED_IS_ALL = {1: 0.8, 2: 0.65}
_STATED_IS_ALL_ELSE = 0.5
_TAIL = 1.2  # exponent with which larger inflations are held less likely
_LARGEST = 2000.0
_GRID = 400
_HALVINGS = 40


@dataclass(frozen=True, slots=True)
class Both:
    """y = `intercept` + `slope` * x through points uncertain in both coordinates.

    `chi2` is the weighted sum of squared residuals, `dof` its degrees of freedom; `by_x` and `by_y`, shapes (n, 2), are
    the derivatives of intercept and slope by each point's coordinates.
    """

    intercept: float
    slope: float
    u_intercept: float
    u_slope: float
    covariance: float
    chi2: float
    dof: int
    residuals: Array  # y less the line
    weights: Array
    by_x: Array
    by_y: Array

    @property
    def lack_of_fit(self) -> float:
        """Probability of at least this `chi2` where the stated uncertainties explain all scatter; 1 without dof."""
        return float(special.chdtrc(self.dof, self.chi2)) if self.dof > 0 else 1.0


def fit_both(x: ArrayLike, *, y: ArrayLike, u_x: ArrayLike, u_y: ArrayLike) -> Both:
    """The line that is most likely for points with independent normal errors in both coordinates. [1]

    Parameters: `x`, `y` shape (n,), n >= 2, and their standard uncertainties, numbers or shape (n,); each point needs
    one above zero. Returns the line with the standard uncertainties that follow from the stated ones alone.
    Raises OutOfRange for shapes that differ, points that are not finite, and points that make no line.
    Formula: minimum over a and b of the sum of (y - a - b x)^2 / (u_y^2 + b^2 u_x^2).

    1. D. York, N. M. Evensen, M. Lopez Martinez, J. De Basabe Delgado, Unified equations for the slope, intercept, and
       standard errors of the best straight line, Am. J. Phys. 72 (2004) 367.
    """
    xs, ys, vx, vy = _checked(x, y, u_x, u_y)
    slope = float(_slopes(xs[None, :], ys[None, :], vx, vy)[0, 0])
    weights = 1.0 / (vy + slope**2 * vx)
    x_mean, y_mean = (float(mean[0]) for mean in _means(xs, ys, weights))
    residuals = ys - y_mean - slope * (xs - x_mean)
    adjusted = xs + weights * slope * vx * residuals
    centre = float(weights @ adjusted) / float(weights.sum())
    u_slope = 1.0 / math.sqrt(float(weights @ (adjusted - centre) ** 2))
    by_x, by_y = _derivatives(xs, ys, vx, vy)
    return Both(
        intercept=y_mean - slope * x_mean,
        slope=slope,
        u_intercept=math.sqrt(1.0 / float(weights.sum()) + (centre * u_slope) ** 2),
        u_slope=u_slope,
        covariance=-centre * u_slope**2,
        chi2=float(weights @ residuals**2),
        dof=xs.size - 2,
        residuals=residuals,
        weights=weights,
        by_x=by_x,
        by_y=by_y,
    )


def _checked(x: ArrayLike, y: ArrayLike, u_x: ArrayLike, u_y: ArrayLike) -> tuple[Array, Array, Array, Array]:
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if xs.ndim != 1 or xs.shape != ys.shape or xs.size < 2:
        raise OutOfRange(f"a line needs two equally long rows of at least two points, not {xs.shape} and {ys.shape}")
    ux, uy = (np.broadcast_to(np.asarray(u, dtype=np.float64), xs.shape) for u in (u_x, u_y))
    if not all(np.isfinite(part).all() for part in (xs, ys, ux, uy)):
        raise OutOfRange("a line needs finite points and uncertainties; leave missing ones out")
    if (ux < 0.0).any() or (uy < 0.0).any() or not (ux + uy > 0.0).all():
        raise OutOfRange("each point needs a standard uncertainty above zero in at least one coordinate")
    if float(np.ptp(xs)) == 0.0:
        raise OutOfRange("a line needs at least two different x")
    return xs, ys, ux**2, uy**2


def _means(x: Array, y: Array, weights: Array) -> tuple[Array, Array]:
    """Weighted means along the last axis, which stays."""
    total = weights.sum(axis=-1, keepdims=True)
    return (weights * x).sum(axis=-1, keepdims=True) / total, (weights * y).sum(axis=-1, keepdims=True) / total


def _slopes(x: Array, y: Array, vx: Array, vy: Array) -> Array:
    """The slope of each row of points, shapes (m, n) in and (m, 1) out, by repetition from that of least squares."""
    u = x - x.mean(axis=-1, keepdims=True)
    slopes: Array = (u * y).sum(axis=-1, keepdims=True) / (u * u).sum(axis=-1, keepdims=True)
    for _ in range(_REPETITIONS):
        before, weights = slopes, 1.0 / (vy + slopes**2 * vx)
        x_mean, y_mean = _means(x, y, weights)
        u, v = x - x_mean, y - y_mean
        beta = weights**2 * (u * vy + slopes * v * vx)
        below = (beta * u).sum(axis=-1, keepdims=True)
        if (below == 0.0).any():
            break
        slopes = (beta * v).sum(axis=-1, keepdims=True) / below
        if not np.isfinite(slopes).all():
            break
        if (np.abs(slopes - before) <= _TOLERANCE * np.abs(slopes)).all():
            return slopes
    raise OutOfRange("no straight line can be told from these points")


def lines_through(x: ArrayLike, *, y: ArrayLike, u_x: Array, u_y: Array) -> tuple[Array, Array]:
    """Intercepts and slopes, shapes (m,), of many sets of points at once: `x` and `y` of shape (m, n). [1] (York 2004)

    For drawn points, as `fit_both` fits one set: a set whose line cannot be told keeps that of least squares.
    """
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    vx, vy = np.asarray(u_x, dtype=np.float64) ** 2, np.asarray(u_y, dtype=np.float64) ** 2
    u = xs - xs.mean(axis=-1, keepdims=True)
    plain = (u * ys).sum(axis=-1, keepdims=True) / (u * u).sum(axis=-1, keepdims=True)
    slopes = plain
    for _ in range(_FEW):
        before, weights = slopes, 1.0 / (vy + slopes**2 * vx)
        x_mean, y_mean = _means(xs, ys, weights)
        u, v = xs - x_mean, ys - y_mean
        beta = weights**2 * (u * vy + slopes * v * vx)
        with np.errstate(divide="ignore", invalid="ignore"):
            slopes = (beta * v).sum(axis=-1, keepdims=True) / (beta * u).sum(axis=-1, keepdims=True)
        slopes = np.where(np.isfinite(slopes), slopes, plain)
        if (np.abs(slopes - before) <= _ROUGH * np.abs(slopes)).all():
            break
    x_mean, y_mean = _means(xs, ys, 1.0 / (vy + slopes**2 * vx))
    return (y_mean - slopes * x_mean)[:, 0], slopes[:, 0]


def _derivatives(x: Array, y: Array, vx: Array, vy: Array) -> tuple[Array, Array]:
    """Derivatives of intercept and slope by every coordinate, by small steps to both sides, all fitted at once."""
    n = x.size
    tolerance = _SMALLEST * np.array([np.ptp(x), np.ptp(y)])[:, None]
    steps = np.maximum(np.maximum(_STEP * np.sqrt([vx, vy]), tolerance), _LEAST)
    moves = np.concatenate([np.diag(steps[0]), np.diag(-steps[0]), np.zeros((2 * n, n))])
    xs = x + moves
    ys = y + np.concatenate([np.zeros((2 * n, n)), np.diag(steps[1]), np.diag(-steps[1])])
    slopes = _slopes(xs, ys, vx, vy)
    x_means, y_means = _means(xs, ys, 1.0 / (vy + slopes**2 * vx))
    both = np.hstack((y_means - slopes * x_means, slopes)).reshape(4, n, 2)
    return (both[0] - both[1]) / (2.0 * steps[0][:, None]), (both[2] - both[3]) / (2.0 * steps[1][:, None])


@dataclass(frozen=True, slots=True)
class Inflation:
    """How much larger than stated the independent uncertainties may be: factors and how likely each is."""

    factors: Array
    weights: Array

    def measured_by(self, u_independent: float, u_common: float) -> tuple[float, float]:
        """Standard uncertainty and degrees of freedom of a figure with these two parts.

        They are those of the Student distribution with the same 68.27 % and 95 % intervals as the mixture of normal
        distributions over the factors.
        """
        if u_independent == 0.0:
            return u_common, math.inf
        sizes = np.hypot(self.factors * u_independent, u_common)
        inner, outer = (_half_width(sizes, self.weights, p) for p in (_ONE_U, 0.95))
        dof = _matching_dof(outer / inner)
        return outer / coverage_factor(dof), dof


_ONE_U = float(special.erf(math.sqrt(0.5)))  # 68.27 %


def inflation(chi2: float, *, dof: int) -> Inflation:
    """What scatter `chi2` at `dof` degrees of freedom says about uncertainties that may have been stated too small.

    Points may scatter more than their stated uncertainties (one specimen is not the next): all independent parts are
    then larger by one factor, at least 1. Formula: p(f | chi2) ~ p(f) f^-dof exp(-chi2 / (2 f^2)), with a prior p(f)
    that gives f = 1 a share and the rest f^-1.2. Without degrees of freedom the factor is 1. The factor takes the
    place of the root of chi2 / dof that is often used, which is uncertain itself.
    """
    if dof < 1:
        return Inflation(np.ones(1), np.ones(1))
    logs = np.linspace(0.0, math.log(_LARGEST), _GRID)
    stated = _STATED_IS_ALL.get(dof, _STATED_IS_ALL_ELSE)
    prior = np.exp((1.0 - _TAIL) * logs)
    prior = np.concatenate(([stated], (1.0 - stated) * prior / prior.sum()))
    factors = np.concatenate(([1.0], np.exp(logs)))
    likelihood = -dof * np.log(factors) - 0.5 * min(chi2, 1e300) / factors**2
    weights = prior * np.exp(likelihood - likelihood.max())
    return Inflation(factors, weights / weights.sum())


def _half_width(sizes: Array, weights: Array, confidence: float) -> float:
    """Half-width that holds `confidence` of a mixture of normal distributions about zero."""
    factor = float(coverage_factor(math.inf, confidence=confidence))

    def short(half: float) -> float:
        return float(weights @ special.erf(half / (sizes * math.sqrt(2.0)))) - confidence

    return _root(short, 0.5 * factor * float(sizes.min()), 2.0 * factor * float(sizes.max()))


def _matching_dof(ratio: float) -> float:
    """Degrees of freedom whose 95 % interval is `ratio` times its 68.27 % interval."""

    def off(log_dof: float) -> float:
        dof = math.exp(log_dof)
        return coverage_factor(dof) / coverage_factor(dof, confidence=_ONE_U) - ratio

    low, high = math.log(0.5), math.log(1e6)
    if off(high) >= 0.0:
        return math.inf
    return math.exp(_root(off, low, high)) if off(low) > 0.0 else 0.5


def _root(function: Callable[[float], float], low: float, high: float) -> float:
    """Where a rising or falling function crosses zero between two places of unlike sign, by halving."""
    below = function(low) < 0.0
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        if (function(middle) < 0.0) == below:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def quadratic_term(x: ArrayLike, *, y: ArrayLike, u: NDArray[np.float64]) -> tuple[float, float]:
    """Coefficient of x^2 and its standard uncertainty in y = a + b x + c x^2 weighted by 1/u^2; n >= 4 points."""
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    scale = float(np.ptp(xs))
    z = (xs - xs.mean()) / scale
    design = np.column_stack((np.ones_like(z), z, z * z)) / u[:, None]
    inverse = np.linalg.pinv(design.T @ design)
    c = float((inverse @ (design.T @ (ys / u)))[2])
    return c / scale**2, math.sqrt(max(float(inverse[2, 2]), 0.0)) / scale**2
