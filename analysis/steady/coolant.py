"""The liquid that carries the heat away: water, or a mixture of water and a glycol, at 101.325 kPa.

The properties of mixtures are those of CoolProp's incompressible fluids, which is loaded when a setup first names one.
[1] Two tables of such properties differ: for ethylene glycol by 0.8 % in density and 1.7 % in heat capacity (root mean
square, 15 % to 55 % by mass, 5 degC to 90 degC; CoolProp's MEG against AEG), for propylene glycol by 0.5 % and 1.3 %
(MPG against APG and MPG2). Each table's standard uncertainty is taken as its share of that, difference / sqrt(2).

1. A. Melinder, Properties of secondary working fluids for indirect systems, IIR (2010), as CoolProp gives it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache
from types import MappingProxyType
from typing import Any, Protocol

from analysis.errors import OutOfRange
from analysis.steady import water
from analysis.units import shown, to_si

ATMOSPHERE = to_si(101.325, "kPa", "pressure")
ROOM = 300.0  # [K] at which the library is asked for the freezing point, which does not depend on it
_STEP = 0.5  # [K] to either side for the slope of the density
_SHARE_STEP = 0.005  # of the mass, to either side
_SHARE_U = 0.01  # of the mass: standard uncertainty of a share as read off a refractometer; common practice, no source


class Coolant(Protocol):
    """A liquid: property and derivative by temperature [K]; relative standard uncertainties of its properties."""

    u_density: float
    u_heat_capacity: float

    def is_liquid(self, temperature: float) -> bool: ...

    def density(self, temperature: float) -> tuple[float, float]: ...

    def enthalpy(self, temperature: float) -> tuple[float, float]: ...


class Water:
    """Pure water, known far better than anything else on a rig."""

    u_density = 0.0
    u_heat_capacity = 0.0

    def is_liquid(self, temperature: float) -> bool:
        return water.is_liquid(temperature)

    def density(self, temperature: float) -> tuple[float, float]:
        return water.density(temperature)

    def enthalpy(self, temperature: float) -> tuple[float, float]:
        return water.enthalpy(temperature)


@dataclass(frozen=True, slots=True)
class Glycol:
    """A glycol: its key in CoolProp, the shares of mass its table covers, and how well the table is known."""

    key: str
    lowest: float
    highest: float
    u_density: float
    u_heat_capacity: float


GLYCOLS: Mapping[str, Glycol] = MappingProxyType(
    {
        "ethylene glycol": Glycol("MEG", 0.0, 0.6, u_density=0.006, u_heat_capacity=0.012),
        "propylene glycol": Glycol("MPG", 0.0, 0.6, u_density=0.0035, u_heat_capacity=0.009),
    }
)
"""The glycols a mixture may hold, by name."""

WATER = "water"
_MIXTURE = re.compile(r"(?P<name>[a-z ]+?)\s+(?P<share>\d+(?:\.\d+)?)\s*%")


@dataclass(frozen=True)
class Mixture:
    """Water with `share` (of the mass) of a glycol, `u_share` its standard uncertainty."""

    name: str
    share: float
    u_share: float = _SHARE_U

    @property
    def glycol(self) -> Glycol:
        return GLYCOLS[self.name]

    @property
    def u_density(self) -> float:
        return self.glycol.u_density

    @property
    def u_heat_capacity(self) -> float:
        return self.glycol.u_heat_capacity

    @cached_property
    def range(self) -> tuple[float, float]:
        """Freezing point and highest temperature [K] of the table."""
        fluid = self._fluid()
        library = _library()
        freezing = float(library.PropsSI("T_freeze", "T", ROOM, "P", ATMOSPHERE, fluid))
        return freezing, float(library.PropsSI("Tmax", fluid))

    def is_liquid(self, temperature: float) -> bool:
        """Whether `temperature` [K] lies between the freezing point and the end of the table."""
        lowest, highest = self.range
        return lowest <= temperature <= highest

    def density(self, temperature: float) -> tuple[float, float]:
        """Density [kg/m^3] at `temperature` [K] and its derivative [kg/(m^3 K)]; OutOfRange outside the table."""
        low, high = self._around(temperature)
        slope = (self._property("D", high) - self._property("D", low)) / (high - low)
        return self._property("D", temperature), slope

    def enthalpy(self, temperature: float) -> tuple[float, float]:
        """Specific enthalpy [J/kg] at `temperature` [K] and the heat capacity [J/(kg K)]; OutOfRange outside."""
        self._around(temperature)
        return self._property("H", temperature), self._property("C", temperature)

    def by_share(self, cool: float, warm: float) -> float:
        """Relative change of density times enthalpy rise from `cool` to `warm` [K], per unit of the share."""
        low = max(self.share - _SHARE_STEP, self.glycol.lowest)
        high = min(self.share + _SHARE_STEP, self.glycol.highest)
        carried = [
            one.density(cool)[0] * (one.enthalpy(warm)[0] - one.enthalpy(cool)[0])
            for one in (Mixture(self.name, low), Mixture(self.name, high))
        ]
        middle = 0.5 * (carried[0] + carried[1])
        return (carried[1] - carried[0]) / middle / (high - low) if middle else 0.0

    def _around(self, temperature: float) -> tuple[float, float]:
        lowest, highest = self.range
        if not self.is_liquid(temperature):
            low, high = (shown(end, "temperature") for end in (lowest, highest))
            raise OutOfRange(
                f"{self.name} with {100 * self.share:g} % of the mass is tabled from {low:.1f} to {high:.1f} degC; "
                f"{shown(temperature, 'temperature'):.2f} degC is outside"
            )
        return max(temperature - _STEP, lowest), min(temperature + _STEP, highest)

    def _property(self, what: str, temperature: float) -> float:
        return float(_library().PropsSI(what, "T", temperature, "P", ATMOSPHERE, self._fluid()))

    def _fluid(self) -> str:
        return f"INCOMP::{self.glycol.key}[{self.share!r}]"


@lru_cache(maxsize=64)
def coolant_of(text: str, u_share: float | None = None) -> Water | Mixture:
    """The coolant that a setup names: `"water"`, or a mixture such as `"ethylene glycol 30 %"` (of the mass).

    Raises OutOfRange for a liquid that is not known and for a share outside its table.
    """
    if text.strip().lower() == WATER:
        return Water()
    match = _MIXTURE.fullmatch(text.strip().lower())
    if match is None or match["name"] not in GLYCOLS:
        known = " or ".join(f"'{name} 30 %'" for name in GLYCOLS)
        raise OutOfRange(f"'{text}' is not a known coolant; expected 'water', or of the mass {known}")
    name, share = match["name"], float(match["share"]) / 100.0
    glycol = GLYCOLS[name]
    if not glycol.lowest <= share <= glycol.highest:
        raise OutOfRange(
            f"{name} is tabled from {100 * glycol.lowest:g} % to {100 * glycol.highest:g} % of the mass; "
            f"{100 * share:g} % is outside"
        )
    return Mixture(name, share, _SHARE_U if u_share is None else u_share)


@lru_cache(maxsize=1)
def _library() -> Any:
    """CoolProp, which takes seconds to load: only for a rig that needs it."""
    from CoolProp import CoolProp as library  # noqa: N813 - a module

    return library
