"""Straight lines through data, with the whole covariance of what was fitted."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.errors import OutOfRange
from analysis.results import Measured


@dataclass(frozen=True, slots=True)
class Line:
    """y = `intercept` + `slope` * x, its standard uncertainties, their covariance, and the scatter about it."""

    intercept: float
    slope: float
    u_intercept: float
    u_slope: float
    covariance: float
    scatter: float  # standard deviation of the residuals; of the weighted ones where weights were given
    dof: float
    r_squared: float

    def at(self, x: float) -> Measured:
        """The line's value at `x` with the uncertainty of the fit; the covariance of slope and intercept counts."""
        variance = self.u_intercept**2 + (x * self.u_slope) ** 2 + 2.0 * x * self.covariance
        return Measured(self.intercept + self.slope * x, math.sqrt(max(variance, 0.0)), self.dof)


def fit_line(x: ArrayLike, *, y: ArrayLike, u: ArrayLike | None = None) -> Line:
    """Least-squares line through the points `x`, `y`, shape (n,), any units, n >= 2. [1]

    Parameters: `u` standard uncertainties of `y`, shape (n,): the points are then weighted by 1/u^2 and the
    uncertainties of the line follow from `u` alone; without it they follow from the scatter about the line.
    Returns the line; with two points and no `u` its uncertainties are nan, for there is nothing to judge them by.
    Raises OutOfRange for fewer than two different x, for unequal shapes, or for a `u` that is not positive.
    Formula: slope = Sxy / Sxx about the (weighted) means; u(slope) = s / sqrt(Sxx); u(intercept)^2 =
    s^2 (1 / W + xbar^2 / Sxx); covariance = -xbar s^2 / Sxx. Sums are taken about the means, so that a large
    constant in x or y does no harm.

    1. JCGM 100:2008, H.3; NIST StRD, linear regression.
    """
    xs, ys, weights = _points(x, y, u)
    total = float(weights.sum())
    x_mean, y_mean = float(weights @ xs) / total, float(weights @ ys) / total
    dx, dy = xs - x_mean, ys - y_mean
    sxx = float(weights @ (dx * dx))
    if not sxx > 0.0:
        raise OutOfRange("a line needs at least two different x")
    slope = float(weights @ (dx * dy)) / sxx
    residual = dy - slope * dx
    squares = float(weights @ (residual * residual))
    dof = xs.size - 2.0
    scatter = math.sqrt(squares / dof) if dof > 0.0 else math.nan
    s2 = 1.0 if u is not None else scatter**2
    all_squares = float(weights @ (dy * dy))
    return Line(
        intercept=y_mean - slope * x_mean,
        slope=slope,
        u_intercept=math.sqrt(s2 * (1.0 / total + x_mean**2 / sxx)),
        u_slope=math.sqrt(s2 / sxx),
        covariance=-x_mean * s2 / sxx,
        scatter=scatter,
        dof=dof if u is None else math.inf,
        r_squared=1.0 - squares / all_squares if all_squares > 0.0 else 1.0,
    )


def _points(x: ArrayLike, y: ArrayLike, u: ArrayLike | None) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if xs.ndim != 1 or xs.shape != ys.shape or xs.size < 2:
        raise OutOfRange(f"a line needs two equally long rows of at least two points, not {xs.shape} and {ys.shape}")
    if not (np.isfinite(xs).all() and np.isfinite(ys).all()):
        raise OutOfRange("a line needs finite points; leave missing ones out")
    if u is None:
        return xs, ys, np.ones(xs.size)
    us = np.broadcast_to(np.asarray(u, dtype=np.float64), xs.shape)
    if not (us > 0.0).all():
        raise OutOfRange("weights need standard uncertainties above zero")
    return xs, ys, us**-2.0
