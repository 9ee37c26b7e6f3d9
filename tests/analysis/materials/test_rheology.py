"""Rheology: laws as worked by hand, fits that find what they were made from and agree with scipy's."""

import numpy as np
import pytest
from scipy import optimize

from analysis.errors import OutOfRange
from analysis.materials.rheology import (
    casson,
    fit_casson,
    fit_herschel_bulkley,
    herschel_bulkley,
    krieger_dougherty,
    maron_pierce,
)

RATES = np.geomspace(0.01, 100.0, 25)


def test_herschel_and_bulkley_as_worked_by_hand():
    found = herschel_bulkley(np.array([0.1, 1.0, 10.0, 100.0]), yield_stress=100.0, consistency=20.0, index=0.5)
    assert found == pytest.approx([106.3246, 120.0, 163.2456, 300.0], abs=5e-5)


def test_bingham_is_the_index_of_one_and_casson_is_a_line_of_roots():
    assert herschel_bulkley(3.0, yield_stress=10.0, consistency=2.0, index=1.0) == pytest.approx(16.0)
    assert np.sqrt(casson(9.0, yield_stress=16.0, viscosity=4.0)) == pytest.approx(4.0 + 2.0 * 3.0)
    assert casson(5.0, yield_stress=0.0, viscosity=4.0) == pytest.approx(20.0)


@pytest.mark.parametrize(
    ("stress", "consistency", "index"), [(100.0, 20.0, 0.5), (15.0, 400.0, 0.8), (2500.0, 8.0, 0.31), (5.0, 30.0, 1.2)]
)
def test_a_curve_without_noise_gives_back_what_it_was_made_from(stress, consistency, index):
    curve = herschel_bulkley(RATES, yield_stress=stress, consistency=consistency, index=index)
    found = fit_herschel_bulkley(RATES, stresses=curve).parameters
    assert found["yield_stress"].value == pytest.approx(stress, rel=1e-6)
    assert found["consistency"].value == pytest.approx(consistency, rel=1e-6)
    assert found["index"].value == pytest.approx(index, rel=1e-6)


def test_a_noisy_curve_gives_what_scipy_gives():
    """scipy.optimize.curve_fit with relative weights, as reference for values and uncertainties."""
    clean = herschel_bulkley(RATES, yield_stress=100.0, consistency=20.0, index=0.5)
    noisy = clean * (1.0 + 0.01 * np.random.default_rng(3).standard_normal(RATES.size))
    found = fit_herschel_bulkley(RATES, stresses=noisy)

    def law(rate, tau, k, n):
        return tau + k * rate**n

    values, covariance = optimize.curve_fit(law, RATES, noisy, p0=(90.0, 25.0, 0.6), sigma=noisy, ftol=1e-14)
    for name, value, u in zip(found.parameters, values, np.sqrt(np.diag(covariance)), strict=True):
        assert found.parameters[name].value == pytest.approx(value, rel=1e-5)
        assert found.parameters[name].u == pytest.approx(u, rel=1e-3)
    assert found.parameters["index"].dof == 22
    assert found.cautions == ()
    assert found.rates == pytest.approx((0.01, 100.0))


def test_the_intervals_hold_the_truth():
    generator = np.random.default_rng(5)
    clean = herschel_bulkley(RATES, yield_stress=100.0, consistency=20.0, index=0.5)
    held = 0
    for _ in range(300):
        fit = fit_herschel_bulkley(RATES, stresses=clean * (1.0 + 0.01 * generator.standard_normal(RATES.size)))
        stress = fit.parameters["yield_stress"]
        held += abs(stress.value - 100.0) <= stress.expanded
    assert 0.92 <= held / 300 <= 0.98  # three standard deviations of a binomial share about 0.95


def test_casson_gives_back_what_it_was_made_from():
    found = fit_casson(RATES, stresses=casson(RATES, yield_stress=60.0, viscosity=3.0)).parameters
    assert found["yield_stress"].value == pytest.approx(60.0, rel=1e-9)
    assert found["viscosity"].value == pytest.approx(3.0, rel=1e-9)


def test_stresses_in_another_unit_give_the_yield_stress_in_that_unit():
    curve = herschel_bulkley(RATES, yield_stress=100.0, consistency=20.0, index=0.5)
    found = fit_herschel_bulkley(RATES, stresses=1e-3 * curve).parameters
    assert found["yield_stress"].value == pytest.approx(0.1, rel=1e-6)
    assert found["index"].value == pytest.approx(0.5, rel=1e-6)


def test_fast_rates_alone_cannot_tell_a_yield_stress():
    rates = np.geomspace(5.0, 500.0, 12)
    curve = herschel_bulkley(rates, yield_stress=1.0, consistency=20.0, index=0.9)
    noisy = curve * (1.0 + 0.02 * np.random.default_rng(1).standard_normal(12))
    cautions = fit_herschel_bulkley(rates, stresses=noisy).cautions
    assert any("the slowest rate is 5 1/s" in one for one in cautions)
    assert any("not told from nought" in one for one in cautions)


@pytest.mark.parametrize(
    ("fraction", "krieger", "maron"),
    [
        (0.1, 1.312375, 1.404664),
        (0.3, 2.751197, 3.543253),
        (0.5, 11.378450, 20.897959),
        (0.6, 84.448506, 256.0),
    ],
)
def test_crowding_as_worked_by_hand(fraction, krieger, maron):
    assert krieger_dougherty(fraction, packing=0.64) == pytest.approx(krieger, rel=1e-6)
    assert maron_pierce(fraction, packing=0.64) == pytest.approx(maron, rel=1e-6)


def test_few_spheres_follow_einstein_and_too_many_have_no_viscosity():
    assert krieger_dougherty(0.01, packing=0.64) == pytest.approx(1.025518, abs=1e-6)
    assert krieger_dougherty(1e-7, packing=0.64) == pytest.approx(1.0 + 2.5e-7, abs=1e-12)
    found = krieger_dougherty(np.array([0.64, 0.65, np.nan]), packing=0.64)
    assert found[0] == np.inf
    assert np.isnan(found[1:]).all()


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: herschel_bulkley(-1.0, yield_stress=1.0, consistency=1.0, index=1.0), "shear rate"),
        (lambda: herschel_bulkley(1.0, yield_stress=1.0, consistency=1.0, index=0.0), "index"),
        (lambda: fit_herschel_bulkley([1.0, 2.0, 3.0], stresses=[1.0, 2.0, 3.0]), "at least 4"),
        (
            lambda: fit_herschel_bulkley([1.0, 1.0, 2.0, 2.0], stresses=[1.0, 1.0, 2.0, 2.0]),
            "4 different ones, found 2",
        ),
        (lambda: fit_casson([1.0, 2.0, 3.0], stresses=[1.0, -2.0, 3.0]), "stresses: expected above zero"),
        (lambda: krieger_dougherty(1.1, packing=0.64), "volume fraction"),
        (lambda: maron_pierce(0.1, packing=1.64), "packing"),
    ],
)
def test_what_is_out_of_range_is_named(call, words):
    with pytest.raises(OutOfRange, match=words):
        call()
