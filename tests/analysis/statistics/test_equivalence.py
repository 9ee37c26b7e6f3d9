"""Welch's t against the NIST e-Handbook and SciPy; two one-sided tests against statsmodels."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.weightstats import ttost_ind

from analysis.statistics.equivalence import compare_two, equivalence, welch_t

X = [10.2, 10.5, 9.9, 10.1, 10.4, 10.0]
Y = [10.3, 10.6, 10.1, 10.2, 10.5, 10.4]
A = [27.5, 21, 19, 23.6, 17, 17.9, 16.9, 20.1, 21.9, 22.6, 23.1, 19.6, 19, 21.7, 21.4]
B = [27.1, 22, 20.8, 23.4, 23.4, 23.5, 25.8, 22, 24.8, 20.2, 21.9, 22.1, 22.9, 20.5, 24.4]


def test_t_of_the_handbook_example() -> None:
    # NIST e-Handbook 1.3.5.3, AUTO83B: pooled t -12.62059; Welch t -12.94627 at 136.87499 degrees of freedom
    first, second = (249, 20.14458, 6.414700), (79, 30.48101, 6.107710)
    assert welch_t(first, second, pooled=True).t == pytest.approx(-12.62059, abs=1e-5)
    test = welch_t(first, second)
    assert (test.t, test.dof) == (pytest.approx(-12.94627, abs=1e-5), pytest.approx(136.87499, abs=1e-4))


def test_welch_t_from_values() -> None:
    test = compare_two(A, B)  # worked case, computed with SciPy
    assert (test.t, test.dof, test.p) == (
        pytest.approx(-2.455356, abs=1e-6),
        pytest.approx(24.98853, abs=1e-5),
        pytest.approx(0.0213780, abs=1e-7),
    )
    assert compare_two(A, B, pooled=True).p == pytest.approx(0.0205445, abs=1e-7)


@pytest.mark.parametrize(("pooled", "p"), [(False, 0.0107774), (True, 0.0103799)])
def test_two_one_sided_tests(pooled: bool, p: float) -> None:
    found = equivalence(X, Y, margin=0.5, pooled=pooled)  # worked case, computed with statsmodels
    assert found.p == pytest.approx(p, abs=1e-7)
    assert found.p == pytest.approx(
        ttost_ind(np.array(X), np.array(Y), -0.5, 0.5, usevar="pooled" if pooled else "unequal")[0]
    )
    assert found.equivalent


def test_interval_of_the_two_one_sided_tests() -> None:
    found = equivalence(X, Y, margin=0.5)
    assert (found.difference, found.low, found.high) == pytest.approx((-0.1666667, -0.387992, 0.054658), abs=1e-6)


@settings(max_examples=60, deadline=None)
@given(shift=st.floats(-1.0, 1.0), margin=st.floats(0.0, 1.0))
def test_passes_just_when_the_interval_lies_inside_the_margin(shift: float, margin: float) -> None:
    found = equivalence([one + shift for one in X], Y, margin=margin)
    assert found.equivalent == (found.p < 0.05)
    assert margin > 0.0 or not found.equivalent
