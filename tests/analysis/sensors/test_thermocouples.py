"""Thermocouples against the tables of NIST Monograph 175 and against another implementation of ITS-90."""

import math

import numpy as np
import pytest
from nptdms import thermocouples as other

from analysis.errors import OutOfRange
from analysis.sensors import SENSORS, thermocouple_temperature
from analysis.units import from_si, to_si

LETTERS = "KTEJN"


def couple(letter):
    return SENSORS[f"thermocouple {letter}"]


def kelvin(celsius):
    return to_si(np.asarray(celsius, dtype=float), "degC", "temperature")


def celsius(temperature):
    return from_si(np.asarray(temperature, dtype=float), "degC", "temperature")


def millivolt(letter, t):
    return from_si(couple(letter).signal(kelvin(t)), "mV", "voltage")


# NIST Monograph 175 (SRD 60), tables of reference values, emf in mV to three decimals, cold junction at 0 degC.
TABLE = [
    ("K", -100, -3.554),
    ("K", 100, 4.096),
    ("K", 500, 20.644),
    ("K", 1000, 41.276),
    ("T", -100, -3.379),
    ("T", 100, 4.279),
    ("T", 200, 9.288),
    ("T", 300, 14.862),
    ("E", -100, -5.237),
    ("E", 100, 6.319),
    ("E", 300, 21.036),
    ("J", -100, -4.633),
    ("J", 100, 5.269),
    ("J", 300, 16.327),
    ("N", -100, -2.407),
    ("N", 100, 2.774),
    ("N", 300, 9.341),
]


@pytest.mark.parametrize(("letter", "t", "emf"), TABLE)
def test_the_emf_is_that_of_the_table(letter, t, emf):
    assert millivolt(letter, t) == pytest.approx(emf, abs=0.00051)


@pytest.mark.parametrize("letter", LETTERS)
def test_the_emf_is_that_of_another_implementation_over_the_whole_range(letter):
    # npTDMS brings the ITS-90 functions of its own, entered independently.
    reference = getattr(other, f"type_{letter.lower()}")
    t = np.linspace(couple(letter).lowest, couple(letter).highest, 3001)
    np.testing.assert_allclose(millivolt(letter, t), reference.celsius_to_mv(t), atol=1e-9)


@pytest.mark.parametrize("letter", LETTERS)
def test_the_way_back_agrees_with_the_inverse_functions_of_nist(letter):
    # The inverse polynomials that NIST prints are within 0.06 degC of the exact inverse (SRD 60).
    reference = getattr(other, f"type_{letter.lower()}")
    t = np.linspace(-195.0, couple(letter).highest - 2.0, 1001)
    emf = millivolt(letter, t)
    found = celsius(couple(letter).temperature(to_si(emf, "mV", "voltage")))
    np.testing.assert_allclose(found, reference.mv_to_celsius(emf), atol=0.06)


@pytest.mark.parametrize("letter", LETTERS)
def test_there_and_back_is_where_one_started(letter):
    t = np.linspace(couple(letter).lowest, couple(letter).highest, 3001)
    found = celsius(couple(letter).temperature(couple(letter).signal(kelvin(t))))
    np.testing.assert_allclose(found, t, atol=1e-7)


@pytest.mark.parametrize("letter", LETTERS)
def test_the_slope_is_that_of_the_emf(letter):
    t, step = np.array([-150.0, -30.0, 20.0, 90.0, 350.0]), 0.01
    rise = couple(letter).signal(kelvin(t + step)) - couple(letter).signal(kelvin(t - step))
    np.testing.assert_allclose(couple(letter).sensitivity(kelvin(t)), rise / (2 * step), rtol=1e-6)


@pytest.mark.parametrize(("letter", "seebeck"), [("K", 40.518), ("T", 40.682)])
def test_the_slope_at_25_degc_is_the_seebeck_coefficient(letter, seebeck):
    # uV/K, from the NIST coefficients evaluated by thermocouples_reference 0.20.
    assert from_si(float(couple(letter).sensitivity(kelvin(25.0))), "uV", "voltage") == pytest.approx(seebeck, abs=5e-4)


def test_the_cold_junction_is_added_as_emf():
    # 3.000 mV on a junction at 25 degC: E(25 degC) = 1.0002 mV, E^-1(4.0002 mV) = 97.681 degC (NIST coefficients).
    found = thermocouple_temperature(couple("K"), emf=to_si(3.0, "mV", "voltage"), junction=float(kelvin(25.0)))
    assert celsius(found) == pytest.approx(97.681, abs=1e-3)


def test_the_cold_junction_is_not_added_as_temperature():
    emf = to_si(3.0, "mV", "voltage")
    naive = celsius(couple("K").temperature(emf)) + 25.0
    assert naive == pytest.approx(98.582, abs=1e-3)
    assert celsius(thermocouple_temperature(couple("K"), emf=emf, junction=float(kelvin(25.0)))) < naive - 0.89


@pytest.mark.parametrize("letter", LETTERS)
def test_a_thermocouple_as_warm_as_its_junction_gives_nothing(letter):
    t = kelvin(np.array([5.0, 25.0, 60.0]))
    found = thermocouple_temperature(couple(letter), emf=np.zeros(3), junction=t)
    np.testing.assert_allclose(found, t, atol=1e-8)


def test_shapes_are_kept_and_missing_readings_stay_missing():
    emf = to_si(np.array([[1.0, math.nan], [3.0, 2.0]]), "mV", "voltage")
    found = thermocouple_temperature(couple("T"), emf=emf, junction=kelvin([25.0, 25.0]))
    assert found.shape == (2, 2)
    assert np.isnan(found).tolist() == [[False, True], [False, False]]


@pytest.mark.parametrize("emf", [-10.0, 60.0, math.inf])
def test_an_emf_outside_the_curve_is_refused(emf):
    with pytest.raises(OutOfRange, match="is outside"):
        couple("K").temperature(to_si(emf, "mV", "voltage"))


# IEC 60584-1, class 1 (from memory): K 1.5 K or 0.4 %, T 0.5 K or 0.4 %, whichever is larger.
@pytest.mark.parametrize(
    ("letter", "t", "limit"), [("K", 100, 1.5), ("K", 1000, 4.0), ("T", 100, 0.5), ("T", 300, 1.2)]
)
def test_the_limit_of_error_is_the_larger_one(letter, t, limit):
    assert couple(letter).limit_of_error(float(kelvin(t)), "1") == pytest.approx(limit)
