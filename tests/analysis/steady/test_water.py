"""Water, against the formulation it was fitted to, an independent implementation of it, and printed values."""

import iapws
import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from analysis.errors import OutOfRange
from analysis.steady import water
from analysis.units import to_si

PRESSURE = 101_325.0  # Pa


def kelvin(celsius):
    return to_si(float(celsius), "degC", "temperature")


@pytest.mark.parametrize("celsius", np.linspace(0.02, 99.8, 41))
def test_density_enthalpy_and_heat_capacity_are_those_of_coolprop(celsius):
    t = kelvin(celsius)
    given = [PropsSI(name, "T", t, "P", PRESSURE, "Water") for name in ("D", "H", "C")]
    assert water.density(t)[0] == pytest.approx(given[0], rel=1e-8)
    assert water.enthalpy(t)[0] == pytest.approx(given[1], abs=0.005)
    assert water.enthalpy(t)[1] == pytest.approx(given[2], rel=1e-5)


@pytest.mark.parametrize("celsius", [5.0, 25.0, 40.0, 80.0])
def test_they_are_those_of_iapws_95_in_another_implementation(celsius):
    # IAPWS R6-95(2018), by the package iapws.
    state = iapws.IAPWS95(T=kelvin(celsius), P=PRESSURE * 1e-6)
    assert water.density(kelvin(celsius))[0] == pytest.approx(state.rho, rel=1e-7)
    assert water.enthalpy(kelvin(celsius))[0] == pytest.approx(state.h * 1e3, abs=0.05)
    assert water.enthalpy(kelvin(celsius))[1] == pytest.approx(state.cp * 1e3, rel=2e-5)


@pytest.mark.parametrize(
    ("celsius", "density", "capacity"), [(10, 999.7025, 4195.16), (25, 997.0476, 4181.31), (50, 988.0350, 4181.34)]
)
def test_they_have_the_tabulated_values(celsius, density, capacity):
    # IAPWS-95 at 101.325 kPa; to the digits shown CoolProp and iapws agree.
    assert water.density(kelvin(celsius))[0] == pytest.approx(density, abs=1e-4)
    assert water.enthalpy(kelvin(celsius))[1] == pytest.approx(capacity, abs=0.05)


@pytest.mark.parametrize("function", [water.density, water.enthalpy])
def test_the_derivative_is_that_of_the_value(function):
    t = kelvin(33.0)
    assert (function(t + 0.01)[0] - function(t - 0.01)[0]) / 0.02 == pytest.approx(function(t)[1], rel=1e-6)


@pytest.mark.parametrize("celsius", [-3.0, 0.0, 100.0, 180.0])
def test_ice_and_steam_are_out_of_range(celsius):
    with pytest.raises(OutOfRange, match="outside"):
        water.density(kelvin(celsius))


def test_an_array_gives_arrays_and_keeps_nan():
    given = np.array([kelvin(20.0), np.nan, kelvin(60.0)])
    density, _ = water.density(given)
    assert density[[0, 2]] == pytest.approx([998.2072, 983.1958], abs=1e-4)
    assert np.isnan(density[1])
    with pytest.raises(OutOfRange, match="101"):
        water.enthalpy(np.array([kelvin(20.0), kelvin(101.0)]))
