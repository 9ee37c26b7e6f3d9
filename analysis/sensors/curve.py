"""A sensor's published curve: signal against temperature, its slope, and the way back."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from analysis.errors import OutOfRange
from analysis.results import Array
from analysis.units import from_si, shown, to_si

_NODES = 4001  # of the table the way back starts from
_STEPS = 3  # of Newton's rule from there: the table alone is within a few millikelvin
_ROUNDING = 1e-9  # of the range: a reading this far outside is taken for its end

Function = Callable[[Array], Array]


@dataclass(frozen=True)
class Curve:
    """A rising curve of a sensor: `function` and `derivative` of degrees Celsius, in `unit` and `unit` per kelvin.

    `lowest` and `highest` [degC] bound the range in which the curve is used both ways; `dimension` is that of the
    signal; `tolerances` the limits of error by class, as (constant [K], share of the degrees Celsius away from zero).
    """

    name: str
    dimension: str
    unit: str
    lowest: float
    highest: float
    function: Function
    derivative: Function
    tolerances: dict[str, Callable[[float], float]]

    def signal(self, temperature: ArrayLike) -> Array:
        """The signal in SI (ohm, V) at `temperature` [K], scalar or any shape; nan stays nan; OutOfRange outside."""
        celsius = self._checked(np.asarray(from_si(np.asarray(temperature, dtype=np.float64), "degC", "temperature")))
        return np.asarray(to_si(self.function(celsius), self.unit, self.dimension))

    def sensitivity(self, temperature: ArrayLike) -> Array:
        """Change of the signal in SI per kelvin at `temperature` [K]; OutOfRange outside."""
        celsius = self._checked(np.asarray(from_si(np.asarray(temperature, dtype=np.float64), "degC", "temperature")))
        return np.asarray(to_si(self.derivative(celsius), self.unit, self.dimension))

    def temperature(self, signal: ArrayLike) -> Array:
        """Temperature [K] at `signal` in SI (ohm, V), scalar or any shape; nan stays nan; OutOfRange outside."""
        given = np.asarray(signal, dtype=np.float64)
        found = self.temperature_or_nan(given)
        wrong = np.isnan(found) & ~np.isnan(given)
        if wrong.any():
            value = float(np.atleast_1d(given)[np.atleast_1d(wrong)][0])
            low, high = self._ends
            raise OutOfRange(
                f"{self.name} gives {low:.6g} to {high:.6g} {self.unit} from {self.lowest:g} to {self.highest:g} degC; "
                f"{float(from_si(value, self.unit, self.dimension)):.6g} {self.unit} is outside"
            )
        return found

    def temperature_or_nan(self, signal: ArrayLike) -> Array:
        """As `temperature`, with nan for a signal outside the range: a broken wire, an open input."""
        given = np.asarray(from_si(np.asarray(signal, dtype=np.float64), self.unit, self.dimension))
        low, high = self._ends
        slack = _ROUNDING * (high - low)
        with np.errstate(invalid="ignore"):
            inside = np.where((given >= low - slack) & (given <= high + slack), given, np.nan)
        celsius = np.interp(inside, self._table[1], self._table[0])
        for _ in range(_STEPS):
            celsius = np.clip(
                celsius - (self.function(celsius) - inside) / self.derivative(celsius), self.lowest, self.highest
            )
        return np.asarray(to_si(celsius, "degC", "temperature"))

    def limit_of_error(self, temperature: float, tolerance_class: str) -> float:
        """The limit of error [K] of a sensor of a class at `temperature` [K]; OutOfRange for an unknown class."""
        if tolerance_class not in self.tolerances:
            known = ", ".join(self.tolerances)
            raise OutOfRange(f"'{tolerance_class}' is no tolerance class of a {self.name}; known: {known}")
        return self.tolerances[tolerance_class](abs(shown(temperature, "temperature")))

    @cached_property
    def _table(self) -> tuple[Array, Array]:
        celsius = np.linspace(self.lowest, self.highest, _NODES)
        return celsius, self.function(celsius)

    @property
    def _ends(self) -> tuple[float, float]:
        return float(self._table[1][0]), float(self._table[1][-1])

    def _checked(self, celsius: Array) -> Array:
        slack = _ROUNDING * (self.highest - self.lowest)
        wrong = (celsius < self.lowest - slack) | (celsius > self.highest + slack)
        if wrong.any():
            value = float(np.atleast_1d(celsius)[np.atleast_1d(wrong)][0])
            raise OutOfRange(
                f"{self.name} is used from {self.lowest:g} to {self.highest:g} degC; {value:.6g} degC is outside"
            )
        return celsius
