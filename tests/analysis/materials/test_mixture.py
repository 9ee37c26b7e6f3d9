"""Mixtures: by hand, there and back, and the density of what one can weigh."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.errors import OutOfRange
from analysis.materials.mixture import (
    loading,
    mass_fractions,
    mixture,
    mixture_density,
    void_fraction,
    volume_fractions,
)

RHO = [970.0, 3980.0]  # [kg/m3] silicone fluid, alumina; from memory


def test_a_paste_by_hand():
    """100 g: 10 g / 0.97 = 10.309 cm3 of fluid and 90 g / 3.98 = 22.613 cm3 of filler make 32.922 cm3."""
    assert volume_fractions([0.1, 0.9], densities=RHO) == pytest.approx([0.313140, 0.686860], abs=1e-6)
    assert mixture_density([0.1, 0.9], densities=RHO) == pytest.approx(3037.46, abs=0.01)


def test_the_table_of_names_gives_the_same():
    named = mixture({"fluid": 10.0, "filler": 90.0}, densities={"fluid": 970.0, "filler": 3980.0})
    assert list(named.volume_fractions.values()) == pytest.approx(volume_fractions([0.1, 0.9], densities=RHO))
    assert named.density == pytest.approx(mixture_density([0.1, 0.9], densities=RHO))


@given(
    st.lists(st.tuples(st.floats(0.0, 1.0), st.floats(100.0, 20000.0)), min_size=1, max_size=6).filter(
        lambda rows: sum(row[0] for row in rows) > 1e-3
    )
)
def test_there_and_back_is_where_one_started(rows):
    w, rho = np.array(rows).T
    phi = volume_fractions(w, densities=rho)
    assert phi.sum() == pytest.approx(1.0)
    assert mass_fractions(phi, densities=rho) == pytest.approx(w / w.sum(), abs=1e-12)
    # the density is the mean of the densities weighed by volume
    assert mixture_density(w, densities=rho) == pytest.approx(float(phi @ rho))


def test_many_compositions_at_once_and_missing_values():
    found = volume_fractions([[0.1, 0.9], [0.5, 0.5], [np.nan, 1.0]], densities=RHO)
    assert found.shape == (3, 2)
    assert found[0] == pytest.approx(volume_fractions([0.1, 0.9], densities=RHO))
    assert np.isnan(found[2]).all()
    assert mixture_density([[0.1, 0.9], [0.5, 0.5]], densities=RHO).shape == (2,)


def test_densities_in_another_unit_change_nothing_but_the_unit():
    assert volume_fractions([0.1, 0.9], densities=[0.97, 3.98]) == pytest.approx([0.313140, 0.686860], abs=1e-6)
    assert mixture_density([0.1, 0.9], densities=[0.97, 3.98]) == pytest.approx(3.03746, abs=1e-5)


def test_voids_and_loading():
    assert void_fraction(2.9, dense=3.0) == pytest.approx(1 / 30)
    assert void_fraction(3.1, dense=3.0) < 0.0
    assert void_fraction(np.array([3.0, np.nan]), dense=3.0)[0] == 0.0
    assert loading(0.48, packing=0.64) == pytest.approx(0.75)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: volume_fractions([0.1, -0.9], densities=RHO), "mass fraction: expected zero or above, found -0.9"),
        (lambda: volume_fractions([0.1, 0.9], densities=[970.0, 0.0]), "density: expected above zero"),
        (lambda: volume_fractions([0.0, 0.0], densities=RHO), "sum above zero"),
        (lambda: mixture_density([0.0, 0.0], densities=RHO), "sum above zero"),
        (lambda: loading(1.1, packing=0.64), "volume fraction"),
        (lambda: loading(0.5, packing=0.0), "packing limit"),
        (lambda: void_fraction(0.0, dense=3.0), "measured density"),
    ],
)
def test_what_is_out_of_range_is_named(call, words):
    with pytest.raises(OutOfRange, match=words):
        call()
