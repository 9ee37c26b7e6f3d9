"""Groups of values: their means and variances, and the tests of one-way comparison.

1. B. L. Welch, Biometrika 38 (1951), 330-336: comparing means whose variances differ.
2. M. B. Brown and A. B. Forsythe, J. Am. Statist. Assoc. 69 (1974), 364-367: Levene's test with medians.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Groups:
    """What one-way statistics need of each group; arrays of one length. `variance` is nan for a single value."""

    n: Array
    mean: Array
    variance: Array
    deviation: Array  # mean less the grand mean, computed apart so that a large common level costs no digits

    def __post_init__(self) -> None:
        for array in (self.n, self.mean, self.variance, self.deviation):
            array.flags.writeable = False

    @property
    def count(self) -> int:
        return int(self.n.size)

    @property
    def dof(self) -> float:
        """Degrees of freedom of the pooled variance."""
        return float(self.n.sum() - self.count)

    @property
    def pooled_variance(self) -> float:
        """Variance within the groups, each weighted by its degrees of freedom; nan where no group has two values."""
        squares = float(np.sum(np.where(self.n > 1.0, np.nan_to_num(self.variance) * (self.n - 1.0), 0.0)))
        return squares / self.dof if self.dof > 0.0 else float("nan")

    def take(self, index: NDArray[np.integer] | NDArray[np.bool_]) -> Groups:
        """These groups only, in this order."""
        return Groups(self.n[index], self.mean[index], self.variance[index], self.deviation[index])


@dataclass(frozen=True, slots=True)
class FTest:
    """An F statistic with its degrees of freedom and probability."""

    statistic: float
    dof_between: float
    dof_within: float
    p: float


def summarise(values: ArrayLike, *, group: ArrayLike) -> Groups:
    """Means and variances by group: `values` of shape (n,), `group` whole numbers from 0, same shape, none left out."""
    value, label = np.asarray(values, dtype=float), np.asarray(group, dtype=np.intp)
    grand = float(value.mean())
    centred = value - grand
    n = np.bincount(label).astype(float)
    deviation = np.bincount(label, weights=centred) / n
    squares = np.bincount(label, weights=(centred - deviation[label]) ** 2)
    variance = np.where(n > 1.0, squares / np.maximum(n - 1.0, 1.0), np.nan)
    return Groups(n, grand + deviation, variance, deviation)


def anova(groups: Groups) -> FTest:
    """One-way analysis of variance with a pooled variance."""
    between = groups.count - 1.0
    middle = float(np.sum(groups.n * groups.deviation) / groups.n.sum())
    square = float(np.sum(groups.n * (groups.deviation - middle) ** 2)) / between
    return _f_test(square, groups.pooled_variance, between, groups.dof)


def welch_anova(groups: Groups) -> FTest:
    """Analysis of variance where variances differ; every group needs two values that are not equal. [1]"""
    k = groups.count
    weight = groups.n / groups.variance
    share = weight / weight.sum()
    middle = float(np.sum(share * groups.deviation))
    spread = float(np.sum((1.0 - share) ** 2 / (groups.n - 1.0)))
    square = float(np.sum(weight * (groups.deviation - middle) ** 2)) / (k - 1.0)
    return _f_test(square, 1.0 + 2.0 * (k - 2.0) * spread / (k * k - 1.0), k - 1.0, (k * k - 1.0) / (3.0 * spread))


def brown_forsythe(values: ArrayLike, *, group: ArrayLike) -> FTest | None:
    """Levene's test that variances are equal, with distances from each group's median. [2]

    Groups of one or two values take no part: the distances from a median of two are equal by construction and would
    pretend a certainty that is not there. Returns None where fewer than two groups are left.
    """
    value, label = np.asarray(values, dtype=float), np.asarray(group, dtype=np.intp)
    mine = np.bincount(label)[label] >= 3
    if np.unique(label[mine]).size < 2:
        return None
    kept, renamed = value[mine], np.unique(label[mine], return_inverse=True)[1]
    return anova(summarise(np.abs(kept - _medians(kept, renamed)[renamed]), group=renamed))


def _medians(value: Array, label: NDArray[np.intp]) -> Array:
    ordered = value[np.lexsort((value, label))]
    n = np.bincount(label)
    start = np.cumsum(n) - n
    return np.asarray(0.5 * (ordered[start + (n - 1) // 2] + ordered[start + n // 2]))


def _f_test(square: float, error: float, between: float, within: float) -> FTest:
    certain = float("inf") if square > 0.0 else 0.0
    statistic = square / error if error > 0.0 else certain
    p = float(special.fdtrc(between, within, statistic)) if np.isfinite(statistic) else 0.0
    return FTest(statistic, between, within, p)
