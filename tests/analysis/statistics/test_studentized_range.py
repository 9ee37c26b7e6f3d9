"""The studentized range and Dunnett's t against SciPy, published tables, and Dunnett's own data."""

import numpy as np
import pytest
from scipy import stats

from analysis.statistics.studentized_range import (
    dunnett_quantile,
    dunnett_tail,
    studentized_range_quantile,
    studentized_range_tail,
)


@pytest.mark.parametrize("dof", [1.0, 2.0, 4.5, 5.0, 16.0, 120.0, np.inf])
@pytest.mark.parametrize("groups", [2, 3, 12, 100])
def test_tail_agrees_with_scipy(groups: int, dof: float) -> None:
    q = np.array([0.5, 2.0, 4.0, 7.0])
    expected = stats.studentized_range.sf(q, groups, dof)
    assert studentized_range_tail(q, groups=groups, dof=dof) == pytest.approx(expected, abs=1e-7)


# Upper 5 % points as printed in tables of the studentized range, such as NIST e-Handbook 7.4.7.1
@pytest.mark.parametrize(("groups", "dof", "point"), [(4, 16, 4.046), (3, 10, 3.877), (2, 5, 3.635), (10, 20, 5.008)])
def test_quantile_is_that_of_the_tables(groups: int, dof: float, point: float) -> None:
    found = float(studentized_range_quantile(0.95, groups=groups, dof=dof))
    assert found == pytest.approx(point, abs=6e-4)
    assert found == pytest.approx(float(stats.studentized_range.ppf(0.95, groups, dof)), rel=1e-6)


def test_two_groups_are_students_t() -> None:
    found = studentized_range_quantile(0.95, groups=2, dof=np.array([3.0, 30.0])) / np.sqrt(2.0)
    assert found == pytest.approx(stats.t.ppf(0.975, [3.0, 30.0]), rel=1e-8)


def test_500_groups_agree_with_scipy() -> None:
    found = float(studentized_range_quantile(0.95, groups=500, dof=9500))
    assert found == pytest.approx(float(stats.studentized_range.ppf(0.95, 500, 9500)), rel=1e-7)


@pytest.mark.parametrize(("lowest", "highest"), [(1.0, 4.0), (2.0, 40.0), (5.0, np.inf)])
def test_interpolation_between_many_degrees_of_freedom_keeps_its_bound(lowest: float, highest: float) -> None:
    rng = np.random.default_rng(7)
    dof = 1.0 / rng.uniform(1.0 / highest, 1.0 / lowest, 3000)
    dof[:2] = lowest, highest
    q = rng.uniform(0.0, 20.0, 3000)
    tail = studentized_range_tail(q, groups=20, dof=dof)
    quantile = studentized_range_quantile(0.95, groups=20, dof=dof)
    for one in range(150):
        assert tail[one] == pytest.approx(float(studentized_range_tail(q[one], groups=20, dof=dof[one])), abs=1e-4)
        exact = float(studentized_range_quantile(0.95, groups=20, dof=dof[one]))
        assert quantile[one] == pytest.approx(exact, rel=1e-5)


def test_many_tails_at_one_dof_keep_their_bound() -> None:
    q = np.linspace(0.0, 40.0, 2000)
    tail = studentized_range_tail(q, groups=6, dof=np.full(q.shape, 3.0))
    assert tail[::40] == pytest.approx(studentized_range_tail(q[::40], groups=6, dof=3.0), abs=1e-5)


def test_dunnett_reproduces_the_blood_count_example() -> None:
    # Dunnett 1955, blood counts; probabilities as given in SciPy's test suite: 0.6201020, 0.0058254
    found = dunnett_tail([0.857032, 3.693752], sizes=[4, 5], reference_size=6, dof=12)
    assert found == pytest.approx([0.6201020, 0.0058254], abs=2e-6)


def test_dunnett_quantiles_are_those_of_the_tables() -> None:
    # Dunnett 1964, two-sided 5 % points, equal sizes (from memory), for 2, 3 and 9 treatments
    for others, dof, point in ((2, 12, 2.50), (3, 12, 2.68), (9, 20, 2.95)):
        found = dunnett_quantile(0.95, sizes=[5] * others, reference_size=5, dof=dof)
        assert found == pytest.approx(point, abs=0.006)


def test_dunnett_against_one_is_students_t() -> None:
    assert dunnett_quantile(0.95, sizes=[4], reference_size=7, dof=9) == pytest.approx(stats.t.ppf(0.975, 9), rel=1e-7)


def test_many_dunnett_tails_keep_their_bound() -> None:
    t = np.linspace(0.0, 6.0, 300)
    many = dunnett_tail(t, sizes=np.full(300, 4), reference_size=8, dof=40)
    assert many[::10] == pytest.approx(dunnett_tail(t[::10], sizes=np.full(300, 4), reference_size=8, dof=40), abs=1e-4)
