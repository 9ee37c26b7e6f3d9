"""Bond line: the scaling law's worked values, the top cut, the larger of both."""

import numpy as np
import pytest

from analysis.errors import OutOfRange
from analysis.materials.bond_line import bond_line, expected_gap, scaling_gap, top_cut_gap
from analysis.materials.squeeze_flow import Face
from analysis.units import to_si


# the law of Prasher 2003 (constants from memory), recomputed independently
@pytest.mark.parametrize(
    ("stress", "pressure", "microns"),
    [
        (100.0, 100e3, 41.617),
        (100.0, 200e3, 37.094),
        (200.0, 138e3, 44.261),
        (50.0, 69e3, 39.450),
        (1000.0, 100e3, 60.992),
        (100.0, 690e3, 30.201),
    ],
)
def test_the_scaling_law_as_worked_by_hand(stress, pressure, microns):
    assert scaling_gap(stress, pressure=pressure) == pytest.approx(microns * 1e-6, abs=1e-9)


def test_twice_the_pressure_thins_by_a_tenth():
    pair = scaling_gap(100.0, pressure=np.array([1e5, 2e5]))
    assert pair[1] / pair[0] == pytest.approx(0.89131, abs=1e-5)


def test_stress_and_pressure_in_one_other_unit_give_the_same():
    psi = to_si(1.0, "psi", "pressure")
    assert scaling_gap(100.0 / psi, pressure=1e5 / psi) == pytest.approx(scaling_gap(100.0, pressure=1e5))


def test_the_largest_particle_is_a_floor():
    assert top_cut_gap(45e-6, layers=1.2) == pytest.approx(54e-6)
    assert expected_gap(100.0, pressure=1e5, largest=30e-6) == pytest.approx(41.617e-6, abs=1e-9)
    assert expected_gap(100.0, pressure=1e5, largest=np.array([20e-6, 60e-6]))[1] == pytest.approx(60e-6)
    found = bond_line(100.0, pressure=1e5, largest=60e-6)
    assert (found.gap, found.set_by, found.cautions) == (pytest.approx(60e-6), "particles", ())
    assert bond_line(100.0, pressure=1e5, largest=30e-6).set_by == "paste"


def test_beyond_what_the_law_was_found_on_a_caution_says_so():
    (ratio,) = bond_line(5000.0, pressure=1e5).cautions
    assert "0.0001 to 0.01, not 0.05" in ratio
    (pressure,) = bond_line(10.0, pressure=1e4).cautions
    assert "not 1e+04 Pa" in pressure
    (rest,) = bond_line(100.0, pressure=141471.0, face=Face(0.030)).cautions
    assert "7.07e-06 m" in rest  # squeeze flow of R 15 mm at 100 N


def test_missing_stays_missing_and_out_of_range_is_named():
    assert np.isnan(scaling_gap(np.nan, pressure=1e5))
    assert np.isnan(expected_gap(100.0, pressure=1e5, largest=np.nan))
    with pytest.raises(OutOfRange, match="pressure: expected above zero, found 0"):
        scaling_gap(100.0, pressure=0.0)
    with pytest.raises(OutOfRange, match="yield stress"):
        bond_line(-1.0, pressure=1e5)
    with pytest.raises(OutOfRange, match="largest particle"):
        top_cut_gap(-1e-6)
