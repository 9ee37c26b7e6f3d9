"""Whether a measured value conforms to its limits: outcome with guard bands, probability, risk of a wrong acceptance.

A value y with standard uncertainty u is judged by a lower limit T_L, an upper limit T_U, or both. With the guard band
w = g U, where U is the expanded uncertainty at 95 %:

    pass               T_L + w <= y <= T_U - w
    conditional pass   inside the limits, but within w of one
    conditional fail   outside a limit, by w at most
    fail               outside by more

and, for a state-of-knowledge distribution centred on y,

    p_c = F((T_U - y) / u) - F((T_L - y) / u)

with F the normal distribution, or Student's t where the degrees of freedom are finite. g = 0 is simple acceptance.

1. JCGM 106:2012, 7.1 to 7.3 (probability of conformity), 8.3 (guard bands); from memory.
2. ILAC-G8:09/2019, 4.2 (binary and non-binary statements with a guard band).
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from scipy import special

from analysis.errors import AnalysisError
from analysis.results import Measured
from analysis.statistics.student import coverage_factor

# ILAC-G8 and JCGM 106 state U with k = 2 for a normal distribution
NORMAL_FACTOR = 2.0


class Outcome(StrEnum):
    """What a verdict says, from best to worst."""

    PASS = "pass"
    CONDITIONAL_PASS = "conditional_pass"
    CONDITIONAL_FAIL = "conditional_fail"
    FAIL = "fail"


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of one quantity, in the unit of the value; None where there is none on that side."""

    lower: float | None = None
    upper: float | None = None

    def __post_init__(self) -> None:
        if self.lower is None and self.upper is None:
            raise AnalysisError("a limit needs a lower or an upper end", code="no-limit")
        if self.lower is not None and self.upper is not None and not self.lower < self.upper:
            raise AnalysisError("the lower limit must lie below the upper one", code="bad-limit")


@dataclass(frozen=True, slots=True)
class Conformity:
    """The outcome, the probability that the true value conforms [1], and the guard band w in the value's unit."""

    outcome: Outcome
    probability: float
    guard_band: float

    @property
    def wrong_acceptance(self) -> float:
        """The probability that accepting this value is wrong [1]."""
        return 1.0 - self.probability


def judge(measured: Measured, *, limits: Limits, guard_factor: float = 1.0) -> Conformity:
    """Judge one value by its limits, kept away from them by a guard band.

    Parameters: value and standard uncertainty u, in one unit, u not negative; `guard_factor` g >= 0, multiple of U.
    Returns: Conformity. Raises: AnalysisError where value or u is not finite or u is negative, or g is negative.
    Valid for a state-of-knowledge distribution that is symmetric about the value.
    """
    _check(measured)
    if not guard_factor >= 0.0:
        raise AnalysisError("a guard band cannot be negative", code="bad-guard")
    band = guard_factor * expanded(measured)
    # how far inside the nearer limit the value lies; negative outside
    inside = min(_distances(measured.value, limits))
    return Conformity(_outcome(inside, band), probability_of_conformity(measured, limits=limits), band)


def judge_by_risk(measured: Measured, *, limits: Limits, risk: float) -> Conformity:
    """Judge one value by the risk that accepting it is wrong.

    Pass where that risk is at most `risk`; conditional pass inside the limits with a greater one; fail where even the
    chance to conform is at most `risk`; conditional fail between. Parameters as for `judge`; `risk` in (0, 0.5].
    Returns: Conformity, guard band nan. Raises: AnalysisError as `judge`. Source: [1], 9.3 (specific risk).
    """
    _check(measured)
    if not 0.0 < risk <= 0.5:
        raise AnalysisError("the risk of a wrong acceptance lies above 0 and up to 0.5", code="bad-risk")
    probability = probability_of_conformity(measured, limits=limits)
    inside = min(_distances(measured.value, limits)) >= 0.0
    if 1.0 - probability <= risk:
        outcome = Outcome.PASS
    elif inside:
        outcome = Outcome.CONDITIONAL_PASS
    else:
        outcome = Outcome.CONDITIONAL_FAIL if probability > risk else Outcome.FAIL
    return Conformity(outcome, probability, math.nan)


def mean_of(results: Sequence[Measured]) -> Measured:
    """The mean of several results, with the scatter between them and what they have in common.

    u^2 = s^2 / n + u_c^2, s the standard deviation of the values, u_c their mean standard uncertainty, which is taken
    as common to all of them: it does not shrink with n. Degrees of freedom after Welch and Satterthwaite.
    Parameters: results in one unit, at least one. Raises: AnalysisError without any.
    """
    if not results:
        raise AnalysisError("there is no result to take the mean of", code="no-value")
    if len(results) == 1:
        return results[0]
    n = len(results)
    common = math.fsum(r.u for r in results) / n
    scatter = statistics.stdev(r.value for r in results) / math.sqrt(n)
    u = math.hypot(scatter, common)
    shares = ((scatter, n - 1.0), (common, min(r.dof for r in results)))
    spread = math.fsum(part**4 / dof for part, dof in shares if math.isfinite(dof))
    return Measured(math.fsum(r.value for r in results) / n, u, u**4 / spread if spread > 0.0 else math.inf)


def _check(measured: Measured) -> None:
    if not math.isfinite(measured.value):
        raise AnalysisError("there is no value to judge", code="no-value")
    if not (math.isfinite(measured.u) and measured.u >= 0.0):
        raise AnalysisError("without its uncertainty a value cannot be judged", code="no-uncertainty")


def expanded(measured: Measured) -> float:
    """Expanded uncertainty: k = 2 for a normal distribution, Student's factor at 95 % for finite degrees of freedom."""
    factor = coverage_factor(measured.dof) if math.isfinite(measured.dof) else NORMAL_FACTOR
    return factor * measured.u


def probability_of_conformity(measured: Measured, *, limits: Limits) -> float:
    """The probability that the true value lies within the limits (JCGM 106, 7.1). u = 0 gives 0 or 1."""
    above = 1.0 if limits.upper is None else _below(limits.upper, measured)
    below = 0.0 if limits.lower is None else _below(limits.lower, measured)
    if measured.u == 0.0:
        return float(min(_distances(measured.value, limits)) >= 0.0)
    return max(above - below, 0.0)


def _distances(value: float, limits: Limits) -> list[float]:
    found = []
    if limits.upper is not None:
        found.append(limits.upper - value)
    if limits.lower is not None:
        found.append(value - limits.lower)
    return found


def _outcome(inside: float, band: float) -> Outcome:
    # a billionth of the band: 12.0 - 0.6 is 11.4 on paper and a little less in binary
    slack = 1e-9 * max(band, abs(inside))
    if inside >= band - slack:
        return Outcome.PASS
    if inside >= -slack:
        return Outcome.CONDITIONAL_PASS
    return Outcome.CONDITIONAL_FAIL if inside >= -band - slack else Outcome.FAIL


def _below(limit: float, measured: Measured) -> float:
    """The probability that the true value lies below `limit`."""
    if measured.u == 0.0:
        return float(measured.value <= limit)
    distance = (limit - measured.value) / measured.u
    if math.isfinite(measured.dof):
        return float(special.stdtr(measured.dof, distance))
    return float(special.ndtr(distance))
