"""Coverage factors against JCGM 100:2008, table G.2 (values of t for p = 95 %)."""

import math

import numpy as np
import pytest

from analysis.results import Measured
from analysis.statistics.student import coverage_factor, two_sided_p

# JCGM 100:2008, table G.2, column p = 95 %
TABLE_G2 = {1: 12.71, 2: 4.30, 3: 3.18, 4: 2.78, 5: 2.57, 8: 2.31, 10: 2.23, 16: 2.12, 20: 2.09, 50: 2.01}


@pytest.mark.parametrize(("dof", "factor"), TABLE_G2.items())
def test_coverage_factor_is_that_of_the_guides_table(dof: int, factor: float) -> None:
    assert coverage_factor(dof) == pytest.approx(factor, abs=0.005)


def test_infinite_degrees_of_freedom_give_the_normal_quantile() -> None:
    assert coverage_factor(math.inf) == pytest.approx(1.959964, abs=1e-6)  # JCGM 100:2008, table G.1: 1.960


def test_other_confidence() -> None:
    assert coverage_factor(8, confidence=0.99) == pytest.approx(3.36, abs=0.005)  # JCGM 100:2008, table G.2, 99 %


def test_an_array_gives_an_array_of_its_shape() -> None:
    factors = coverage_factor(np.array([[1.0, 5.0], [math.inf, math.nan]]))
    assert factors.shape == (2, 2)
    assert factors[0] == pytest.approx([12.706, 2.571], abs=1e-3)
    assert math.isnan(factors[1, 1])


@pytest.mark.parametrize("dof", [0.0, -3.0, math.nan])
def test_degrees_of_freedom_that_are_none_give_nan(dof: float) -> None:
    assert math.isnan(coverage_factor(dof))


def test_measured_uses_it() -> None:
    assert Measured(10.0, 0.5, 16).expanded == pytest.approx(0.5 * 2.1199, abs=1e-4)


def test_probability_inverts_the_factor() -> None:
    assert two_sided_p([12.706, -1.959964], dof=[1.0, math.inf]) == pytest.approx([0.05, 0.05], abs=1e-5)
