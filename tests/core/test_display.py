"""How numbers and units are written. Published: JCGM 100:2008 (GUM), the examples of 7.2.2 to 7.2.6."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest

from analysis.results import Measured
from lims.core.display import MINUS, pretty_unit, show_figure, show_number


def test_the_gum_example_of_a_resistor_is_rounded_as_the_gum_rounds_it() -> None:
    # GUM 7.2.6: y = 10,057 62 ohm with u = 27 mohm is given as 10,058 ohm
    shown = show_figure({"value": 10.05762, "unit": "ohm", "U95": 0.027})
    assert (shown.value, shown.expanded, shown.unit) == ("10.058", "0.027", "Ω")


def test_the_gum_example_of_a_mass_is_written_as_the_gum_writes_it() -> None:
    # GUM 7.2.4: m = (100,021 47 +- 0,000 79) g, k = 2,26 from nine degrees of freedom; u = 0,35 mg (7.2.2)
    shown = show_figure({"value": 100.02147, "unit": "g", "u": 0.00035, "k": 2.26, "dof": 9})
    assert (shown.value, shown.expanded) == ("100.02147", "0.00079")
    assert "k = 2.26, 9 degrees of freedom" in shown.full


@pytest.mark.parametrize(
    ("value", "expanded", "written"),
    [
        (12.3456, 0.0996, ("12.35", "0.10")),  # two digits again after rounding up
        (12345.6, 234.0, ("12\u202f350", "230")),
        (-0.0456, 0.012, (MINUS + "0.046", "0.012")),
        (0.0, 0.5, ("0.00", "0.50")),
        (0.04, 1.5, ("0.0", "1.5")),
        (3.2e-8, 1.1e-9, ("3.20 × 10⁻⁸", "1.1 × 10⁻⁹")),
    ],
)
def test_a_figure_is_rounded_to_two_digits_of_its_expanded_uncertainty(value, expanded, written) -> None:
    shown = show_figure({"value": value, "unit": "um", "U95": expanded})
    assert (shown.value, shown.expanded) == written


def test_a_measured_value_brings_its_own_coverage_factor() -> None:
    # JCGM 100:2008, table G.2: t = 2,23 for 95 % and ten degrees of freedom
    shown = show_figure(Measured(value=5.0, u=0.1, dof=10))
    assert (shown.value, shown.expanded) == ("5.00", "0.22")


@pytest.mark.parametrize("nothing", [None, math.nan])
def test_a_figure_without_a_value_is_blank(nothing) -> None:
    assert show_figure({"value": nothing, "u": 0.1}).value == ""


def test_a_figure_without_uncertainty_shows_none() -> None:
    shown = show_figure({"value": 3.87654, "unit": "W/(m*K)"})
    assert (shown.value, shown.expanded, shown.full) == ("3.877", "", "3.87654 W/(m·K)")


@pytest.mark.parametrize(
    ("unit", "written"),
    [
        ("mm^2*K/W", "mm²·K/W"),
        ("m**2*K/W", "m²·K/W"),
        ("um", "µm"),
        ("um/K", "µm/K"),
        ("degC", "°C"),
        ("W/(m*K)", "W/(m·K)"),
        ("s^-1", "s⁻¹"),
        ("1", ""),
        ("", ""),
        ("%", "%"),
        ("number", "number"),
    ],
)
def test_a_unit_is_written_with_its_signs(unit: str, written: str) -> None:
    assert pretty_unit(unit) == written


@pytest.mark.parametrize(
    ("value", "digits", "written"),
    [
        (45.3, 4, "45.3"),
        (25.0, 4, "25"),
        (Decimal("25.00"), 4, "25.00"),
        (Decimal("0.00"), 4, "0.00"),
        (Decimal("1.234567"), 4, "1.235"),
        (1234567.0, 4, "1\u202f235\u202f000"),
        (200.0, 1, "200"),
        (0.00012345, 3, "0.000123"),
        (-0.5, 4, MINUS + "0.5"),
        (0, 4, "0"),
        (None, 4, ""),
    ],
)
def test_a_number_without_uncertainty_shows_no_more_digits_than_are_known(value, digits, written) -> None:
    assert show_number(value, digits=digits) == written


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_what_is_no_number_is_blank(value: float) -> None:
    assert show_number(value) == ""
