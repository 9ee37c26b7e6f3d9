"""Two groups: whether they differ (Welch's t) and whether they are the same within a margin (two one-sided tests).

"No significant difference" is not "the same": that takes a margin declared before the data, and an interval inside it.

1. B. L. Welch, Biometrika 34 (1947), 28-35.
2. D. J. Schuirmann, J. Pharmacokin. Biopharm. 15 (1987), 657-680: two one-sided tests.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from analysis.statistics.one_way import Groups, summarise
from analysis.statistics.student import coverage_factor, two_sided_p


@dataclass(frozen=True, slots=True)
class TTest:
    """A difference of two means with its standard error, degrees of freedom, t and two-sided probability."""

    difference: float
    se: float
    dof: float
    t: float
    p: float


@dataclass(frozen=True, slots=True)
class Equivalence:
    """Two one-sided tests: the larger probability, and the interval that lies inside the margin just when they pass."""

    difference: float
    low: float
    high: float
    p: float
    equivalent: bool


def welch_t(first: tuple[float, float, float], second: tuple[float, float, float], *, pooled: bool = False) -> TTest:
    """Difference of two means, each given as number of values, mean and standard deviation. [1]"""
    n, mean, sd = (np.array(pair, dtype=float) for pair in zip(first, second, strict=True))
    return _t_test(Groups(n, mean, sd**2, mean), pooled=pooled)


def compare_two(first: ArrayLike, second: ArrayLike, *, pooled: bool = False) -> TTest:
    """As `welch_t`, from the values themselves."""
    return _t_test(_both(first, second), pooled=pooled)


def equivalence(
    first: ArrayLike, second: ArrayLike, *, margin: float, risk: float = 0.05, pooled: bool = False
) -> Equivalence:
    """Whether the means differ by less than `margin` (same unit as the values), at `risk`. [2]"""
    test = compare_two(first, second, pooled=pooled)
    half = coverage_factor(test.dof, confidence=1.0 - 2.0 * risk) * test.se
    inner = (margin - abs(test.difference)) / test.se if test.se > 0.0 else math.copysign(math.inf, margin)
    p = float(special.stdtr(test.dof, -inner)) if math.isfinite(inner) else float(inner < 0.0)
    low, high = test.difference - half, test.difference + half
    return Equivalence(test.difference, low, high, p, -margin < low and high < margin)


def _both(first: ArrayLike, second: ArrayLike) -> Groups:
    one, other = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    return summarise(np.concatenate([one, other]), group=np.repeat([0, 1], [one.size, other.size]))


def _t_test(groups: Groups, *, pooled: bool) -> TTest:
    of_mean = (groups.pooled_variance if pooled else groups.variance) / groups.n
    dof = groups.dof if pooled else float(of_mean.sum() ** 2 / np.sum(of_mean**2 / (groups.n - 1.0)))
    difference, se = float(groups.deviation[0] - groups.deviation[1]), math.sqrt(of_mean.sum())
    t = difference / se if se > 0.0 else math.copysign(math.inf, difference)
    return TTest(difference, se, dof, t, float(two_sided_p(t, dof=dof)))
