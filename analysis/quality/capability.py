"""Capability: how much room a process in control leaves within its limits, with its interval.

    Cp  = (U - L) / 6 sigma                              Cpk = min(U - m, m - L) / 3 sigma
    Cpk +- z sqrt(1 / 9n + Cpk^2 / 2(n - 1))             interval after Bissell, sigma from n values
    Cp sqrt(chi2_(a/2, n-1) / (n - 1)) and so on         interval of Cp

With the short-term sigma it is capability; with the overall standard deviation, performance (Pp, Ppk).

1. Bissell (1990), Applied Statistics 39, 331. 2. ISO 22514-2, process capability. 3. ASTM E2281.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from analysis.errors import AnalysisError, OutOfRange
from analysis.quality.conformity import Limits
from analysis.quality.control import individuals, phase_of

FEWEST = 25
"""Fewer values prove next to nothing: from 30 values a Cpk of 1.33 is known only to be above 1.03. [1]"""


class NotInControl(AnalysisError):
    """A process that is not in control has no capability to speak of."""


@dataclass(frozen=True, slots=True)
class Index:
    """An index without unit, its two-sided interval, and the value it exceeds with the same confidence, one-sided."""

    value: float
    low: float
    high: float
    at_least: float


@dataclass(frozen=True, slots=True)
class Capability:
    """Indices of one characteristic: short-term (cp, cpk) and overall (ppk); cp is None with one limit."""

    n: int
    level: float
    sigma: float
    overall: float
    cp: Index | None
    cpk: Index
    ppk: Index


def capability(values: ArrayLike, *, limits: Limits, confidence: float = 0.95) -> Capability:
    """Capability of single values, in the order they were made.

    Parameters: values, shape (n,), in the unit of the limits; confidence in (0, 1).
    Returns: Capability. Raises: OutOfRange below 25 values or without spread; NotInControl where a point lies
    outside the control limits of these very values. Valid for values near normal. Source: [1], [2].
    """
    x = np.asarray(values, dtype=float)
    if x.size < FEWEST:
        raise OutOfRange(f"{x.size} values are too few for a capability; {FEWEST} are needed", code="too-few-values")
    phase = phase_of(x)
    if not phase.sigma > 0.0:
        raise OutOfRange("values without spread have no capability", code="no-spread")
    outside = int(individuals(x, phase=phase).outside.sum())
    if outside:
        raise NotInControl(f"{outside} of {x.size} values lie outside the control limits", code="not-in-control")
    overall = float(x.std(ddof=1))
    both = limits.lower is not None and limits.upper is not None
    return Capability(
        x.size,
        phase.level,
        phase.sigma,
        overall,
        cp_interval(_cp(limits, phase.sigma), n=x.size, confidence=confidence) if both else None,
        cpk_interval(_cpk(limits, phase.level, phase.sigma), n=x.size, confidence=confidence),
        cpk_interval(_cpk(limits, phase.level, overall), n=x.size, confidence=confidence),
    )


def cpk_interval(cpk: float, *, n: int, confidence: float = 0.95) -> Index:
    """Interval of Cpk from n values, and its one-sided lower bound. Source: [1]."""
    spread = math.sqrt(1.0 / (9.0 * n) + cpk**2 / (2.0 * (n - 1)))
    two, one = (float(special.ndtri(p)) for p in (0.5 + confidence / 2.0, confidence))
    return Index(cpk, cpk - two * spread, cpk + two * spread, cpk - one * spread)


def cp_interval(cp: float, *, n: int, confidence: float = 0.95) -> Index:
    """Interval of Cp from n values, and its one-sided lower bound, by the chi-square distribution. Source: [2]."""
    tail = (1.0 - confidence) / 2.0
    low, high, one = (cp * math.sqrt(_chi2(p, n - 1) / (n - 1)) for p in (tail, 1.0 - tail, 2.0 * tail))
    return Index(cp, low, high, one)


def _chi2(p: float, dof: int) -> float:
    return float(special.chdtri(dof, 1.0 - p))


def _cp(limits: Limits, sigma: float) -> float:
    return ((limits.upper or 0.0) - (limits.lower or 0.0)) / (6.0 * sigma)


def _cpk(limits: Limits, level: float, sigma: float) -> float:
    room = [] if limits.upper is None else [limits.upper - level]
    room += [] if limits.lower is None else [level - limits.lower]
    return min(room) / (3.0 * sigma)
