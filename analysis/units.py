"""The only unit conversion, and the only importer of pint.

The laboratory's own units come from a fixed list, so that they mean the same for ever and load at once; pint reads the
rest, loaded when first needed. A temperature and a difference of temperatures are two dimensions: 1 degC is 274.15 K as
a temperature and 1 K as a difference. Offset units are converted by function, never by a factor alone.

Numbers: the factors are exact by definition (SI Brochure, 9th edition, tables 4 and 8; the pound-force per square inch
and the inch from the international inch and pound, NIST SP 811, appendix B.8).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal
from functools import lru_cache
from types import MappingProxyType
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import NDArray

from analysis.errors import UnitError, Where
from analysis.quantities import QUANTITIES

if TYPE_CHECKING:
    import pint

Values = TypeVar("Values", float, NDArray[np.float64])

DIMENSIONS: Mapping[str, str] = MappingProxyType(
    {
        "time": "s",
        "power": "W",
        "voltage": "V",
        "current": "A",
        "resistance": "ohm",
        "temperature": "K",
        "temperature_difference": "K",
        "temperature_rate": "K/s",
        "flow": "m^3/s",
        "length": "m",
        "area": "m^2",
        "volume": "m^3",
        "force": "N",
        "pressure": "Pa",
        "mass": "kg",
        "ratio": "1",
        "heat_flux": "W/m^2",
        "impedance": "m^2*K/W",
        "conductivity": "W/(m*K)",
        "conductance": "W/K",
        "expansion": "m/K",
        "compliance": "m/N",
        "density": "kg/m^3",
        "viscosity": "Pa*s",
        "kinematic_viscosity": "m^2/s",
        "rate": "1/s",
        "specific_surface": "m^2/kg",
        "heat_capacity": "J/(kg*K)",
        "specific_energy": "J/kg",
    }
)
"""Each dimension with its SI unit, the unit all values inside the analysis are in."""


@dataclass(frozen=True, slots=True)
class Conversion:
    """SI value = `factor` * value + `shift`; `shift` is zero but for absolute temperatures."""

    factor: float
    shift: float = 0.0

    def to_si(self, values: Values) -> Values:
        return values * self.factor + self.shift if self.shift else values * self.factor

    def from_si(self, values: Values) -> Values:
        return (values - self.shift) / self.factor if self.shift else values / self.factor


_ICE_POINT = 273.15  # [K]
_LABORATORY: Mapping[str, Mapping[str, float]] = {
    "time": {"s": 1.0, "ms": 1e-3, "min": 60.0, "h": 3600.0, "d": 86400.0, "day": 86400.0},
    "power": {"W": 1.0, "mW": 1e-3, "kW": 1e3},
    "voltage": {"V": 1.0, "mV": 1e-3, "uV": 1e-6},
    "current": {"A": 1.0, "mA": 1e-3},
    "resistance": {"Ω": 1.0, "ohm": 1.0, "mohm": 1e-3, "mΩ": 1e-3, "kΩ": 1e3},
    "temperature_difference": {"K": 1.0, "mK": 1e-3, "degC": 1.0, "degF": 5.0 / 9.0},
    "temperature_rate": {
        "K/s": 1.0,
        "K/min": 1.0 / 60.0,
        "K/h": 1.0 / 3600.0,
        "degC/s": 1.0,
        "degC/min": 1.0 / 60.0,
        "degC/h": 1.0 / 3600.0,
    },
    "flow": {"m^3/s": 1.0, "m^3/h": 1.0 / 3600.0, "L/s": 1e-3, "L/min": 1e-3 / 60.0, "L/h": 1e-3 / 3600.0}
    | {"mL/min": 1e-6 / 60.0, "mL/s": 1e-6},
    "length": {"m": 1.0, "cm": 1e-2, "mm": 1e-3, "um": 1e-6, "nm": 1e-9, "in": 0.0254, "mil": 2.54e-5},
    "area": {"m^2": 1.0, "cm^2": 1e-4, "mm^2": 1e-6, "in^2": 6.4516e-4},
    "volume": {"m^3": 1.0, "L": 1e-3, "mL": 1e-6, "cm^3": 1e-6, "mm^3": 1e-9},
    "force": {"N": 1.0, "mN": 1e-3, "kN": 1e3, "kgf": 9.80665, "lbf": 4.4482216152605},
    "pressure": {"Pa": 1.0, "kPa": 1e3, "MPa": 1e6, "bar": 1e5, "mbar": 1e2, "N/mm^2": 1e6, "N/cm^2": 1e4}
    | {"psi": 4.4482216152605 / 6.4516e-4},
    "mass": {"kg": 1.0, "g": 1e-3, "mg": 1e-6, "t": 1e3},
    "ratio": {"1": 1.0, "%": 1e-2, "ppm": 1e-6, "g/kg": 1e-3, "mg/kg": 1e-6, "kg/kg": 1.0},
    "heat_flux": {"W/m^2": 1.0, "W/cm^2": 1e4, "W/mm^2": 1e6, "kW/m^2": 1e3},
    "impedance": {"m^2*K/W": 1.0, "cm^2*K/W": 1e-4, "mm^2*K/W": 1e-6, "in^2*K/W": 6.4516e-4}
    | {"m^2*degC/W": 1.0, "cm^2*degC/W": 1e-4, "mm^2*degC/W": 1e-6},
    "conductivity": {"W/(m*K)": 1.0, "W/m/K": 1.0, "W/m*K^-1": 1.0, "mW/(m*K)": 1e-3, "W/(cm*K)": 1e2}
    | {"W/(m*degC)": 1.0},
    "conductance": {"W/K": 1.0, "mW/K": 1e-3, "W/degC": 1.0},
    "expansion": {"m/K": 1.0, "um/K": 1e-6, "nm/K": 1e-9, "mm/K": 1e-3, "um/degC": 1e-6},
    "compliance": {"m/N": 1.0, "um/N": 1e-6, "um/kN": 1e-9, "nm/N": 1e-9, "mm/kN": 1e-6},
    "density": {"kg/m^3": 1.0, "g/cm^3": 1e3, "g/mL": 1e3, "kg/L": 1e3},
    "viscosity": {"Pa*s": 1.0, "mPa*s": 1e-3, "P": 0.1, "cP": 1e-3},
    "kinematic_viscosity": {"m^2/s": 1.0, "mm^2/s": 1e-6, "St": 1e-4, "cSt": 1e-6},
    "rate": {"1/s": 1.0, "1/min": 1.0 / 60.0},
    "specific_surface": {"m^2/kg": 1.0, "m^2/g": 1e3},
    "specific_energy": {"J/kg": 1.0, "kJ/kg": 1e3},
    "heat_capacity": {"J/(kg*K)": 1.0, "J/kg/K": 1.0, "kJ/(kg*K)": 1e3, "J/(g*K)": 1e3},
}
_TEMPERATURES: Mapping[str, Conversion] = {
    "K": Conversion(1.0),
    "mK": Conversion(1e-3),
    "degC": Conversion(1.0, _ICE_POINT),
    "degF": Conversion(5.0 / 9.0, _ICE_POINT - 32.0 * 5.0 / 9.0),
}

# Other ways of writing a listed unit, after signs have been made plain. Whole units only: `C` is a coulomb elsewhere.
_ALIASES: Mapping[str, str] = {
    "C": "degC",
    "Cel": "degC",
    "celsius": "degC",
    "F": "degF",
    "micron": "um",
    "mm2": "mm^2",
    "cm2": "cm^2",
    "m2": "m^2",
    "sec": "s",
    "hr": "h",
    "l/min": "L/min",
    "l/h": "L/h",
    "l/s": "L/s",
    "ml/min": "mL/min",
    "lpm": "L/min",
    "ohm": "Ω",
    "Ohm": "Ω",
    "percent": "%",
    "wt%": "%",
    "vol%": "%",
    "[psi]": "psi",
    "[in_i]": "in",
    "[in_i]2*K/W": "in^2*K/W",
    "K*mm^2/W": "mm^2*K/W",
    "K*cm^2/W": "cm^2*K/W",
    "rpm": "1/min",
    "": "1",
}
_RAISED = str.maketrans("0123456789-", "⁰¹²³⁴⁵⁶⁷⁸⁹⁻")
_SIGNS = str.maketrans({"µ": "u", "μ": "u", "·": "*", "⋅": "*", "×": "*", "²": "^2", "³": "^3", "⁻": "^-", "¹": "1"})

# What a writer most likely meant by a unit that reads as something else.
_LIKELY: Mapping[str, tuple[str, str]] = {
    "W/mK": ("watt per millikelvin", "W/(m*K)"),
    "mW/mK": ("milliwatt per millikelvin", "mW/(m*K)"),
    "W/mC": ("watt per millicoulomb", "W/(m*K)"),
    "Kmm^2/W": ("an unknown unit", "mm^2*K/W"),
    "mm^2K/W": ("an unknown unit", "mm^2*K/W"),
    "K-mm^2/W": ("a difference of units", "mm^2*K/W"),
    "K/Wmm^2": ("an unknown unit", "mm^2*K/W"),
    "um/mK": ("micrometre per millikelvin", "um/(m*K)"),
    "phr": ("picohour", "%"),
}


def plain(unit: str) -> str:
    """A unit with its signs made plain: `mm²·K/W` is `mm^2*K/W`, `°C` is `degC`, `μm` is `um`."""
    text = unit.strip().replace("°C", "degC").replace("℃", "degC").replace("°F", "degF").replace("°", "deg")
    text = text.translate(_SIGNS).replace("**", "^").replace(" / ", "/").replace(" * ", "*")
    text = re.sub(r"(?<=[\w)])\s+(?=[\w(])", "*", text).replace(" ", "")
    text = re.sub(r"(?<=[\w)\]])\.(?=[A-Za-z(])", "*", text)  # UCUM writes W/(m.K)
    text = re.sub(r"(?<![\w])(mm|cm|m|in)([23])(?![\w])", r"\1^\2", text)
    return _ALIASES.get(text, text)


def pretty(unit: str) -> str:
    """A unit as it is printed: `mm^2*K/W` is mm²·K/W, `um` is µm, `degC` is °C; the number one has no sign."""
    if unit == "1":
        return ""
    text = re.sub(r"(?<![A-Za-z])um(?![A-Za-z])", "µm", unit).replace("degC", "°C").replace("ohm", "Ω")
    return re.sub(r"\^(-?\d+)", lambda match: match[1].translate(_RAISED), text).replace("*", "·")


def conversion(unit: str, dimension: str, *, where: Where | None = None) -> Conversion:
    """The conversion of `unit` to the SI unit of `dimension`; UnitError, at `where`, for an unknown or a wrong unit."""
    found = _find(unit, dimension)
    if isinstance(found, Conversion):
        return found
    raise UnitError(found, where=where)


def to_si(values: Values, unit: str, dimension: str, *, where: Where | None = None) -> Values:
    """`values` in `unit` as values in the SI unit of `dimension` (a key of DIMENSIONS or of QUANTITIES)."""
    return conversion(unit, dimension, where=where).to_si(values)


def from_si(values: Values, unit: str, dimension: str, *, where: Where | None = None) -> Values:
    """`values` in the SI unit of `dimension` (a key of DIMENSIONS or of QUANTITIES) as values in `unit`."""
    return conversion(unit, dimension, where=where).from_si(values)


def shown(value: float, quantity: str) -> float:
    """The SI `value` of a quantity in the unit it is shown in."""
    return from_si(value, QUANTITIES[quantity].shown, quantity)


def shown_difference(value: float, quantity: str) -> float:
    """A difference or an uncertainty of a quantity, SI `value`, in the unit it is shown in."""
    return value / conversion(QUANTITIES[quantity].shown, quantity).factor


_NUMBER = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*)", re.DOTALL)


def split_quantity(text: str, *, where: Where | None = None) -> tuple[float, str]:
    """`"0.08 W/K"` as the number and the unit's text; UnitError where it does not start with a number."""
    match = _NUMBER.fullmatch(text)
    if match is None:
        raise UnitError(f"'{text}' is not a number with a unit, such as '1.5 mm'", where=where)
    return float(match[1]), match[2].strip()


