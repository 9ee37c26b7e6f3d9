"""Precision of a method between laboratories: repeatability, reproducibility, and which laboratory stands out.

For p laboratories with n results each, s_i the standard deviation within laboratory i and x_i its mean:

    s_r = sqrt(mean of s_i^2)                                    repeatability
    s_R = max(s_r, sqrt(s_x^2 + s_r^2 (n - 1) / n))              reproducibility, s_x the scatter of the means
    h_i = (x_i - mean) / s_x,   k_i = s_i / s_r                  consistency

1. ASTM E691, interlaboratory study to determine the precision of a test method; ISO 5725-2, the same in other words.
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
    """Precision from the results of p laboratories, shape (p, n), in any unit. [1]

    Raises OutOfRange for fewer than three laboratories, fewer than two results each, or results that are not finite.
    `risk` of a false alarm sets the critical values: h by Student's t at p - 2, k by F at n - 1 and (p - 1)(n - 1).
    """
    x = np.asarray(results, dtype=np.float64)
    if x.ndim != 2 or x.shape[0] < 3 or x.shape[1] < 2:
        raise OutOfRange(f"results: expected at least 3 laboratories with 2 results each, found the shape {x.shape}")
    if not np.isfinite(x).all():
        raise OutOfRange("results: expected finite numbers")
    p, n = x.shape
    means, within = x.mean(axis=1), x.std(axis=1, ddof=1)
    of_means = float(means.std(ddof=1))
    repeat = math.sqrt(float(np.mean(within**2)))
    between = math.sqrt(of_means**2 + repeat**2 * (n - 1.0) / n)
    with np.errstate(invalid="ignore"):
        h, k = (means - means.mean()) / of_means, within / repeat
    for array in (h, k):
        array.flags.writeable = False
    t = float(special.stdtrit(p - 2.0, 1.0 - 0.5 * risk))
    f = float(special.fdtri(n - 1.0, (p - 1.0) * (n - 1.0), 1.0 - risk))
    return Precision(
        float(means.mean()),
        of_means,
        repeat,
        max(repeat, between),
        h,
        k,
        (p - 1.0) * t / math.sqrt(p * (t**2 + p - 2.0)),
        math.sqrt(p / (1.0 + (p - 1.0) / f)),
    )
