"""Statistical tolerance intervals: what holds for a stated share of all units, not for their mean alone.

    one-sided    k = t'(gamma; n - 1, z_p sqrt n) / sqrt n, t' the non-central Student's distribution (exact)
    two-sided    k solves E over the mean of P(chi2_(n-1) >= (n - 1) R^2 / k^2) = gamma (exact), R the half width of
                 a normal interval that holds the share p around a mean that is off by its own scatter

1. ISO 16269-6, statistical tolerance intervals. 2. NIST/SEMATECH e-Handbook, 7.2.6.3.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import optimize, special, stats

from analysis.errors import OutOfRange

_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(60)


def one_sided_factor(n: int, *, share: float = 0.95, confidence: float = 0.95) -> float:
    """k such that mean + k s lies above at least `share` of all units with `confidence`; n values. Source: [1]."""
    _check(n, share, confidence)
    shift = float(special.ndtri(share)) * math.sqrt(n)
    return float(stats.nct.ppf(confidence, n - 1, shift)) / math.sqrt(n)


def two_sided_factor(n: int, *, share: float = 0.95, confidence: float = 0.95) -> float:
    """k such that mean +- k s holds at least `share` of all units with `confidence`; n values. Source: [1]."""
    _check(n, share, confidence)
    half_widths = np.array([_half_width(node / math.sqrt(n), share) for node in _NODES])
    weights = _WEIGHTS / math.sqrt(2.0 * math.pi)

    def short(k: float) -> float:
        held = special.chdtrc(n - 1, (n - 1) * half_widths**2 / k**2)
        return float(weights @ held) - confidence

    return float(optimize.brentq(short, 0.1, 1000.0, xtol=1e-10))


def _half_width(off: float, share: float) -> float:
    """Half width of an interval around `off` that holds `share` of a standard normal distribution."""
    reach = abs(off) + 10.0
    return float(
        optimize.brentq(lambda h: special.ndtr(off + h) - special.ndtr(off - h) - share, 0.0, reach, xtol=1e-13)
    )


def _check(n: int, share: float, confidence: float) -> None:
    if n < 2 or not (0.0 < share < 1.0 and 0.0 < confidence < 1.0):
        raise OutOfRange("n is at least 2; share and confidence lie between 0 and 1", code="bad-tolerance")
