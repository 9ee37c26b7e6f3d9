"""Particle size: worked values, moments by integration, and the fluids library as reference."""

import math

import numpy as np
import pytest
from fluids.particle_size_distribution import PSDLognormal, cdf_Rosin_Rammler
from scipy import integrate

from analysis.errors import OutOfRange
from analysis.materials.particle_size import (
    LogNormal,
    RosinRammler,
    log_normal_of,
    mean_diameter,
    quantile,
    rosin_rammler_of,
    sauter_mean,
    span,
    specific_surface,
    volume_mean,
    volume_shares,
)

D, N = [5.0, 10.0, 20.0], [100.0, 50.0, 10.0]


def test_counts_as_worked_by_hand():
    assert mean_diameter(D, counts=N, p=4, q=3) == pytest.approx(15.175439, abs=1e-6)
    assert mean_diameter(D, counts=N, p=3, q=2) == pytest.approx(12.391304, abs=1e-6)
    assert mean_diameter(D, counts=N, p=1, q=0) == pytest.approx(7.5)
    shares = volume_shares(D, counts=N)
    assert shares == pytest.approx([0.087719, 0.350877, 0.561404], abs=1e-6)
    assert volume_mean(D, shares=shares) == pytest.approx(15.175439, abs=1e-6)
    assert sauter_mean(D, shares=shares) == pytest.approx(12.391304, abs=1e-6)
    near = mean_diameter(D, counts=N, p=3 + 1e-7, q=3)
    assert mean_diameter(D, counts=N, p=3, q=3) == pytest.approx(near, rel=1e-6)


def test_diameters_in_another_unit_give_means_in_that_unit():
    metres = [1e-6 * d for d in D]
    assert mean_diameter(metres, counts=N, p=4, q=3) == pytest.approx(15.175439e-6, rel=1e-7)


def test_a_log_normal_powder_as_worked_by_hand_and_by_fluids():
    powder = LogNormal(10.0, 0.5)
    assert powder.quantile(np.array([0.1, 0.5, 0.9])) == pytest.approx([5.268835, 10.0, 18.979527], abs=1e-6)
    assert span(powder.quantile(0.1), d50=10.0, d90=powder.quantile(0.9)) == pytest.approx(1.371069, abs=1e-6)
    assert powder.mean(4, 3) == pytest.approx(11.331485, abs=1e-6)
    assert powder.mean(3, 2) == pytest.approx(8.824969, abs=1e-6)
    assert powder.number_median == pytest.approx(4.723666, abs=1e-6)
    assert powder.number_median == pytest.approx(10.0 / 2.117, abs=1e-3)
    reference = PSDLognormal(d_characteristic=10e-6, s=0.5)
    mine = LogNormal(10e-6, 0.5)
    for share in (0.05, 0.1, 0.5, 0.9, 0.99):
        assert mine.quantile(share) == pytest.approx(reference.dn(share), rel=1e-9)
    for p, q in ((4, 3), (3, 2), (1, 0)):
        assert mine.mean(p, q) == pytest.approx(reference.mean_size(p, q), rel=1e-9)
    assert mine.below(7e-6) == pytest.approx(reference.cdf(7e-6))


def test_a_rosin_rammler_powder_against_fluids_and_integration():
    powder = RosinRammler(20.0, 1.8)
    assert powder.below(13.0) == pytest.approx(cdf_Rosin_Rammler(13.0, k=20.0**-1.8, m=1.8))
    assert powder.below(20.0) == pytest.approx(1 - math.exp(-1))
    assert powder.quantile(powder.below(7.0)) == pytest.approx(7.0)

    def density(d):
        return 1.8 / 20.0 * (d / 20.0) ** 0.8 * math.exp(-((d / 20.0) ** 1.8))

    mean = integrate.quad(lambda d: d * density(d), 0, 400)[0]
    inverse = integrate.quad(lambda d: density(d) / d, 0, 400)[0]
    assert powder.volume_mean == pytest.approx(mean, rel=1e-8)
    assert powder.sauter_mean == pytest.approx(1.0 / inverse, rel=1e-7)


def test_laws_through_two_quantiles_go_through_them():
    rosin = rosin_rammler_of(4.0, d90=30.0)
    assert rosin.quantile(np.array([0.1, 0.9])) == pytest.approx([4.0, 30.0])
    assert rosin.spread == pytest.approx(3.0844 / math.log(7.5), rel=2e-5)
    normal = log_normal_of(4.0, d90=30.0)
    assert normal.quantile(np.array([0.1, 0.9])) == pytest.approx([4.0, 30.0])


def test_a_table_is_read_on_the_logarithm_of_the_diameter():
    """Half way between 10 and 40 um by share is 20 um, their geometric mean, not 25 um."""
    assert quantile(0.5, diameters=[10.0, 40.0], below=[0.3, 0.7]) == pytest.approx(20.0)
    powder = LogNormal(10.0, 0.5)
    sizes = np.geomspace(1.0, 100.0, 200)
    found = quantile(np.array([0.1, 0.5, 0.9]), diameters=sizes, below=powder.below(sizes))
    assert found == pytest.approx([5.268835, 10.0, 18.979527], rel=1e-3)


def test_a_flat_stretch_gives_its_finest_diameter():
    assert quantile(0.4, diameters=[1.0, 2.0, 5.0, 9.0], below=[0.0, 0.4, 0.4, 1.0]) == pytest.approx(2.0)


def test_surface_of_alumina_as_worked_by_hand():
    assert specific_surface(5e-6, density=3980.0) == pytest.approx(301.508, abs=1e-3)  # [m2/kg]
    assert np.isnan(specific_surface(np.array([5e-6, np.nan]), density=3980.0)).tolist() == [False, True]


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: mean_diameter([1.0, 0.0], counts=[1, 1], p=4, q=3), "diameters: expected above zero"),
        (lambda: mean_diameter([1.0], counts=[0.0], p=4, q=3), "at least one above zero"),
        (lambda: mean_diameter([1.0, 2.0], counts=[1.0], p=4, q=3), "as many of each"),
        (lambda: mean_diameter([1.0, math.nan], counts=[1.0, 1.0], p=4, q=3), "leave missing ones out"),
        (lambda: span(5.0, d50=4.0, d90=9.0), "rise"),
        (lambda: quantile(0.95, diameters=[1.0, 2.0], below=[0.1, 0.9]), "0.1 to 0.9"),
        (lambda: quantile(0.5, diameters=[2.0, 1.0], below=[0.1, 0.9]), "that rise"),
        (lambda: quantile(0.5, diameters=[1.0, 2.0, 3.0], below=[0.1, 0.9, 0.8]), "never fall"),
        (lambda: quantile(0.5, diameters=[1.0, 2.0], below=[10.0, 90.0]), "from 0 to 1"),
        (lambda: LogNormal(0.0, 0.5), "median"),
        (lambda: rosin_rammler_of(5.0, d90=4.0), "D90"),
        (lambda: RosinRammler(20.0, 0.9).sauter_mean, "more than 1"),
    ],
)
def test_what_is_out_of_range_is_named(call, words):
    with pytest.raises(OutOfRange, match=words):
        call()


def test_shares_outside_nought_and_one_have_no_quantile():
    assert math.isnan(RosinRammler(20.0, 1.8).quantile(1.2))
    assert math.isnan(LogNormal(20.0, 0.8).quantile(-0.1))
    assert np.isnan(LogNormal(20.0, 0.8).below(np.array([math.nan])))[0]
