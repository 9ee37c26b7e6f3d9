"""Compositions on mixed bases: ways back and forth, sums, and bounds against Hashin and Shtrikman's two phases."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.errors import AnalysisError
from analysis.materials.composing import Typed, bounds, composed_masses
from analysis.materials.conductivity import hashin_shtrikman
from analysis.materials.mixture import volume_fractions

share = st.floats(0.01, 1.0)
lines = st.lists(st.tuples(share, st.floats(500.0, 20000.0)), min_size=2, max_size=8)


@given(lines, st.lists(st.sampled_from(["mass", "parts", "volume"]), min_size=8, max_size=8))
@settings(max_examples=60, deadline=None)
def test_mass_parts_and_volume_lead_back_to_the_same_masses_with_a_rest(drawn, bases) -> None:
    # analytic: each basis is worked out from known masses, then solved for them again
    w = np.array([a for a, _ in drawn])
    w /= w.sum()
    rho = np.array([d for _, d in drawn])
    phi = volume_fractions(w, densities=rho)
    as_typed = {"mass": w, "parts": w / w[0] * 100.0, "volume": phi}
    typed = [Typed("fluid", "rest", density=rho[0], fluid=True)]
    typed += [Typed(f"m{i}", b, float(as_typed[b][i]), rho[i]) for i, b in zip(range(1, len(w)), bases, strict=False)]
    found = composed_masses(typed)
    assert found.sum() == pytest.approx(1.0, abs=1e-9)
    assert found == pytest.approx(w, abs=1e-7)


@given(lines, st.sampled_from(["parts", "volume"]))
@settings(max_examples=40, deadline=None)
def test_only_parts_or_only_volumes_make_one(drawn, basis) -> None:
    w = np.array([a for a, _ in drawn])
    w /= w.sum()
    rho = np.array([d for _, d in drawn])
    amounts = w / w[0] * 100.0 if basis == "parts" else volume_fractions(w, densities=rho)
    typed = [Typed(f"m{i}", basis, float(a), rho[i], fluid=i == 0) for i, a in enumerate(amounts)]
    assert composed_masses(typed) == pytest.approx(w, abs=1e-7)


def test_a_sum_typed_by_mass_is_not_forced_to_one() -> None:
    assert composed_masses([Typed("a", "mass", 0.894), Typed("b", "mass", 0.1)]).sum() == pytest.approx(0.994)


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ([Typed("a", "volume", 0.6, 4000.0), Typed("b", "volume", 0.394, 1000.0)], "0.6 % missing"),
        ([Typed("a", "volume", 0.6, 4000.0), Typed("b", "rest")], "density of b missing"),
        ([Typed("a", "mass", 1.2), Typed("b", "rest")], "less than nothing for b"),
        ([Typed("a", "parts", 900.0), Typed("b", "rest")], "need a fluid"),
        ([Typed("a", "rest"), Typed("b", "rest")], "only one line"),
    ],
)
def test_what_cannot_be_composed_says_why(typed, words) -> None:
    with pytest.raises(AnalysisError, match=words):
        composed_masses(typed)


def test_bounds_of_two_phases_are_the_published_ones_and_splitting_a_phase_changes_nothing() -> None:
    # Hashin and Shtrikman 1962, two phases: k_m + phi / (1/(k_f - k_m) + (1 - phi)/(3 k_m));
    # by hand for 0.2, 30, 0.6: 0.2 + 0.6 / (1/29.8 + 0.4/0.6) = 1.0569
    low, high = hashin_shtrikman(0.2, filler=30.0, fraction=0.6)
    assert low == pytest.approx(1.0569, abs=5e-5)
    assert bounds([0.2, 30.0], fractions=[0.4, 0.6]) == pytest.approx((low, high))
    assert bounds([0.2, 30.0, 30.0], fractions=[0.4, 0.35, 0.25]) == pytest.approx((low, high))
