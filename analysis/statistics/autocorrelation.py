"""How much a series that remembers itself really knows about its mean.

A logger samples faster than the rig forgets, so the standard deviation over the root of the number of rows says far
too little (JCGM 100:2008, 4.2.7). The number of rows is replaced by the number of independent rows that would give
the mean the same uncertainty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.results import Array

_EMPTY_VARIANCE = 1e-30  # relative to the mean squared: what rounding leaves of a constant
_SMALLEST = 1e-300


@dataclass(frozen=True, slots=True)
class Mean:
    """A mean with its standard uncertainty `u`, `effective` independent rows, and degrees of freedom."""

    value: float
    u: float
    effective: float
    dof: float


def autocovariance(values: ArrayLike) -> Array:
    """Autocovariances of a series about its mean for the lags 0..n-1, in the series' unit squared.

    Parameters: `values` shape (n,), or (m, n) for m series at once. Returns the same shape.
    Formula: c_k = sum_i (x_i - xbar)(x_{i+k} - xbar) / n. [1]

    1. G. E. P. Box, G. M. Jenkins, Time Series Analysis, chapter 2.
    """
    x = np.asarray(values, dtype=np.float64)
    n = x.shape[-1]
    x = x - x.mean(axis=-1, keepdims=True)
    size = _fast_length(2 * n - 1)
    power = np.fft.rfft(x, size)
    covariance: Array = np.fft.irfft(power.real**2 + power.imag**2, size)[..., :n] / n
    return covariance


def _fast_length(n: int) -> int:
    """The smallest 2^a, 3 * 2^a or 5 * 2^a that is at least `n`."""
    return min(factor << max(-(-n // factor) - 1, 0).bit_length() for factor in (1, 3, 5))


def correlation_sums(values: ArrayLike) -> Array:
    """1 + 2 * sum of autocorrelations: how many rows count as one. [1]

    Parameters: `values` shape (m, n), m series. Returns shape (m,).
    The sum of pairs of neighbouring lags of a reversible process is positive and falls; it is cut before the first
    pair that is not positive (initial positive sequence), which keeps the noise of far lags out. Each pair is also
    held at or below the one before it (initial monotone sequence). A lag k has the weight 1 - k / n.
    Gives 1 for a constant series. Values below 1 (a series that swings to and fro) are kept, down to 0.2.

    1. C. J. Geyer, Practical Markov chain Monte Carlo, Statistical Science 7 (1992), section 3.3.
    """
    x = np.asarray(values, dtype=np.float64)
    n = x.shape[-1]
    if n < 4:
        return np.ones(x.shape[0])
    covariance = autocovariance(x)
    level = np.mean(x, axis=-1) ** 2
    constant = covariance[:, 0] <= _EMPTY_VARIANCE * np.maximum(level, _SMALLEST)
    rho = covariance / np.where(constant, 1.0, covariance[:, 0])[:, None] * (1.0 - np.arange(n) / n)
    pairs = rho[:, 0 : n - n % 2 : 2] + rho[:, 1:n:2]
    kept = np.logical_and.accumulate(pairs > 0.0, axis=1)
    sums = 2.0 * np.where(kept, np.minimum.accumulate(pairs, axis=1), 0.0).sum(axis=1) - 1.0
    return np.where(constant, 1.0, np.maximum(sums, 0.2))


def correlation_sum(values: ArrayLike) -> float:
    """`correlation_sums` of one series, shape (n,)."""
    return float(correlation_sums(np.asarray(values, dtype=np.float64)[None, :])[0])


def effective_rows(values: ArrayLike) -> float:
    """The number of independent rows worth as much for the mean as the series' n rows, between 1 and n."""
    n = np.asarray(values).size
    return float(min(max(n / correlation_sum(values), 1.0), n))


def mean_of(values: ArrayLike, *, fitted: int = 1) -> Mean:
    """Mean of an autocorrelated series, shape (n,), with its Type A uncertainty. [1], [2]

    Parameters: `fitted` numbers taken from the series before: 1 for its mean, 2 where a line was taken out of it.
    Returns the mean in the series' unit. Formula: u^2 = c_0 / (n_eff - fitted) with c_0 the mean square about the
    mean, which is too small by 1 / n_eff for that mean was taken from the same rows; dof = n_eff - fitted, at
    least 1. For independent rows this is s^2 / n.

    1. JCGM 100:2008, 4.2.3 and 4.2.7.
    2. G. V. Bayley, J. M. Hammersley, The "effective" number of independent observations in an autocorrelated time
       series, J. R. Stat. Soc. Suppl. 8 (1946) 184.
    """
    x = np.asarray(values, dtype=np.float64)
    if x.size == 0:
        return Mean(math.nan, math.nan, 0.0, 1.0)
    value = float(x.mean())
    effective = effective_rows(x)
    dof = max(effective - fitted, 1.0)
    return Mean(value, math.sqrt(float(np.mean((x - value) ** 2)) / dof), effective, dof)


def long_run_variances(values: ArrayLike, *, step: float) -> Array:
    """Variance of the mean times the time it was taken over, [unit^2 * s], for rows `step` [s] apart.

    Parameters: `values` shape (m, n), m series. Returns shape (m,). The mean over a time T has the variance V / T, and
    a line's slope over it 12 V / T^3, once T is well above the time the series remembers.
    """
    x = np.asarray(values, dtype=np.float64)
    if x.shape[-1] < 2:
        return np.zeros(x.shape[0])
    return np.asarray(np.var(x, axis=-1) * correlation_sums(x) * step)
