"""Units against published conversion factors.

[1] NIST Special Publication 811 (2008), appendix B: factors for units in and out of use.
[2] BIPM, The International System of Units, 9th edition (2019): definitions, degree Celsius in 2.3.1.
[3] JCGM 100:2008, 7.2.6: an uncertainty is quoted to at most two significant digits.
"""

import contextlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.errors import UnitError, Where
from analysis.quantities import CHANNEL_QUANTITIES, QUANTITIES
from analysis.units import (
    DIMENSIONS,
    conversion,
    format_measured,
    from_si,
    parse_quantity,
    shown,
    shown_difference,
    to_si,
)


@pytest.mark.parametrize(
    ("value", "unit", "dimension", "si"),
    [
        (0.0, "degC", "temperature", 273.15),  # [2]
        (100.0, "°C", "temperature", 373.15),
        (25.0, "C", "temperature", 298.15),
        (32.0, "degF", "temperature", 273.15),  # [1]: t/degC = (t/degF - 32)/1.8
        (212.0, "degF", "temperature", 373.15),
        (-40.0, "°F", "temperature", 233.15),
        (491.67, "degR", "temperature", 273.15),  # [1], by pint
        (1.0, "degC", "temperature_difference", 1.0),
        (1.8, "degF", "temperature_difference", 1.0),
        (0.5, "K", "temperature_difference", 0.5),
        (1.0, "inch", "length", 0.0254),  # [1]
        (1.0, "mil", "length", 2.54e-5),
        (12.0, "um", "length", 12e-6),
        (12.0, "µm", "length", 12e-6),
        (12.0, "μm", "length", 12e-6),
        (1.0, "psi", "pressure", 6894.757),  # [1], seven digits
        (1.0, "bar", "pressure", 1e5),
        (1.0, "N/mm²", "pressure", 1e6),
        (1.0, "inHg", "pressure", 3386.389),  # [1], conventional
        (1.0, "kgf", "force", 9.80665),
        (1.0, "lbf", "force", 4.4482216152605),
        (1.0, "in^2", "area", 6.4516e-4),
        (1000.0, "mm2", "area", 1e-3),
        (1.0, "mm^2*K/W", "impedance", 1e-6),
        (1.0, "K*mm^2/W", "impedance", 1e-6),
        (1.0, "°C·cm²/W", "impedance", 1e-4),
        (1.0, "in²·K/W", "impedance", 6.4516e-4),
        (1.0, "W/(m·K)", "conductivity", 1.0),
        (1.0, "W m⁻¹ K⁻¹", "conductivity", 1.0),
        (1.0, "BTU/hour/ft/degF", "conductivity", 1.730735),  # [1], seven digits
        (1.0, "hp", "power", 745.6999),  # [1], 550 ft lbf/s
        (2.0, "L/min", "flow", 2e-3 / 60),
        (1.0, "gal/min", "flow", 6.309020e-5),  # [1]
        (0.05, "K/min", "temperature_rate", 0.05 / 60),
        (0.06, "um/K", "expansion", 6e-8),
        (8.0, "h", "time", 28800.0),
        (1.0, "cP", "viscosity", 1e-3),  # [1]
        (1.0, "g/cm3", "density", 1000.0),
        (3.0, "m2/g", "specific_surface", 3000.0),
        (2.0, "%", "ratio", 0.02),
        (500.0, "ppm", "ratio", 5e-4),
        (1.0, "cal/g/K", "heat_capacity", 4184.0),  # [1], thermochemical
    ],
)
def test_a_unit_is_converted_as_published(value, unit, dimension, si):
    assert to_si(value, unit, dimension) == pytest.approx(si, rel=3e-7)
    assert from_si(si, unit, dimension) == pytest.approx(value, rel=3e-7, abs=1e-9)


def test_arrays_are_converted_whole_and_nan_stays_nan():
    np.testing.assert_allclose(to_si(np.array([0.0, np.nan, 100.0]), "degC", "temperature"), [273.15, np.nan, 373.15])


# Codes of the Unified Code for Units of Measure (UCUM, case sensitive) that results are exchanged with.
@pytest.mark.parametrize(
    ("code", "dimension", "si"),
    [
        ("Cel", "temperature", 274.15),
        ("um", "length", 1e-6),
        ("mm2", "area", 1e-6),
        ("K.mm2/W", "impedance", 1e-6),
        ("K.cm2/W", "impedance", 1e-4),
        ("[in_i]2.K/W", "impedance", 6.4516e-4),
        ("W/(m.K)", "conductivity", 1.0),
        ("J/(kg.K)", "heat_capacity", 1.0),
        ("Pa.s", "viscosity", 1.0),
        ("[psi]", "pressure", 6894.757),
        ("%", "ratio", 0.01),
    ],
)
def test_a_code_for_exchange_is_read(code, dimension, si):
    assert to_si(1.0, code, dimension) == pytest.approx(si, rel=3e-7)


