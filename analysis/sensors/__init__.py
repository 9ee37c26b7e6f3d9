"""Temperature sensors whose column holds what the meter measured: a resistance or a voltage.

    from analysis.sensors import SENSORS, thermocouple_temperature

    SENSORS["Pt100"].temperature(109.73)  # [ohm] -> [K]
    thermocouple_temperature(SENSORS["thermocouple K"], emf=3.0e-3, junction=298.15)  # [V], [K] -> [K]

`SENSORS` holds every sensor by the name that a setup's channel gives as `sensor`.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike

from analysis.results import Array
from analysis.sensors.curve import Curve
from analysis.sensors.resistance import platinum
from analysis.sensors.thermocouple import thermocouple
from analysis.units import from_si

_CURVES = (*(platinum(ohm) for ohm in (100.0, 500.0, 1000.0)), *(thermocouple(letter) for letter in "KTEJN"))

SENSORS: Mapping[str, Curve] = MappingProxyType({curve.name: curve for curve in _CURVES})
"""Every sensor by its name: Pt100, Pt500, Pt1000, and the thermocouples of types K, T, E, J and N."""


def thermocouple_temperature(curve: Curve, *, emf: ArrayLike, junction: ArrayLike, strict: bool = True) -> Array:
    """Temperature [K] of the measuring junction from the measured `emf` [V] and the cold `junction` [K]. [1]

    Formula: E_total = emf + E(T_junction), then the inverse of the curve. The temperature of the junction is never
    added to that of the emf alone: the curve bends. OutOfRange outside the curve; without `strict` nan there.

    1. IEC 60584-1:2013; NIST Monograph 175.
    """
    cold = np.asarray(junction, dtype=np.float64)
    if not strict:
        cold = np.where(_within(curve, cold), cold, np.nan)
    total = np.asarray(emf, dtype=np.float64) + curve.signal(cold)
    return curve.temperature(total) if strict else curve.temperature_or_nan(total)


def _within(curve: Curve, temperature: Array) -> Array:
    celsius = np.asarray(from_si(temperature, "degC", "temperature"))
    return np.asarray((celsius >= curve.lowest) & (celsius <= curve.highest))
