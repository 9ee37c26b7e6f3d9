"""Factors of control charts for samples of n from a normal distribution, computed, not tabulated.

With W the range and s the standard deviation of n values of standard deviation sigma:

    d2 = E[W] / sigma = integral of 1 - F^n - (1 - F)^n                      d3 = sd[W] / sigma
    c4 = E[s] / sigma = sqrt(2 / (n - 1)) Gamma(n / 2) / Gamma((n - 1) / 2)
    A2 = 3 / (d2 sqrt n),  A3 = 3 / (c4 sqrt n)                              limits of an average
    D3, D4 = 1 -+ 3 d3 / d2,  B3, B4 = 1 -+ 3 sqrt(1 - c4^2) / c4            limits of a range, of an s; not below 0

1. ASTM E2587, control charts; ISO 7870-2, Shewhart control charts (tables of the same factors).
2. Tippett (1925), Biometrika 17, 364 (moments of the range).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy import special

from analysis.errors import OutOfRange

LARGEST = 100
# half width of the integration [sigma] and its step: the rest is below 1e-12
_REACH, _STEP = 8.5, 0.01


@dataclass(frozen=True, slots=True)
class ChartConstants:
    """The factors for one sample size n; all without unit."""

    n: int
    d2: float
    d3: float
    c4: float

    @property
    def a2(self) -> float:
        """Limits of an average from the mean range."""
        return 3.0 / (self.d2 * math.sqrt(self.n))

    @property
    def a3(self) -> float:
        """Limits of an average from the mean standard deviation."""
        return 3.0 / (self.c4 * math.sqrt(self.n))

    @property
    def range_limits(self) -> tuple[float, float]:
        """D3 and D4."""
        reach = 3.0 * self.d3 / self.d2
        return max(1.0 - reach, 0.0), 1.0 + reach

    @property
    def spread_limits(self) -> tuple[float, float]:
        """B3 and B4."""
        reach = 3.0 * math.sqrt(1.0 - self.c4**2) / self.c4
        return max(1.0 - reach, 0.0), 1.0 + reach


@cache
def chart_constants(n: int) -> ChartConstants:
    """The factors for samples of `n` values.

    Parameters: n, number of values in a sample, 2 to 100. Returns: ChartConstants (error below 1e-6).
    Raises: OutOfRange for another n. Source: [1], [2].
    """
    if not 2 <= n <= LARGEST:
        raise OutOfRange(f"a sample for a control chart has 2 to {LARGEST} values, not {n}", code="sample-size")
    d2, d3 = _range_moments(n)
    c4 = math.sqrt(2.0 / (n - 1)) * math.exp(math.lgamma(n / 2) - math.lgamma((n - 1) / 2))
    return ChartConstants(n, d2, d3, c4)


def _range_moments(n: int) -> tuple[float, float]:
    x = np.arange(-_REACH, _REACH + _STEP, _STEP)
    below = special.ndtr(x)
    mean = float(np.sum(1.0 - below**n - (1.0 - below) ** n) * _STEP)
    # E[W^2] = 2 integral over x < y of 1 - F(y)^n - (1 - F(x))^n + (F(y) - F(x))^n
    upper, lower = below[None, :], below[:, None]
    inner = 1.0 - upper**n - (1.0 - lower) ** n + np.clip(upper - lower, 0.0, 1.0) ** n
    above = np.triu(np.ones_like(inner), k=1) + 0.5 * np.eye(x.size)
    square = 2.0 * float(np.sum(inner * above)) * _STEP**2
    return mean, math.sqrt(square - mean**2)
