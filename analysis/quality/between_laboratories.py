"""Precision of a method between laboratories: repeatability, reproducibility, and which laboratory stands out.

For p laboratories with n results each, s_i the standard deviation within laboratory i and x_i its mean:

    s_r = sqrt(mean of s_i^2)                                    repeatability
    s_R = max(s_r, sqrt(s_x^2 + s_r^2 (n - 1) / n))              reproducibility, s_x the scatter of the means
    h_i = (x_i - mean) / s_x,   k_i = s_i / s_r                  consistency

Where laboratories have unlike numbers of results n_i, the variances within are pooled by their degrees of freedom, and

    s_L^2 = max(0, (sum n_i (x_i - mean)^2 / (p - 1) - s_r^2) / N),   N = (sum n - sum n^2 / sum n) / (p - 1)
    s_R^2 = s_r^2 + s_L^2,   mean = sum n_i x_i / sum n_i

which is the above where they are alike. [2]

1. ASTM E691, interlaboratory study to determine the precision of a test method; ISO 5725-2, the same in other words.
2. ISO 5725-2:2019, 7.4, unequal numbers of results; clause number from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from analysis.errors import OutOfRange
from analysis.results import Array

LIMIT_FACTOR = 2.8
"""Repeatability and reproducibility limits are 2.8 standard deviations: 1.96 sqrt(2), as E691 rounds it. [1]"""


@dataclass(frozen=True, slots=True)
class Precision:
    """Precision of one material at one level, in the unit of the results; h and k a value for each laboratory."""

    mean: float
    sd_of_means: float
    repeatability_sd: float
    reproducibility_sd: float
    h: Array
    k: Array
    h_critical: float
    k_critical: float

    @property
    def repeatability(self) -> float:
        """Two results of one laboratory differ by more than this in one case of twenty."""
        return LIMIT_FACTOR * self.repeatability_sd

    @property
    def reproducibility(self) -> float:
        """Results of two laboratories differ by more than this in one case of twenty."""
        return LIMIT_FACTOR * self.reproducibility_sd


def precision(results: ArrayLike, *, risk: float = 0.005) -> Precision:
    """Precision from the results of p laboratories, shape (p, n), in any unit; nan where a result is missing. [1], [2]

    Raises OutOfRange for fewer than three laboratories, fewer than two results of one, or infinite results.
    `risk` of a false alarm sets the critical values: h by Student's t at p - 2, k by F at n - 1 and (p - 1)(n - 1), n
    the mean number of results where they differ.
    """
    x = np.asarray(results, dtype=np.float64)
    if x.ndim != 2 or x.shape[0] < 3 or x.shape[1] < 2:
        raise OutOfRange(f"results: expected at least 3 laboratories with 2 results each, found the shape {x.shape}")
    if np.isinf(x).any():
        raise OutOfRange("results: expected finite numbers, or nan for a missing one")
    count = np.isfinite(x).sum(axis=1).astype(np.float64)
    if count.min() < 2.0:
        raise OutOfRange(f"results: expected at least 2 of each laboratory, found {count.min():.0f} of one")
    p, means, within = x.shape[0], np.nanmean(x, axis=1), np.nanstd(x, axis=1, ddof=1)
    mean = float(count @ means / count.sum())
    of_means = float(means.std(ddof=1))
    repeat = math.sqrt(float((count - 1.0) @ within**2 / (count - 1.0).sum()))
    alike = float((count.sum() - count @ count / count.sum()) / (p - 1.0))
    apart = (float(count @ (means - mean) ** 2) / (p - 1.0) - repeat**2) / alike
    with np.errstate(invalid="ignore"):
        h, k = (means - means.mean()) / of_means, within / repeat
    for array in (h, k):
        array.flags.writeable = False
    t = float(special.stdtrit(p - 2.0, 1.0 - 0.5 * risk))
    n = float(count.mean())
    f = float(special.fdtri(n - 1.0, (p - 1.0) * (n - 1.0), 1.0 - risk))
    return Precision(
        mean,
        of_means,
        repeat,
        math.sqrt(repeat**2 + max(apart, 0.0)),
        h,
        k,
        (p - 1.0) * t / math.sqrt(p * (t**2 + p - 2.0)),
        math.sqrt(p / (1.0 + (p - 1.0) / f)),
    )
