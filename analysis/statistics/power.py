"""Planning: the smallest difference a plan can see, and how many values it takes to see a difference.

The t of two means with a common variance is noncentral about difference / standard error; the chance to see the
difference is the chance that |t| exceeds the critical value, which is that of the simultaneous interval where several
groups are compared at once.

1. J. Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd ed. (1988), ch. 2.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from analysis.statistics.studentized_range import studentized_range_quantile

Array = NDArray[np.float64]

MOST = 999  # no more than this many values a group are looked for


@dataclass(frozen=True, slots=True)
class Plan:
    """What is planned: `sd` between values of one group, `groups` compared at once, `confidence` of all intervals at
    once, and the chance (`power`) with which a difference shall be seen."""

    sd: float
    groups: int = 2
    confidence: float = 0.95
    power: float = 0.8

    def critical(self, dof: ArrayLike) -> Array:
        """What |difference| / standard error must exceed."""
        return np.asarray(studentized_range_quantile(self.confidence, groups=self.groups, dof=dof) / np.sqrt(2.0))


def chance_to_see(noncentrality: ArrayLike, *, dof: ArrayLike, critical: ArrayLike) -> Array:
    """Probability that |t| exceeds `critical` at this noncentrality (difference / standard error); arrays broadcast."""
    shift, degrees, bound = np.broadcast_arrays(
        *(np.asarray(one, dtype=float) for one in (noncentrality, dof, critical))
    )
    finite = np.isfinite(degrees)
    some = np.where(finite, degrees, 1.0)
    below, above = _noncentral(some, shift, -bound), 1.0 - _noncentral(some, shift, bound)
    return np.asarray(np.where(finite, below + above, special.ndtr(shift - bound) + special.ndtr(-shift - bound)))


def _noncentral(dof: Array, noncentrality: Array, t: Array) -> Array:
    """Distribution function of the noncentral t. SciPy gives nan far in the lower tail: nought there."""
    return np.asarray(np.nan_to_num(special.nctdtr(dof, noncentrality, t), nan=0.0))


def smallest_difference(plan: Plan, *, n: float, dof: float | None = None) -> float:
    """The smallest difference of two means that is seen with probability `plan.power`, in the unit of `plan.sd`. [1]

    Parameters: `n` values in each of the two groups; `dof` of the standard deviation, groups * (n - 1) if not given.
    """
    degrees = plan.groups * (n - 1.0) if dof is None else dof
    critical = plan.critical(degrees)
    low, high = 0.0, 3.0 * float(critical) + 10.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        seen = float(chance_to_see(middle, dof=degrees, critical=critical)) >= plan.power
        low, high = (low, middle) if seen else (middle, high)
    return float(high * plan.sd * np.sqrt(2.0 / n))


def needed_per_group(
    difference: ArrayLike, *, plan: Plan, other_dof: ArrayLike = 0.0, extra: ArrayLike = 0.0
) -> NDArray[np.intp]:
    """How many values each of two groups needs so that `difference` is seen with probability `plan.power`. [1]

    Parameters: `difference`, an array, in the unit of `plan.sd`; `other_dof` the degrees of freedom of the standard
    deviation that come from other groups; `extra` variance of the difference that more values do not lessen.
    Returns whole numbers of the shape of `difference`, 0 where no number below a thousand suffices.
    """
    shift = np.abs(np.asarray(difference, dtype=float))
    other, known = np.broadcast_to(other_dof, shift.shape), np.broadcast_to(extra, shift.shape)

    def enough(n: Array) -> NDArray[np.bool_]:
        own = 2.0 * plan.sd**2 / n
        dof = (other + 2.0 * (n - 1.0)) * ((own + known) / own) ** 2
        seen = chance_to_see(shift / np.sqrt(own + known), dof=dof, critical=plan.critical(dof))
        return np.asarray(seen >= plan.power)

    low, high = np.ones(shift.shape), np.full(shift.shape, float(MOST))
    reachable = enough(high)
    while np.any(high - low > 1.0):
        middle = np.maximum(np.floor(0.5 * (low + high)), 2.0)
        good = enough(middle)
        low, high = np.where(good, low, np.minimum(middle, high - 1.0)), np.where(good, middle, high)
    return np.where(reachable, high, 0.0).astype(np.intp)
