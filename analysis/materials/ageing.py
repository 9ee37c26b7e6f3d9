"""How much faster a harder condition ages: acceleration factors, each with the limits it was found in.

The exponents usually quoted belong to other parts (solder joints, moulded packages). For pastes and pads they are
hypotheses until a laboratory has fitted its own; a factor never carries past the mechanism that was tested (pump-out,
dry-out, cracking, reaction of a metal). Every factor is life in use over life in test: above 1 the test is the harder.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.errors import OutOfRange

BOLTZMANN_EV = 1.380649e-23 / 1.602176634e-19  # [eV/K]; both exact by the SI of 2019 (SI Brochure, 9th edition, 2.2)
ROOM_EV = (0.2, 2.0)  # [eV] activation energies met in practice; common practice, no source
_FURTHEST = 1000.0  # a factor above this is no prediction; common practice, no source


@dataclass(frozen=True, slots=True)
class Factor:
    """An acceleration factor (a plain number) and what must be said beside it."""

    value: float
    limits: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Cycling:
    """One condition of cycling: swing [K], cycles per second, highest temperature [K]."""

    swing: float
    frequency: float
    highest: float


def arrhenius_factor(energy: float, *, use: float, test: float) -> Factor:
    """Factor between two temperatures for one thermally activated process. [1]

    Parameters: `energy` activation energy [eV], `use` and `test` temperatures [K]. Raises OutOfRange for what is not
    above zero. Formula: exp(E / k (1 / T_use - 1 / T_test)).

    1. S. Arrhenius; JEP122 and JESD85 of JEDEC use it for electronics.
    """
    _positive("activation energy", energy)
    _positive("temperature of use", use)
    _positive("temperature of test", test)
    limits = [
        "one process with one activation energy between both temperatures; no melting or glass transition between"
    ]
    if not ROOM_EV[0] <= energy <= ROOM_EV[1]:
        limits.append(f"an activation energy of {energy:g} eV is unusual ({ROOM_EV[0]:g} to {ROOM_EV[1]:g} eV)")
    return _factor(energy / BOLTZMANN_EV * (1.0 / use - 1.0 / test), limits)


def peck_factor(energy: float, *, exponent: float, use: tuple[float, float], test: tuple[float, float]) -> Factor:
    """Factor between two climates for ageing by moisture and temperature. [1]

    Parameters: `energy` [eV], `exponent` of the humidity, `use` and `test` as (temperature [K], relative humidity
    0..1). Raises OutOfRange for a humidity outside 0..1 (bounds not included below). Formula: (RH_test / RH_use)^n
    times the Arrhenius factor.

    1. D. S. Peck, Comprehensive model for humidity testing correlation, IRPS (1986) 44.
    """
    for name, (_, humidity) in (("use", use), ("test", test)):
        if not 0.0 < humidity <= 1.0:
            raise OutOfRange(f"relative humidity of {name}: expected above 0 up to 1, found {humidity:g}")
    thermal = arrhenius_factor(energy, use=use[0], test=test[0])
    limits = [*thermal.limits, "no condensation and no drying out; the exponent was found on moulded packages"]
    return _factor(math.log(thermal.value) + exponent * math.log(test[1] / use[1]), limits)


def coffin_manson_factor(exponent: float, *, use: float, test: float) -> Factor:
    """Factor in cycles between two swings of temperature [K]. [1], [2] Formula: (swing_test / swing_use)^c.

    1. L. F. Coffin, Trans. ASME 76 (1954) 931.  2. S. S. Manson, NACA TN 2933 (1953).
    """
    _positive("swing of use", use)
    _positive("swing of test", test)
    _positive("exponent", exponent)
    return _factor(exponent * math.log(test / use), ["the same mechanism at both swings; dwell and ramp alike"])


def norris_landzberg_factor(
    *,
    use: Cycling,
    test: Cycling,
    swing_exponent: float = 1.9,
    frequency_exponent: float = 1.0 / 3.0,
    energy_over_k: float = 1414.0,
) -> Factor:
    """Factor in cycles between two conditions of thermal cycling. [1]

    Formula: (swing_test / swing_use)^n (f_use / f_test)^m exp(E/k (1 / T_use - 1 / T_test)). Life in cycles rises with
    frequency, for less creeps in each cycle: a fast test of a part that is used slowly has the smaller factor.
    Defaults are those of tin-lead solder; `energy_over_k` [K].

    1. K. C. Norris, A. H. Landzberg, IBM J. Res. Dev. 13 (1969) 266.
    """
    for name, one in (("use", use), ("test", test)):
        _positive(f"swing of {name}", one.swing)
        _positive(f"frequency of {name}", one.frequency)
        _positive(f"highest temperature of {name}", one.highest)
    log = swing_exponent * math.log(test.swing / use.swing)
    log += frequency_exponent * math.log(use.frequency / test.frequency)
    log += energy_over_k * (1.0 / use.highest - 1.0 / test.highest)
    limits = ["found on tin-lead solder joints; for pastes and pads the exponents are hypotheses until fitted"]
    return _factor(log, limits)


def fitted_exponent(lives: tuple[float, float], *, swings: tuple[float, float]) -> float:
    """The exponent of a laboratory's own two lives [cycles] at two swings [K]: -log(life ratio) / log(swing ratio)."""
    for name, pair in (("life", lives), ("swing", swings)):
        for value in pair:
            _positive(name, value)
    if swings[0] == swings[1]:
        raise OutOfRange("two different swings are needed")
    return -math.log(lives[1] / lives[0]) / math.log(swings[1] / swings[0])


def _positive(name: str, value: float) -> None:
    if not (math.isfinite(value) and value > 0.0):
        raise OutOfRange(f"{name}: expected a number above zero, found {value:g}")


def _factor(log: float, limits: list[str]) -> Factor:
    if abs(log) > math.log(_FURTHEST):
        limits = [*limits, f"a factor beyond {_FURTHEST:g} carries further than any test bears"]
    return Factor(math.exp(min(log, 700.0)), tuple(limits))