def parse_quantity(text: str, dimension: str, *, where: Where | None = None) -> float:
    """`"0.08 W/K"` as a float in the SI unit of `dimension`; UnitError names what is wrong.

    A bare number is refused unless the dimension is a ratio: a number without its unit is a guess.
    """
    value, unit = split_quantity(text, where=where)
    if not unit and _dimension(dimension) != "ratio":
        raise UnitError(f"'{text}' has no unit; write for example '{text.strip()} {si_unit(dimension)}'", where=where)
    return to_si(value, unit, dimension, where=where)


def si_unit(dimension: str) -> str:
    """The SI unit of a dimension, or of a quantity by its key."""
    return DIMENSIONS[_dimension(dimension)]


_DIGITS = 20  # beyond what a number holds; a value so far above its uncertainty is shown by itself


def format_measured(value: float, expanded: float) -> str:
    """`value` and its expanded uncertainty, both to two significant digits of the uncertainty (JCGM 100:2008, 7.2.6).

    >>> format_measured(12.3456, 0.0672)
    '12.346 ± 0.067'
    """
    if not math.isfinite(value):
        return "-"
    if not math.isfinite(expanded) or expanded <= 0.0:
        return f"{value:.6g}"
    rounded = _two_digits(expanded)
    return f"{_rounded_like(value, rounded)} ± {_plain_text(rounded)}"


