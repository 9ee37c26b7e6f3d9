"""The border of units: what people type with a unit becomes SI here, and nowhere else in `lims`.

`of` is a dimension (`length`, `mass`) or a quantity's key (`gap`) of `analysis`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal

from analysis import units
from analysis.errors import UnitError
from analysis.quantities import QUANTITIES, Quantity
from lims.core.display import pretty_unit
from lims.core.errors import Invalid

MICROGRAM = Decimal("1e-9")  # [kg], the last digit a mass is stored to
MASS_UNITS = (("g", "g"), ("kg", "kg"), ("mg", "mg"))


@dataclass(frozen=True, slots=True)
class AsEntered:
    """A value in SI, and the text it was entered as."""

    value: float
    text: str


def to_si(value: float, *, unit: str, of: str, field: str = "value") -> float:
    """`value` in `unit` as SI; Invalid names the field and the unit that was expected."""
    if not math.isfinite(value):
        raise Invalid("A number is expected here.", fields={field: ["Write a number."]})
    try:
        return float(units.to_si(float(value), unit, of))
    except UnitError as error:
        raise Invalid(f"Unit: {error.message}.", code="bad-unit", fields={field: [f"{error.message}."]}) from error


def from_si(value: float, *, unit: str, of: str) -> float:
    """An SI value in `unit`."""
    return float(units.from_si(float(value), unit, of))


def spread_to_si(spread: float, *, unit: str, of: str, field: str = "u") -> float:
    """A difference or an uncertainty in `unit` as SI: the factor alone, no offset."""
    zero = to_si(0.0, unit=unit, of=of, field=field)
    return to_si(spread, unit=unit, of=of, field=field) - zero


def spread_from_si(spread: float, *, unit: str, of: str) -> float:
    """A difference or an uncertainty of SI in `unit`."""
    return float(spread) / (to_si(1.0, unit=unit, of=of) - to_si(0.0, unit=unit, of=of))


def as_entered(value: float, *, unit: str, of: str, field: str = "value") -> AsEntered:
    """`value` in `unit` as SI, with the words it was entered in."""
    return AsEntered(to_si(value, unit=unit, of=of, field=field), f"{value:g} {unit}".strip())


def mass_in_kg(value: Decimal | float | str, *, unit: str, field: str = "mass") -> Decimal:
    """A mass in kg, exact in its decimals: 250.0 g is Decimal('0.2500'), never a binary fraction."""
    number = Decimal(str(value))
    if not number.is_finite():
        raise Invalid("A mass is expected here.", fields={field: ["Write a number."]})
    return (number * _kilograms(unit, field)).quantize(MICROGRAM)


def _kilograms(unit: str, field: str = "mass") -> Decimal:
    """One `unit` in kg; the shortest decimal of the factor is the exact one for every metric unit."""
    return Decimal(repr(to_si(1.0, unit=unit, of="mass", field=field)))


def to_microgram(kilograms: Decimal) -> Decimal:
    """A mass in kg rounded to the last digit that is stored."""
    return Decimal(kilograms).quantize(MICROGRAM)


def mass_in(kilograms: Decimal | float | None, unit: str = "g") -> Decimal | None:
    """A mass of the database in `unit`, exact."""
    return None if kilograms is None else Decimal(str(kilograms)) / _kilograms(unit)


def show_mass(kilograms: Decimal | float | None) -> str:
    """A mass as people read it, in the unit that suits its size: 250 g, 25 kg."""
    if kilograms is None:
        return ""
    size = abs(Decimal(str(kilograms)))
    unit = "kg" if size >= 1 else "g" if size >= _kilograms("g") or not size else "mg"
    number = mass_in(kilograms, unit) or Decimal(0)
    rounded = number.quantize(Decimal(1).scaleb(min(number.adjusted() - 5, 0))).normalize() if number else number
    return f"{rounded:f} {unit}"


def si_unit(of: str) -> str:
    """The SI unit of a dimension, or of a quantity by its key."""
    return units.si_unit(of)


def quantity(key: str) -> Quantity:
    """The entry of a quantity; Invalid for a key that there is none of."""
    if key not in QUANTITIES:
        raise Invalid(f"There is no quantity '{key}'.", code="unknown-quantity", fields={"quantity": ["Not known."]})
    return QUANTITIES[key]


def quantity_choices() -> list[tuple[str, str]]:
    """Every quantity for a form: key, and label with the unit it is shown in."""
    return [(q.key, f"{q.label} [{pretty_unit(q.shown) or '1'}]") for q in QUANTITIES.values()]
