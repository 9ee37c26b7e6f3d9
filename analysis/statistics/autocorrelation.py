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
_FEWEST = 10  # rows that can show a memory; fewer are taken as independent
_REPETITIONS = 6
_LEAST = 0.2  # of what independent rows would give: a series that swings to and fro is not trusted beyond
_INDEPENDENT = 0.8  # share of the rows above which they count as independent


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


def variances_of_mean(values: ArrayLike, *, fitted: int = 1) -> tuple[Array, Array]:
    """Variance of the mean of each of several series, and of its rows, with the series' memory counted. [1], [2]

    Parameters: `values` shape (m, n), m series; `fitted` numbers were taken out of each before: 1 for its mean, 2
    where a line was taken out of it. Returns two arrays of shape (m,), in the unit squared.
    Formula: V = (1 / n) * sum over lags k of (1 - |k| / n) c_k. The sum of pairs of neighbouring lags of a reversible
    process is positive and falls; the sum is cut before the first pair that is not positive, which keeps the noise of
    far lags out, and each pair is held at or below the one before it (initial monotone sequence [1]). Autocovariances
    about a mean, or a line, taken from the same rows are too small by V for each number taken [2], so V stands on both
    sides and is found by repetition. The variance of the rows is c_0 + V. For independent rows V = s^2 / n.

    1. C. J. Geyer, Practical Markov chain Monte Carlo, Statistical Science 7 (1992), section 3.3.
    2. T. W. Anderson, The Statistical Analysis of Time Series (1971), section 8.2: E c_k = gamma_k - V to first order.
    """
    x = np.asarray(values, dtype=np.float64)
    n = x.shape[-1]
    covariance = autocovariance(x)
    first = np.maximum(covariance[:, 0], 0.0)
    constant = first <= _EMPTY_VARIANCE * np.maximum(np.mean(x, axis=-1) ** 2, _SMALLEST)
    first = np.where(constant, 0.0, first)
    if n < _FEWEST:
        return first / max(n - fitted, 1), first * n / max(n - fitted, 1)
    reach = max(n // 4, 1) * 2
    weights = 1.0 - np.arange(reach) / n
    variance = np.zeros(x.shape[0])
    for _ in range(_REPETITIONS):
        lagged = (covariance[:, :reach] + fitted * variance[:, None]) * weights
        pairs = lagged[:, 0::2] + lagged[:, 1::2]
        kept = np.logical_and.accumulate(pairs > 0.0, axis=1)
        summed = 2.0 * np.where(kept, np.minimum.accumulate(pairs, axis=1), 0.0).sum(axis=1) - lagged[:, 0]
        variance = np.clip(summed / n, _LEAST * first / n, first)
    return variance, first + variance


def effective_rows(values: ArrayLike, *, fitted: int = 1) -> float:
    """The number of independent rows worth as much for the mean as the series' n rows, between 1 and n."""
    return mean_of(values, fitted=fitted).effective


def mean_of(values: ArrayLike, *, fitted: int = 1) -> Mean:
    """`means_of` one series, shape (n,); nan for an empty one."""
    x = np.asarray(values, dtype=np.float64)
    if x.size == 0:
        return Mean(math.nan, math.nan, 0.0, 1.0)
    return means_of(x[None, :], fitted=fitted)[0]


def means_of(values: ArrayLike, *, fitted: int = 1) -> list[Mean]:
    """Means of autocorrelated series with their Type A uncertainties. [1], [2]

    Parameters: `values` shape (m, n), m series; `fitted` numbers taken out of each before: 1 for its mean, 2 where a
    line was taken out of it. Returns the means in the series' unit. Formula: u^2 = V, n_eff = s^2 / V, see
    `variances_of_mean`. The degrees of freedom are half of n_eff - fitted, at least 1: the memory itself was found from
    the same rows, which about doubles the variance of u^2. Independent rows (n_eff of at least 0.8 n) keep all.

    1. JCGM 100:2008, 4.2.3 and 4.2.7.
    2. G. V. Bayley, J. M. Hammersley, The "effective" number of independent observations in an autocorrelated time
       series, J. R. Stat. Soc. Suppl. 8 (1946) 184.
    """
    x = np.asarray(values, dtype=np.float64)
    n = x.shape[-1]
    variances, spreads = variances_of_mean(x, fitted=fitted)
    means = []
    for value, variance, spread in zip(x.mean(axis=-1).tolist(), variances.tolist(), spreads.tolist(), strict=True):
        effective = min(max(spread / variance, 1.0), n) if variance > 0.0 else float(n)
        share = 1.0 if effective >= _INDEPENDENT * n else 0.5
        means.append(Mean(value, math.sqrt(variance), effective, max(share * (effective - fitted), 1.0)))
    return means


def long_run_variances(values: ArrayLike, *, step: float, fitted: int = 2) -> Array:
    """Variance of the mean times the time it was taken over, [unit^2 * s], for rows `step` [s] apart.

    Parameters: `values` shape (m, n), m series; `fitted` as for `variances_of_mean`. Returns shape (m,). The mean over
    a time T has the variance V / T, and a line's slope over it 12 V / T^3, once T is well above the time the series
    remembers.
    """
    x = np.asarray(values, dtype=np.float64)
    if x.shape[-1] < 2:
        return np.zeros(x.shape[0])
    variances, _ = variances_of_mean(x, fitted=fitted)
    return np.asarray(variances * x.shape[-1] * step)