def _two_digits(expanded: float) -> Decimal:
    """`expanded` to two significant digits; 0.0996 gives 0.10, two digits again after rounding up."""
    exact = Decimal(repr(float(expanded)))
    rounded = exact.quantize(Decimal(1).scaleb(exact.adjusted() - 1), rounding=ROUND_HALF_EVEN)
    return rounded.quantize(Decimal(1).scaleb(rounded.adjusted() - 1), rounding=ROUND_HALF_EVEN)


def _rounded_like(value: float, pattern: Decimal) -> str:
    exponent = pattern.as_tuple().exponent
    exact = Decimal(repr(float(value)))
    if exact.adjusted() - int(exponent) > _DIGITS:
        return f"{value:.6g}"
    return _plain_text(exact.quantize(Decimal(1).scaleb(int(exponent)), rounding=ROUND_HALF_EVEN))


def _plain_text(number: Decimal) -> str:
    """A decimal without an exponent: 1.2E+3 as 1200; no negative zero."""
    return f"{number + 0:f}" if number else f"{abs(number):f}"


def _dimension(key: str) -> str:
    return key if key in DIMENSIONS else QUANTITIES[key].dimension


@lru_cache(maxsize=4096)
def _find(unit: str, key: str) -> Conversion | str:
    """The conversion, or the sentence that says why there is none (an error is cached like a success)."""
    dimension = _dimension(key)
    text = plain(unit)
    listed = _listed(text, dimension)
    if listed is not None:
        return listed
    return _by_pint(unit, text, dimension)


