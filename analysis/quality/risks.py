"""What a decision rule lets through and turns away over a whole process, before any item is measured.

1. JCGM 106:2012, 9.5 (global risks of consumer and producer); from memory.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass

from scipy import integrate, special

from analysis.errors import OutOfRange
from analysis.quality.conformity import Limits
from analysis.results import Measured

_FAR, _PARTS = 9.0, 16  # standard deviations of a process that count; parts an integral is taken in


@dataclass(frozen=True, slots=True)
class Risks:
    """Of all items made: the share accepted that does not conform, and the share rejected that does. [1]"""

    consumer: float
    producer: float


def global_risks(process: Measured, *, u: float, limits: Limits, guard_band: float = 0.0) -> Risks:
    """Both risks of a decision rule over a whole process, before any item is measured. [1]

    Parameters: `process` level and standard deviation (its `u`) of what is made, normal; `u` standard uncertainty of a
    measurement, above zero; `guard_band` w in the same unit: accepted is T_L + w <= y <= T_U - w; below zero the rule
    is relaxed. Formula: R_C = integral over what does not conform of g(x) P(accepted | x) dx, R_P likewise over what
    does, with g the process and P(accepted | x) = F((T_U - w - x) / u) - F((T_L + w - x) / u).
    Raises OutOfRange where a standard deviation is not above zero.
    """
    if not (process.u > 0.0 and u > 0.0 and math.isfinite(process.u) and math.isfinite(u)):
        raise OutOfRange(f"standard deviations: expected above zero, found {process.u:g} and {u:g}")
    low = -math.inf if limits.lower is None else limits.lower
    high = math.inf if limits.upper is None else limits.upper

    def density(x: float) -> float:
        return math.exp(-0.5 * ((x - process.value) / process.u) ** 2) / (process.u * math.sqrt(2.0 * math.pi))

    def accepted(x: float) -> float:
        found = special.ndtr((high - guard_band - x) / u) - special.ndtr((low + guard_band - x) / u)
        return max(float(found), 0.0)

    ends = (process.value - _FAR * process.u, process.value + _FAR * process.u)
    within = (min(max(low, ends[0]), ends[1]), max(min(high, ends[1]), ends[0]))
    outside = ((ends[0], within[0]), (within[1], ends[1]))
    return Risks(
        sum(_integral(lambda x: density(x) * accepted(x), *part) for part in outside),
        _integral(lambda x: density(x) * (1.0 - accepted(x)), *within),
    )


def _integral(function: Callable[[float], float], low: float, high: float) -> float:
    """The integral from `low` to `high`, in parts, so that no narrow step is missed."""
    if not high > low:
        return 0.0
    cuts = [low + (high - low) * part / _PARTS for part in range(_PARTS + 1)]
    return math.fsum(float(integrate.quad(function, a, b)[0]) for a, b in itertools.pairwise(cuts))
