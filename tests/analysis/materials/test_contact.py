"""Contact of rough faces: worked values, the exact separation against its power law, limits of range."""

import numpy as np
import pytest
from scipy import stats

from analysis.errors import OutOfRange
from analysis.materials.contact import (
    combined,
    contact_conductance,
    filled_contact,
    gap_conductance,
    mean_conductivity,
    rms_roughness,
    separation,
    slope_of,
)


# the correlation of Yovanovich 1982, recomputed independently: k1, k2, sigma1, sigma2, m1, m2, p, H, h_c
@pytest.mark.parametrize(
    "row",
    [
        (167.0, 167.0, 1e-6, 1e-6, 0.1, 0.1, 1e6, 1.2e9, 24797.3),
        (401.0, 167.0, 0.4e-6, 0.8e-6, 0.08, 0.12, 0.5e6, 1.0e9, 34750.5),
        (16.2, 16.2, 1.6e-6, 1.6e-6, 0.15, 0.15, 1e6, 3.8e9, 754.400),
    ],
)
def test_peaks_as_worked_by_hand(row):
    k1, k2, s1, s2, m1, m2, p, h, expected = row
    found = contact_conductance(
        p,
        hardness=h,
        conductivity=mean_conductivity(k1, second=k2),
        roughness=combined(s1, second=s2),
        slope=combined(m1, second=m2),
    )
    assert found == pytest.approx(expected, rel=3e-6)


def test_gas_between_the_faces_as_worked_by_hand():
    sigma = combined(1e-6, second=1e-6)
    near = separation(1e6, hardness=1.2e9, roughness=sigma, exact=False)
    exact = separation(1e6, hardness=1.2e9, roughness=sigma)
    assert near == pytest.approx(4.3041e-6, abs=1e-10)
    assert exact == pytest.approx(4.4463e-6, abs=1e-10)
    assert gap_conductance(0.026, separation=near, rarefaction=0.37e-6) == pytest.approx(5562.5, abs=0.1)


def test_the_separation_is_where_gaussian_heights_bear_the_pressure():
    """scipy.stats: the share of a Gaussian face above the plane is p / H."""
    y = separation(2e6, hardness=1e9, roughness=1e-6)
    assert stats.norm.sf(y / 1e-6) == pytest.approx(2e6 / 1e9)


def test_small_relations():
    assert mean_conductivity(401.0, second=167.0) == pytest.approx(235.7993, abs=1e-4)
    assert rms_roughness(1e-6) == pytest.approx(1.2533e-6, abs=1e-10)
    assert slope_of(1e-6) == pytest.approx(0.124)
    assert filled_contact(0.4e-6, second=0.6e-6, matrix=0.2) == pytest.approx(2.5e-6)


def test_arrays_and_missing_values():
    found = contact_conductance(
        np.array([1e6, 2e6, np.nan]), hardness=1.2e9, conductivity=167.0, roughness=1.4e-6, slope=0.14
    )
    assert found[1] / found[0] == pytest.approx(2**0.95)
    assert np.isnan(found[2])


@pytest.mark.parametrize("pressure", [1e2, 1e8])
def test_a_pressure_beyond_the_correlation_is_refused(pressure):
    with pytest.raises(OutOfRange, match=r"expected 1e-06 to 0\.023"):
        contact_conductance(pressure, hardness=1.2e9, conductivity=167.0, roughness=1.4e-6, slope=0.14)


def test_other_values_out_of_range_are_named():
    with pytest.raises(OutOfRange, match="roughness: expected above zero"):
        separation(1e6, hardness=1.2e9, roughness=0.0)
    with pytest.raises(OutOfRange, match=r"expected 0 to 1\.6, found 2"):
        slope_of(2e-6)
