"""Several comparisons at once: all pairs, many against one reference, and an ad-hoc list.

1. J. W. Tukey and C. Y. Kramer: all pairs with a pooled variance; Kramer, Biometrics 12 (1956), 307-310.
2. P. A. Games and J. F. Howell, J. Educ. Statist. 1 (1976), 113-125: all pairs where variances differ.
3. C. W. Dunnett, J. Am. Statist. Assoc. 50 (1955), 1096-1121: many against one reference.
4. S. Holm, Scand. J. Statist. 6 (1979), 65-70: an ad-hoc list of probabilities.
5. Z. Sidak, J. Am. Statist. Assoc. 62 (1967), 626-633: bounds for several intervals at once.
6. JCGM 100:2008, G.4: effective degrees of freedom of a sum of variances.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.statistics.one_way import Groups
from analysis.statistics.student import coverage_factor, two_sided_p
from analysis.statistics.studentized_range import (
    dunnett_quantile,
    dunnett_tail,
    studentized_range_quantile,
    studentized_range_tail,
)

Array = NDArray[np.float64]
Index = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Differences:
    """Differences `first` less `second` with intervals that hold all at once; arrays of one length."""

    first: Index
    second: Index
    difference: Array
    se: Array
    dof: Array
    half: Array  # half-width of the simultaneous interval
    p: Array  # adjusted for the number of comparisons
    critical: Array  # what |difference| / se must exceed
    method: str

    def __post_init__(self) -> None:
        for array in (self.difference, self.se, self.dof, self.half, self.p, self.critical):
            array.flags.writeable = False

    @property
    def low(self) -> Array:
        return self.difference - self.half

    @property
    def high(self) -> Array:
        return self.difference + self.half

    @property
    def significant(self) -> NDArray[np.bool_]:
        """Whether the interval leaves out nought."""
        return np.asarray(np.abs(self.difference) > self.half)

    def matrix(self, count: int) -> NDArray[np.bool_]:
        """Which of `count` groups differ, as a symmetric table."""
        table = np.zeros((count, count), dtype=bool)
        table[self.first, self.second] = self.significant
        return table | table.T


def all_pairs(groups: Groups, *, pooled: bool, confidence: float = 0.95, extra: ArrayLike | None = None) -> Differences:
    """Every pair of groups with simultaneous intervals: Tukey-Kramer [1] if `pooled`, else Games-Howell [2].

    Parameters: `groups`; `confidence` that all intervals hold at once; `extra` a symmetric table of further variances
    of each difference, known without doubt, such as that of calibrations which two groups do not share. They widen an
    interval and its degrees of freedom [6], an approximation that is exact where there are none.
    """
    first, second = (index.astype(np.intp) for index in np.triu_indices(groups.count, 1))
    se, dof = _errors(groups, first, second, pooled=pooled, extra=extra)
    critical = studentized_range_quantile(confidence, groups=groups.count, dof=dof) / np.sqrt(2.0)
    difference = groups.deviation[first] - groups.deviation[second]
    t = _ratio(difference, se)
    tail = studentized_range_tail(np.minimum(np.abs(t) * np.sqrt(2.0), 1e6), groups=groups.count, dof=dof)
    p = np.where(np.isinf(t), 0.0, tail)
    method = "Tukey-Kramer" if pooled else "Games-Howell"
    return Differences(first, second, difference, se, dof, critical * se, p, critical, method)


def against_reference(
    groups: Groups, *, reference: int, pooled: bool, confidence: float = 0.95, extra: ArrayLike | None = None
) -> Differences:
    """Every other group less the reference: Dunnett [3] with a pooled variance, else Welch's t with Sidak's bound [5].

    Parameters as for `all_pairs`; `reference` is the number of the group the others are set against. Dunnett's needs
    one variance for all, so `extra` variances that are not nought lead to Sidak's bound as well.
    """
    others = np.delete(np.arange(groups.count, dtype=np.intp), reference)
    second = np.full(others.shape, reference, dtype=np.intp)
    se, dof = _errors(groups, others, second, pooled=pooled, extra=extra)
    difference = groups.deviation[others] - groups.deviation[second]
    t = np.abs(_ratio(difference, se))
    if pooled and (extra is None or not np.any(np.asarray(extra)[others, second])):
        sizes, size = groups.n[others], float(groups.n[reference])
        found = dunnett_quantile(confidence, sizes=sizes, reference_size=size, dof=groups.dof)
        critical = np.full(others.shape, found)
        p, method = dunnett_tail(t, sizes=sizes, reference_size=size, dof=groups.dof), "Dunnett"
    else:
        critical = coverage_factor(dof, confidence=confidence ** (1.0 / others.size))
        p, method = -np.expm1(others.size * np.log1p(-np.minimum(two_sided_p(t, dof=dof), 1.0 - 1e-16))), "Welch, Sidak"
    return Differences(others, second, difference, se, dof, critical * se, p, critical, method)


def holm(p: ArrayLike) -> Array:
    """Probabilities adjusted for the length of the list, step by step from the smallest. [4]"""
    raw = np.asarray(p, dtype=float)
    order = np.argsort(raw, kind="stable")
    stepped = np.maximum.accumulate(raw[order] * np.arange(raw.size, 0, -1))
    adjusted = np.empty(raw.shape)
    adjusted[order] = np.minimum(stepped, 1.0)
    return adjusted


def _errors(
    groups: Groups, first: Index, second: Index, *, pooled: bool, extra: ArrayLike | None
) -> tuple[Array, Array]:
    """Standard error and degrees of freedom of each difference. [6]"""
    if pooled:
        own = groups.pooled_variance * (1.0 / groups.n[first] + 1.0 / groups.n[second])
        dof = np.full(first.shape, groups.dof)
    else:
        of_mean = groups.variance / groups.n
        own = of_mean[first] + of_mean[second]
        weighed = of_mean**2 / np.maximum(groups.n - 1.0, 1.0)
        both = weighed[first] + weighed[second]
        fewest = np.minimum(groups.n[first], groups.n[second]) - 1.0
        dof = np.where(both > 0.0, own**2 / np.where(both > 0.0, both, 1.0), fewest)
    if extra is None:
        return np.sqrt(own), dof
    known = np.asarray(extra, dtype=float)[first, second]
    total = own + known
    return np.sqrt(total), np.where(own > 0.0, dof * (total / np.where(own > 0.0, own, 1.0)) ** 2, np.inf)


def _ratio(difference: Array, se: Array) -> Array:
    """difference / se; without any error, every difference is beyond doubt."""
    sure = np.where(difference == 0.0, 0.0, np.inf) * np.sign(difference + (difference == 0.0))
    return np.where(se > 0.0, difference / np.where(se > 0.0, se, 1.0), sure)
