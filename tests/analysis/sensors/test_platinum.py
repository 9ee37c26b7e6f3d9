"""Platinum resistance thermometers against the table of IEC 60751."""

import math

import numpy as np
import pytest
from scipy import optimize

from analysis.errors import OutOfRange
from analysis.sensors import SENSORS
from analysis.units import from_si, to_si

PT100 = SENSORS["Pt100"]


def kelvin(celsius):
    return to_si(np.asarray(celsius, dtype=float), "degC", "temperature")


def celsius(temperature):
    return from_si(np.asarray(temperature, dtype=float), "degC", "temperature")


# IEC 60751:2008, table 1, resistance in ohm to two decimals.
TABLE = {
    -200: 18.52,
    -100: 60.26,
    0: 100.00,
    25: 109.73,
    50: 119.40,
    100: 138.51,
    200: 175.86,
    400: 247.09,
    850: 390.48,
}


@pytest.mark.parametrize(("t", "ohm"), TABLE.items())
def test_the_resistance_is_that_of_the_table(t, ohm):
    assert float(PT100.signal(kelvin(t))) == pytest.approx(ohm, abs=0.0051)


def test_the_mean_coefficient_from_0_to_100_degc_is_that_of_the_standard():
    # IEC 60751 states alpha = 3.851e-3 per degree Celsius, rounded.
    ratio = float(PT100.signal(kelvin(100.0))) / float(PT100.signal(kelvin(0.0)))
    assert (ratio - 1.0) / 100.0 == pytest.approx(3.85055e-3, abs=1e-8)


def test_the_slope_at_25_degc_is_the_derivative_of_the_quadratic():
    # Closed form: 100 (A + 2 B t) with the coefficients of IEC 60751.
    assert float(PT100.sensitivity(kelvin(25.0))) == pytest.approx(100 * (3.9083e-3 - 2 * 5.775e-7 * 25), rel=1e-12)


@pytest.mark.parametrize("t", [-199.0, -50.0, 60.0, 700.0])
def test_the_slope_is_that_of_the_signal(t):
    step = 0.01
    rise = float(PT100.signal(kelvin(t + step))) - float(PT100.signal(kelvin(t - step)))
    assert float(PT100.sensitivity(kelvin(t))) == pytest.approx(rise / (2 * step), rel=1e-7)


def test_the_way_back_above_zero_is_the_closed_form():
    ohm = np.linspace(100.0, 390.0, 30)
    a, b = 3.9083e-3, -5.775e-7
    closed = (-a + np.sqrt(a * a - 4 * b * (1 - ohm / 100.0))) / (2 * b)
    np.testing.assert_allclose(celsius(PT100.temperature(ohm)), closed, atol=1e-9)


def test_the_way_back_below_zero_is_the_root_that_scipy_finds():
    def short(t, ohm):
        a, b, c = 3.9083e-3, -5.775e-7, -4.183e-12
        return 100 * (1 + a * t + b * t**2 + c * (t - 100) * t**3) - ohm

    for ohm in (18.6, 60.0, 99.0):
        root = optimize.brentq(short, -200, 1, args=(ohm,), xtol=1e-12)
        assert celsius(PT100.temperature(ohm)) == pytest.approx(root, abs=1e-9)


def test_there_and_back_is_where_one_started():
    t = np.linspace(-200.0, 850.0, 2111)
    np.testing.assert_allclose(celsius(PT100.temperature(PT100.signal(kelvin(t)))), t, atol=1e-9)


def test_a_missing_reading_stays_missing():
    found = PT100.temperature([100.0, math.nan])
    assert celsius(found[0]) == pytest.approx(0.0, abs=1e-9)
    assert math.isnan(found[1])


@pytest.mark.parametrize("ohm", [0.0, 18.0, 391.0, 1e6, math.inf])
def test_a_resistance_outside_the_standard_is_refused(ohm):
    with pytest.raises(OutOfRange, match="is outside"):
        PT100.temperature(ohm)


@pytest.mark.parametrize("t", [-201.0, 851.0])
def test_a_temperature_outside_the_standard_is_refused(t):
    with pytest.raises(OutOfRange, match="is outside"):
        PT100.signal(kelvin(t))


# IEC 60751:2008, table 3: limits of error at 100 degC in K.
@pytest.mark.parametrize(("tolerance_class", "limit"), [("AA", 0.27), ("A", 0.35), ("B", 0.80), ("C", 1.6)])
def test_the_limit_of_error_is_that_of_the_class(tolerance_class, limit):
    assert PT100.limit_of_error(float(kelvin(100.0)), tolerance_class) == pytest.approx(limit, abs=1e-9)


def test_an_unknown_class_is_refused_with_those_known():
    with pytest.raises(OutOfRange, match="AA, A, B, C"):
        PT100.limit_of_error(300.0, "D")


@pytest.mark.parametrize(("name", "times"), [("Pt500", 5.0), ("Pt1000", 10.0)])
def test_larger_thermometers_are_the_same_curve_times_their_size(name, times):
    t = kelvin([-100.0, 0.0, 25.0, 400.0])
    assert SENSORS[name].signal(t) == pytest.approx(times * PT100.signal(t))
