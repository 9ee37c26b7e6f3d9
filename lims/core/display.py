"""How numbers, units, codes and times are written for people: the same on every page, report and label.

A figure is rounded to its uncertainty: two significant digits of the expanded uncertainty (JCGM 100:2008, 7.2.6), the
value to the same place. Minus is U+2212, thousands are parted by a narrow space from five digits on.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

NARROW = "\u202f"
MINUS = "\u2212"
SUPERSCRIPT = str.maketrans("0123456789-", "⁰¹²³⁴⁵⁶⁷⁸⁹⁻")
PLAIN_UNIT = re.compile(r"mm\^2\*K/W|W/\(m\*K\)|W/cm\^2|(?<![A-Za-z])um(?![A-Za-z])|degC")
UNIT_SIGNS = (("**", "^"), ("um", "µm"), ("degC", "°C"), ("delta_", ""), ("ohm", "Ω"), ("*", "·"))


@dataclass(frozen=True, slots=True)
class Shown:
    """A figure as people read it; `full` carries all digits for the title and for exports."""

    value: str
    expanded: str = ""
    unit: str = ""
    full: str = ""


def pretty_unit(unit: str) -> str:
    """A unit as printed: `mm^2*K/W` becomes mm²·K/W, `um` µm, `degC` °C. The number one has no sign."""
    if unit in ("", "1", "dimensionless"):
        return ""
    if unit in ("percent", "pct"):
        return "%"
    for plain, sign in UNIT_SIGNS:
        if plain == "um" and not _stands_alone(unit, "um"):
            continue
        unit = unit.replace(plain, sign)
    parts = unit.split("^")
    return parts[0] + "".join(_raised(part) for part in parts[1:])


def pretty_units(sentence: str) -> str:
    """A sentence of the analysis with its units as printed: mm²·K/W, µm."""
    return PLAIN_UNIT.sub(lambda found: pretty_unit(found[0]), sentence)


def _stands_alone(unit: str, name: str) -> bool:
    place = unit.find(name)
    return place >= 0 and (place == 0 or not unit[place - 1].isalpha())


def _raised(part: str) -> str:
    """The digits at the start of `part` as superscript, the rest as it is."""
    end = 1 if part.startswith("-") else 0
    while end < len(part) and part[end].isdigit():
        end += 1
    return part[:end].translate(SUPERSCRIPT) + part[end:]


def show_number(value: float | Decimal | None, *, digits: int = 4) -> str:
    """A number without uncertainty, to at most `digits` significant digits; "" for none or nan.

    A Decimal keeps the zeros it was typed with (25.00); a float says nothing about its zeros and shows none (25).
    """
    if value is None or not math.isfinite(value):
        return ""
    exact = value if isinstance(value, Decimal) else Decimal(repr(float(value))).normalize()
    own = -int(exact.as_tuple().exponent)
    places = own if not exact else min(own, digits - 1 - exact.adjusted())
    return _written(exact, places)


def show_figure(figure: Any) -> Shown:
    """A figure (mapping or object with value, u, and unit, k, U95, dof where known) rounded to its uncertainty."""
    value, u = _number(figure, "value"), _number(figure, "u")
    if value is None:
        return Shown("")
    unit = pretty_unit(str(_part(figure, "unit") or ""))
    k = _number(figure, "k")
    expanded = _expanded(figure, u, k)
    if expanded is None or expanded <= 0:
        return Shown(show_number(value), unit=unit, full=f"{value!r} {unit}".strip())
    places = 1 - _exponent(float(f"{expanded:.1e}"))
    return Shown(
        _written(Decimal(repr(value)), places),
        _written(Decimal(repr(expanded)), places),
        unit,
        _in_full(figure, value=value, expanded=expanded, unit=unit, k=k),
    )


def _expanded(figure: Any, u: float | None, k: float | None) -> float | None:
    """Expanded uncertainty: as given (U95, expanded), else k times u, else twice u."""
    given = _number(figure, "U95") or _number(figure, "expanded")
    if given is not None:
        return given
    return None if u is None else (k or 2.0) * u


def _in_full(figure: Any, *, value: float, expanded: float, unit: str, k: float | None) -> str:
    text = f"{value!r} ± {expanded:.4g} {unit}".strip() + " at 95 %"
    if k is not None:
        text += f", k = {k:.2f}"
    dof = _number(figure, "dof")
    return text + (f", {dof:.0f} degrees of freedom" if dof is not None and math.isfinite(dof) else "")


def _part(figure: Any, name: str) -> Any:
    return figure.get(name) if isinstance(figure, Mapping) else getattr(figure, name, None)


def _number(figure: Any, name: str) -> float | None:
    part = _part(figure, name)
    if part is None or isinstance(part, str) or math.isnan(float(part)):
        return None
    return float(part)


def _exponent(value: float) -> int:
    return math.floor(math.log10(abs(value)))


def _written(value: Decimal, places: int) -> str:
    """`value` rounded to `places` decimals (negative: tens, hundreds), far from one as a power of ten."""
    rounded = value.quantize(Decimal(1).scaleb(-places))
    if rounded and (rounded.adjusted() < -4 or rounded.adjusted() > 6):
        power = rounded.adjusted()
        mantissa = f"{rounded.scaleb(-power):.{max(places + power, 0)}f}"
        return f"{mantissa} × 10{str(power).translate(SUPERSCRIPT)}".replace("-", MINUS)
    return _grouped(f"{rounded:.{max(places, 0)}f}").replace("-", MINUS)


def _grouped(text: str) -> str:
    whole, point, rest = text.partition(".")
    if len(whole.lstrip("-")) > 4:
        whole = f"{int(whole):,}".replace(",", NARROW)
    return whole + point + rest
