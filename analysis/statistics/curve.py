"""Curves that are not linear in their parameters, fitted by least squares."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.results import Array

_STEPS = 60
_STEP = 1e-5  # of a parameter, for derivatives: parameters are logarithms or of the order of one
_CLOSE = 1e-10  # relative fall of the sum of squares that ends the search
_DAMPING = (1e-3, 1e12)

Curve = Callable[[Array], Array]


@dataclass(frozen=True, slots=True)
class Fitted:
    """Parameters, residuals and derivatives (points by parameters) of the closest curve, weighted as it was fitted."""

    parameters: Array
    residuals: Array
    slopes: Array

    @property
    def squares(self) -> float:
        """Weighted sum of squared residuals."""
        return float(self.residuals @ self.residuals)

    def covariance(self, variance: float = 1.0) -> Array:
        """Covariance of the parameters where a weighted residual has `variance`."""
        return np.asarray(np.linalg.pinv(self.slopes.T @ self.slopes) * variance)


def fit_curve(curve: Curve, *, y: Array, start: Sequence[float]) -> Fitted | None:
    """Parameters of `curve` that come closest to `y`, shape (n,), from `start`; None where none come of it. [1]

    `curve` takes the parameters, logarithms or of the order of one, and gives values of shape (n,).

    1. K. Levenberg (1944), D. W. Marquardt (1963).
    """
    p = np.array(start, dtype=np.float64)
    residuals = y - curve(p)
    squares, damping = _squares(residuals), _DAMPING[0]
    if not math.isfinite(squares):
        return None
    for _ in range(_STEPS):
        slopes = _slopes(curve, p)
        if not np.isfinite(slopes).all():
            return None
        before = squares
        p, squares, damping = _better(curve, y, p, slopes, damping)
        if before - squares <= _CLOSE * before:
            break
    return _judged(curve, y, p)


def _better(curve: Curve, y: Array, p: Array, slopes: Array, damping: float) -> tuple[Array, float, float]:
    """A step that lessens the sum of squares, damped as far as it takes; the old place where none does."""
    residuals = y - curve(p)
    squares = _squares(residuals)
    normal, towards = slopes.T @ slopes, slopes.T @ residuals
    scale = np.maximum(np.diag(normal), np.finfo(float).tiny)
    while damping < _DAMPING[1]:
        step = np.linalg.lstsq(normal + damping * np.diag(scale), towards, rcond=None)[0]
        tried = p + np.clip(step, -2.0, 2.0)
        found = _squares(y - curve(tried))
        if found < squares:
            return tried, found, max(0.1 * damping, _CLOSE)
        damping *= 10.0
    return p, squares, damping


def _squares(residuals: Array) -> float:
    return float(residuals @ residuals) if np.isfinite(residuals).all() else math.inf


def _slopes(curve: Curve, p: Array) -> Array:
    """Derivatives by each parameter, shape (n, number of parameters)."""
    moves = _STEP * np.eye(p.size)
    return np.column_stack([(curve(p + move) - curve(p - move)) / (2.0 * _STEP) for move in moves])


def _judged(curve: Curve, y: Array, p: Array) -> Fitted | None:
    residuals, slopes = y - curve(p), _slopes(curve, p)
    if not (np.isfinite(residuals).all() and np.isfinite(slopes).all()):
        return None
    return Fitted(p, residuals, slopes)
