"""From what a form was given to SI, and back for what a form shows."""

from __future__ import annotations

from decimal import Decimal

from lims.core.quantities import from_si, spread_from_si, spread_to_si, to_si


def si(value: Decimal | None, *, unit: str, of: str) -> float | None:
    """A form's number in `unit` as SI; none stays none."""
    return None if value is None else to_si(float(value), unit=unit, of=of, field=of)


def si_spread(value: Decimal | None, *, unit: str, of: str) -> float | None:
    """A difference or an uncertainty in `unit` as SI."""
    return None if value is None else spread_to_si(float(value), unit=unit, of=of)


def shown(value: float | None, *, unit: str, of: str) -> str:
    """An SI value as a form shows it in `unit`."""
    return "" if value is None else f"{from_si(value, unit=unit, of=of):.10g}"


def shown_spread(value: float | None, *, unit: str, of: str) -> str:
    """A difference or an uncertainty of SI as a form shows it in `unit`."""
    return "" if value is None else f"{spread_from_si(value, unit=unit, of=of):.10g}"
