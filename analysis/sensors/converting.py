"""A column of a sensor's signal as a column of temperatures, with what the uncertainties of its parts come to."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.sensors import thermocouple_temperature
from analysis.sensors.curve import Curve

_CHUNK = 1 << 17  # rows converted at once
_SAMPLES = 10_000  # rows that tell how warm the sensor gets
_WARM = 0.95  # share of the rows below the temperature at which uncertainties are found


@dataclass(frozen=True, slots=True)
class Signal:
    """A column `raw` whose SI value is `slope` * raw + `shift`, and its standard uncertainty `u` in SI."""

    raw: NDArray[np.floating]
    slope: float = 1.0
    shift: float = 0.0
    u: float = 0.0

    def values(self, rows: slice) -> NDArray[np.float64]:
        return np.asarray(self.raw[rows].astype(np.float64) * self.slope + self.shift)


@dataclass(frozen=True, slots=True)
class Sensed:
    """Temperatures [K], nan where the signal lies outside the sensor's curve, with their standard uncertainty.

    `u` [K] is that of the sensor and its meter; `by_junction` is the change of the temperature per kelvin of the cold
    junction, whose error all thermocouples on it share.
    """

    values: NDArray[np.floating]
    u: float
    by_junction: float = 0.0


def sense(curve: Curve, signal: Signal, *, junction: Signal | None = None, tolerance_class: str = "") -> Sensed:
    """The temperatures of a sensor from its signal [ohm or V] and, for a thermocouple, its cold junction [K].

    Uncertainty: u^2 = (u_signal / sensitivity)^2 + (limit of error / sqrt(3))^2, at the warm end of the record; a
    limit of error is taken as that of a rectangular distribution. [1] (JCGM 100:2008, 4.3.7)
    """
    values = np.empty(signal.raw.shape, dtype=signal.raw.dtype)
    for start in range(0, values.size, _CHUNK):
        rows = slice(start, start + _CHUNK)
        values[rows] = _temperatures(curve, signal, junction, rows)
    warm = _warm(values)
    if math.isnan(warm):
        return Sensed(values, 0.0)
    sensitivity = float(curve.sensitivity(warm))
    limit = curve.limit_of_error(warm, tolerance_class) if tolerance_class else 0.0
    u = math.hypot(signal.u / sensitivity, limit / math.sqrt(3.0))
    if junction is None:
        return Sensed(values, u)
    cold = _warm(junction.values(slice(None)))
    return Sensed(values, u, float(curve.sensitivity(cold)) / sensitivity)


def _temperatures(curve: Curve, signal: Signal, junction: Signal | None, rows: slice) -> NDArray[np.float64]:
    if junction is None:
        return curve.temperature_or_nan(signal.values(rows))
    return thermocouple_temperature(curve, emf=signal.values(rows), junction=junction.values(rows), strict=False)


def _warm(values: NDArray[np.floating]) -> float:
    some = values[:: max(values.size // _SAMPLES, 1)]
    some = some[np.isfinite(some)]
    return float(np.quantile(some, _WARM)) if some.size else math.nan
