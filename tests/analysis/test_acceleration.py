"""Acceleration factors against published and worked values."""

import pytest

from analysis.errors import OutOfRange
from analysis.materials.ageing import (
    BOLTZMANN_EV,
    Cycling,
    arrhenius_factor,
    coffin_manson_factor,
    fitted_exponent,
    norris_landzberg_factor,
    peck_factor,
)

ICE = 273.15


def test_boltzmanns_constant_in_electronvolts():
    """8.617 333 262e-5 eV/K (CODATA 2018)."""
    assert pytest.approx(8.617333262e-5, rel=1e-9) == BOLTZMANN_EV


@pytest.mark.parametrize(
    ("energy", "use", "test", "factor"),
    [
        (0.7, 55, 125, 77.645),  # JEP122 and JESD85 quote about 78
        (0.7, 60, 125, 53.551),
        (0.8, 25, 85, 184.265),
        (1.0, 85, 150, 145.061),
        (0.5, 55, 125, 22.391),
    ],
)
def test_arrhenius_as_physics_check_13_1(energy, use, test, factor):
    assert arrhenius_factor(energy, use=use + ICE, test=test + ICE).value == pytest.approx(factor, abs=2e-3)


@pytest.mark.parametrize(
    ("exponent", "use", "test", "factor"), [(1.9, 50.0, 180.0, 11.4018), (2.0, 60.0, 165.0, 7.5625)]
)
def test_coffin_manson_as_physics_check_13_2(exponent, use, test, factor):
    assert coffin_manson_factor(exponent, use=use, test=test).value == pytest.approx(factor, abs=1e-4)


FIELD, CHAMBER = Cycling(50.0, 1.0, 75.0 + ICE), Cycling(180.0, 48.0, 125.0 + ICE)


def test_norris_landzberg_as_physics_check_13_3():
    """180 against 50 K, 48 against 1 cycles a day, 125 against 75 degC: 11.4018 * 0.275161 * 1.665362 = 5.2248."""
    assert norris_landzberg_factor(use=FIELD, test=CHAMBER).value == pytest.approx(5.2248, abs=5e-4)


def test_a_fast_test_of_a_part_used_slowly_has_the_smaller_factor():
    """Life in cycles rises with frequency, as about f^0.35 in published life data (Yang 2007, example 7.2)."""
    slow = Cycling(180.0, 1.0, 125.0 + ICE)
    fast = Cycling(180.0, 48.0, 125.0 + ICE)
    alike = norris_landzberg_factor(use=FIELD, test=slow).value
    assert norris_landzberg_factor(use=FIELD, test=fast).value < alike
    assert norris_landzberg_factor(use=FIELD, test=fast).value / alike == pytest.approx(48.0 ** (-1.0 / 3.0))


@pytest.mark.parametrize(("exponent", "energy", "factor"), [(3.0, 0.9, 324.53), (2.7, 0.7, 109.07)])
def test_peck_as_physics_check_13_6(exponent, energy, factor):
    found = peck_factor(energy, exponent=exponent, use=(40.0 + ICE, 0.50), test=(85.0 + ICE, 0.85))
    assert found.value == pytest.approx(factor, rel=1e-4)


def test_an_exponent_is_found_from_ones_own_lives():
    assert fitted_exponent((1000.0, 250.0), swings=(50.0, 100.0)) == pytest.approx(2.0)


def test_limits_are_said_and_nonsense_is_refused():
    assert any("tin-lead" in line for line in norris_landzberg_factor(use=FIELD, test=CHAMBER).limits)
    assert any("unusual" in line for line in arrhenius_factor(5.0, use=300.0, test=310.0).limits)
    assert any("further" in line for line in arrhenius_factor(1.5, use=300.0, test=450.0).limits)
    for call in (
        lambda: arrhenius_factor(0.7, use=-3.0, test=300.0),
        lambda: peck_factor(0.7, exponent=3.0, use=(300.0, 0.0), test=(350.0, 0.85)),
        lambda: peck_factor(0.7, exponent=3.0, use=(300.0, 50.0), test=(350.0, 0.85)),
        lambda: coffin_manson_factor(2.0, use=0.0, test=100.0),
        lambda: norris_landzberg_factor(use=Cycling(50.0, 0.0, 350.0), test=CHAMBER),
        lambda: fitted_exponent((10.0, 5.0), swings=(50.0, 50.0)),
    ):
        with pytest.raises(OutOfRange):
            call()