@pytest.mark.parametrize(
    ("unit", "meant"),
    [("W/mK", "watt per millikelvin; did you mean W/(m*K)?"), ("K-mm2/W", "did you mean mm^2*K/W?")],
)
def test_a_common_slip_is_refused_with_what_was_meant(unit, meant):
    dimension = "conductivity" if unit == "W/mK" else "impedance"
    with pytest.raises(UnitError, match="did you mean") as caught:
        to_si(1.0, unit, dimension)
    assert meant in caught.value.message


@pytest.mark.parametrize(
    ("unit", "dimension", "words"),
    [
        ("blub", "length", "'blub' is unknown"),
        ("", "length", "no unit is given"),
        ("psi", "force", "unit of pressure"),
        ("K", "length", "expected length"),
        ("g/min", "flow", "not a unit of flow"),
        ("K/W", "impedance", "not a unit of impedance"),
        ("dBm", "power", "offset"),
        ("m^9^9^9", "length", "unknown"),
        ("2**2**99", "length", "unknown"),
        ("__import__('os')", "length", "unknown"),
        ("m)(", "length", "unknown"),
        ("m" * 5000, "length", "unknown"),
    ],
)
def test_a_unit_that_does_not_fit_is_refused_and_named(unit, dimension, words):
    with pytest.raises(UnitError) as caught:
        conversion(unit, dimension, where=Where(file="run.csv", column="hot"))
    assert words in caught.value.message
    assert str(caught.value).startswith("run.csv, column 'hot'")


@given(st.text(max_size=30), st.sampled_from(sorted(DIMENSIONS)))
def test_any_text_is_a_unit_or_a_named_error(text, dimension):
    with contextlib.suppress(UnitError):
        assert np.isfinite(conversion(text, dimension).factor)


@pytest.mark.parametrize(
    ("text", "dimension", "si"),
    [
        ("0.08 W/K", "conductance", 0.08),
        ("1000 mm^2", "area", 1e-3),
        ("25 degC", "temperature", 298.15),
        ("25degC", "temperature", 298.15),
        ("0.5 degC", "temperature_difference", 0.5),
        ("-1e-3 m", "length", -1e-3),
        ("1 %", "ratio", 0.01),
        ("0.01", "ratio", 0.01),
    ],
)
def test_a_quantity_is_read_from_text(text, dimension, si):
    assert parse_quantity(text, dimension) == pytest.approx(si, rel=1e-15)


@pytest.mark.parametrize("text", ["", "mm", "1,5 mm", "one mm", "1.5", "nan mm", "0x10 mm", "1 2 mm"])
def test_a_text_that_is_no_quantity_is_refused(text):
    with pytest.raises(UnitError):
        parse_quantity(text, "length")


@pytest.mark.parametrize(
    ("value", "expanded", "text"),
    [
        (12.3456, 0.0672, "12.346 ± 0.067"),  # [3]
        (5.0, 0.0996, "5.00 ± 0.10"),
        (99.96, 9.96, "100 ± 10"),
        (5.0, 0.995, "5.0 ± 1.0"),
        (1234.5, 123.4, "1230 ± 120"),
        (-0.0001, 0.02, "0.000 ± 0.020"),
        (2.5, 0.0, "2.5"),
        (2.5, float("inf"), "2.5"),
        (float("nan"), 0.1, "-"),
    ],
)
def test_a_value_is_rounded_to_two_digits_of_its_uncertainty(value, expanded, text):
    assert format_measured(value, expanded) == text


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 1e5))
def test_rounding_never_moves_a_value_by_more_than_half_the_last_digit(value, expanded):
    text_value, text_expanded = format_measured(value, expanded).split(" ± ")
    assert abs(float(text_value) - value) <= 0.051 * float(text_expanded)
    assert float(text_expanded) == pytest.approx(expanded, rel=0.051)


@pytest.mark.parametrize("entry", QUANTITIES.values(), ids=lambda entry: entry.key)
def test_every_quantity_shows_in_a_unit_of_its_dimension(entry):
    assert conversion(entry.unit, entry.dimension).to_si(1.0) == 1.0
    assert from_si(to_si(3.0, entry.shown, entry.key), entry.shown, entry.key) == pytest.approx(3.0)


def test_the_glossary_holds_every_quantity_a_channel_can_have():
    assert set(CHANNEL_QUANTITIES) <= set(QUANTITIES)


def test_a_difference_of_temperatures_has_no_offset():
    assert shown(298.15, "hot_temperature") == pytest.approx(25.0)
    assert shown_difference(0.5, "hot_temperature") == 0.5
