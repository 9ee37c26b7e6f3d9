"""Masses as people read them: kept in kg, shown in the unit that suits their size."""

from __future__ import annotations

from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal
from typing import Any

from django import template
from django.utils.html import format_html
from django.utils.safestring import SafeString

from lims.core.quantities import mass_in, show_mass

register = template.Library()
MILLIGRAM = Decimal("0.001")  # finer than this nobody reads at a mixing bench


@register.filter
def mass(kilograms: Any) -> SafeString | str:
    """A mass in kg as 250 g or 25 kg; every digit on hover."""
    if kilograms is None or kilograms == "":
        return SafeString('<span class="none">none</span>')
    number, _, unit = show_mass(kilograms).rpartition(" ")
    full = f"{Decimal(str(kilograms)).normalize():f} kg"
    return format_html(
        '<span class="quantity" title="{}">{}<span class="unit"> {}</span></span>',
        full,
        number.replace("-", "\u2212"),
        unit,
    )


@register.filter
def grams(kilograms: Any) -> str:
    """A mass in kg as a plain number of grams, every digit, for fields and for the bench."""
    return "" if kilograms is None else f"{(mass_in(kilograms, 'g') or Decimal(0)).normalize():f}"


@register.filter
def least_grams(kilograms: Any) -> str:
    """The lower end of an allowed range in g, to a milligram inside the range."""
    return _to_a_milligram(kilograms, ROUND_CEILING)


@register.filter
def most_grams(kilograms: Any) -> str:
    """The upper end of an allowed range in g, or a tolerance, to a milligram inside the range."""
    return _to_a_milligram(kilograms, ROUND_FLOOR)


def _to_a_milligram(kilograms: Any, rounding: str) -> str:
    in_grams = mass_in(kilograms, "g") or Decimal(0)
    rounded = in_grams.quantize(MILLIGRAM, rounding=rounding)
    # a range narrower than a milligram keeps every digit
    return f"{(rounded if rounded and abs(in_grams) >= MILLIGRAM * 10 else in_grams).normalize():f}"


@register.filter
def plain(number: Any) -> str:
    """A decimal number without needless zeros: 0.600000 is 0.6."""
    return "" if number is None else f"{Decimal(str(number)).normalize():f}".replace("-", "\u2212")
