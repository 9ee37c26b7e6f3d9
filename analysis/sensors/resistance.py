"""Industrial platinum resistance thermometers. [1]

1. IEC 60751:2008, industrial platinum resistance thermometers and platinum temperature sensors, on ITS-90.
"""

from __future__ import annotations

import numpy as np

from analysis.results import Array
from analysis.sensors.curve import Curve

_A, _B, _C = 3.9083e-3, -5.775e-7, -4.183e-12  # [1/K], [1/K^2], [1/K^4] of IEC 60751
_LOWEST, _HIGHEST = -200.0, 850.0  # [degC]
_C_ENDS = 100.0  # [degC] in the term below the ice point

_CLASSES = {
    "AA": lambda away: 0.1 + 0.0017 * away,
    "A": lambda away: 0.15 + 0.002 * away,
    "B": lambda away: 0.3 + 0.005 * away,
    "C": lambda away: 0.6 + 0.01 * away,
}


def _ratio(t: Array) -> Array:
    """R / R0. Formula: 1 + A t + B t^2 + C (t - 100) t^3, the last term below 0 degC only."""
    cold = np.minimum(t, 0.0)
    return np.asarray(1.0 + _A * t + _B * t**2 + _C * (cold - _C_ENDS) * cold**3)


def _ratio_slope(t: Array) -> Array:
    cold = np.minimum(t, 0.0)
    return np.asarray(_A + 2.0 * _B * t + _C * (4.0 * cold**3 - 3.0 * _C_ENDS * cold**2))


def platinum(ice_point: float) -> Curve:
    """A thermometer of `ice_point` [ohm] at 0 degC, from -200 degC to 850 degC.

    The tolerance classes AA, A, B and C hold over ranges of their own that depend on how the sensor is made; the
    sensor's papers say which.
    """
    return Curve(
        name=f"Pt{ice_point:g}",
        dimension="resistance",
        unit="ohm",
        lowest=_LOWEST,
        highest=_HIGHEST,
        function=lambda t: ice_point * _ratio(t),
        derivative=lambda t: ice_point * _ratio_slope(t),
        tolerances=_CLASSES,
    )
