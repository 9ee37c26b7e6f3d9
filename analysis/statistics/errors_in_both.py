"""A straight line through points that are uncertain in both coordinates, and what scatter beyond that means."""

from __future__ import annotations

import math
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

_MOST = 1e300  # chi2 that is still a number
_ONE_DOF = 1.2152  # whose factor for 95 % is that of one degree of freedom for 92.5 %, 8.45


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
    """What the scatter of the points says about their own uncertainties.

    `factor` is the root of chi2 / dof: how many times as far as stated the points scatter; `dof` how well that is
    known. Without degrees of freedom the stated uncertainties are all there is: factor 1, dof inf.
    """

    factor: float
    dof: float

    def measured_by(self, u_independent: float, u_common: float) -> tuple[float, float]:
        """Standard uncertainty and degrees of freedom of a figure with these two parts.

        Of what is stated and what is seen, the one with the larger expanded uncertainty counts.
        """
        stated, seen = math.hypot(u_independent, u_common), math.hypot(self.factor * u_independent, u_common)
        if not self.seen_counts(u_independent, u_common):
            return stated, math.inf
        return seen, self.dof * (seen / (self.factor * u_independent)) ** 4

    def seen_counts(self, u_independent: float, u_common: float) -> bool:
        """Whether the scatter as seen makes the wider interval; degrees of freedom by Welch and Satterthwaite. [1]

        1. JCGM 100:2008, G.4.
        """
        own = self.factor * u_independent
        if own == 0.0 or not math.isfinite(self.dof):
            return False
        seen = math.hypot(own, u_common)
        stated = coverage_factor(math.inf) * math.hypot(u_independent, u_common)
        return coverage_factor(self.dof * (seen / own) ** 4) * seen > stated

    def drawn(self, rng: np.random.Generator, size: int) -> Array:
        """Factors on the stated uncertainties, shape (size, 1), with which normal errors follow Student's law. [1]

        1. JCGM 101:2008, 6.4.9.
        """
        return np.asarray(self.factor * np.sqrt(self.dof / rng.chisquare(self.dof, size=size)))[:, None]


def inflation(chi2: float, *, dof: int) -> Inflation:
    """What scatter `chi2` at `dof` degrees of freedom says about uncertainties that may have been stated too small.

    Points may scatter more than their stated uncertainties (one specimen is not the next). The scatter that is seen
    then takes the place of the stated uncertainty, with Student's factor for its own few degrees of freedom; it never
    makes a figure better than stated. Whatever the true scatter, such an interval holds at least what Student's does;
    where the stated uncertainties were right it holds a little more than 95 %.
    With one degree of freedom Student's factor of 12.7 would answer an accident with an interval of no use: there the
    factor is taken that holds the truth in 92.5 % at worst, and in 99 % where the stated uncertainties were right.
    """
    if dof < 1:
        return Inflation(1.0, math.inf)
    return Inflation(math.sqrt(min(chi2, _MOST) / dof), _ONE_DOF if dof == 1 else float(dof))


def quadratic_term(x: ArrayLike, *, y: ArrayLike, u: NDArray[np.float64]) -> tuple[float, float]:
    """Coefficient of x^2 and its standard uncertainty in y = a + b x + c x^2 weighted by 1/u^2; n >= 4 points."""
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    scale = float(np.ptp(xs))
    z = (xs - xs.mean()) / scale
    design = np.column_stack((np.ones_like(z), z, z * z)) / u[:, None]
    inverse = np.linalg.pinv(design.T @ design)
    c = float((inverse @ (design.T @ (ys / u)))[2])
    return c / scale**2, math.sqrt(max(float(inverse[2, 2]), 0.0)) / scale**2