def _listed(text: str, dimension: str) -> Conversion | None:
    if dimension == "temperature":
        return _TEMPERATURES.get(text)
    factor = _LABORATORY.get(dimension, {}).get(text)
    return None if factor is None else Conversion(factor)


# Products and quotients of names with an exponent of one digit. pint would evaluate any arithmetic it is given,
# and `m^9^9^9` in a header would keep it busy for ever.
_NAME = r"[^\W\d][\w%]{0,39}|%"
_GRAMMAR = re.compile(rf"(?:1/)?(?:{_NAME})(?:\^-?\d)?(?:[*/](?:{_NAME})(?:\^-?\d)?){{0,7}}")


def _by_pint(unit: str, text: str, dimension: str) -> Conversion | str:
    """What pint makes of a unit that is not in the laboratory's list."""
    likely = _likely(unit, text)
    if likely:
        return likely
    if not unit.strip():
        return f"no unit is given; expected a unit of {_name(dimension)}, such as {example_unit(dimension)}"
    parsed = _parsed(text, absolute=dimension == "temperature")
    if parsed is None:
        return f"unit '{unit}' is unknown; expected a unit of {_name(dimension)}, such as {example_unit(dimension)}"
    if parsed.dimensionality != _registry().parse_units(DIMENSIONS[dimension]).dimensionality:
        return _wrong_dimension(unit, dimension)
    return _measure(parsed, dimension)


def _parsed(text: str, *, absolute: bool) -> pint.Unit | None:
    """pint's unit, or None for a text that is no unit."""
    if _GRAMMAR.fullmatch(re.sub(r"[()]", "", text)) is None:
        return None
    try:
        return _registry().parse_units(text, as_delta=not absolute)
    except Exception:  # noqa: BLE001 - pint raises whatever its parser runs into: this text is no unit
        return None


def _measure(parsed: pint.Unit, dimension: str) -> Conversion | str:
    """A parsed unit as factor and shift, found by converting 0 and 1 by pint's own functions."""
    import pint

    registry = _registry()
    si = DIMENSIONS[dimension]
    try:
        zero = float(registry.Quantity(0.0, parsed).to(si).magnitude)
        one = float(registry.Quantity(1.0, parsed).to(si).magnitude)
    except (pint.PintError, ValueError, ArithmeticError):
        return f"unit '{parsed}' is not a unit of {_name(dimension)} that can be converted"
    if zero == 0.0 or dimension == "temperature":
        return Conversion(one - zero, zero)
    return f"unit '{parsed}' has an offset and cannot be used for {_name(dimension)}"


def _likely(unit: str, text: str) -> str:
    """The sentence for a unit that is commonly written wrong, "" for any other."""
    meant = _LIKELY.get(text)
    if meant is None:
        return ""
    return f"unit '{unit}' reads as {meant[0]}; did you mean {meant[1]}?"


def _wrong_dimension(unit: str, dimension: str) -> str:
    text = plain(unit)
    for other in DIMENSIONS:
        if _listed(text, other) is not None:
            return (
                f"'{unit}' is a unit of {_name(other)}; expected {_name(dimension)}, such as {example_unit(dimension)}"
            )
    return f"'{unit}' is not a unit of {_name(dimension)}; expected one such as {example_unit(dimension)}"


def _name(dimension: str) -> str:
    return dimension.replace("_", " ")


def example_unit(dimension: str) -> str:
    """A unit of a dimension that people are used to."""
    shown_units = [entry.shown for entry in QUANTITIES.values() if entry.dimension == dimension]
    return shown_units[0] if shown_units else DIMENSIONS[dimension]


@lru_cache(maxsize=1)
def _registry() -> pint.UnitRegistry[float]:
    """pint's registry, made once, when a unit outside the list first turns up (it costs a third of a second)."""
    import pint

    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
