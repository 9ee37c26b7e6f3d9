"""One-way comparison against certified values of the NIST Statistical Reference Datasets and against SciPy.

The datasets (public, NIST) are read from the installed SciPy, which uses them in its own tests.
"""

import math
from pathlib import Path

import numpy as np
import pytest
import scipy
from scipy import stats

from analysis.statistics.one_way import anova, brown_forsythe, summarise, welch_anova

NIST = Path(scipy.__file__).parent / "stats" / "tests" / "data" / "nist_anova"

# NIST/SEMATECH e-Handbook of Statistical Methods, 7.4.7.1
FOUR = [[6.9, 5.4, 5.8, 4.6, 4.0], [8.3, 6.8, 7.8, 9.2, 6.5], [8.0, 10.5, 8.1, 6.9, 9.3], [5.8, 3.8, 6.1, 5.6, 6.2]]
FOUR_VALUES, FOUR_GROUP = np.concatenate(FOUR), np.repeat(np.arange(4), 5)


def dataset(name: str) -> tuple[np.ndarray, np.ndarray]:
    group, values = np.loadtxt(NIST / f"{name}.dat", skiprows=60, unpack=True)
    return values, group.astype(int) - 1


# NIST StRD, certified F statistics; the tolerance of SmLs07 and SmLs09 is what 13 and 7 constant leading digits leave
@pytest.mark.parametrize(
    ("name", "certified", "tolerance"),
    [
        ("SiRstv", 1.18046237440255, 1e-9),
        ("AtmWtAg", 15.9467335677930, 1e-9),
        ("SmLs01", 21.0, 1e-9),
        ("SmLs04", 21.0, 1e-9),
        ("SmLs07", 21.0, 1e-3),
        ("SmLs09", 2001.0, 1e-3),
    ],
)
def test_f_is_the_certified_one(name: str, certified: float, tolerance: float) -> None:
    values, group = dataset(name)
    assert anova(summarise(values, group=group)).statistic == pytest.approx(certified, rel=tolerance)


def test_residual_standard_deviation_is_the_certified_one() -> None:
    values, group = dataset("SiRstv")
    assert math.sqrt(summarise(values, group=group).pooled_variance) == pytest.approx(0.104076068334656, rel=1e-12)


def test_f_and_probability_of_the_handbook_example() -> None:
    # NIST e-Handbook 7.4.3: F = 9.59 for the first three groups; all four computed with SciPy
    test = anova(summarise(FOUR_VALUES, group=FOUR_GROUP))
    assert (test.statistic, test.p) == (pytest.approx(9.723840, abs=1e-6), pytest.approx(0.000684454, abs=1e-9))
    three = anova(summarise(FOUR_VALUES[:15], group=FOUR_GROUP[:15]))
    assert (three.statistic, three.p) == (pytest.approx(9.59, abs=0.005), pytest.approx(0.00324823, abs=1e-8))


def test_welch_f_agrees_with_another_library() -> None:
    # pingouin 0.7 welch_anova on the same data: F 8.072769, 3 and 8.837426 degrees of freedom, p 0.006672
    test = welch_anova(summarise(FOUR_VALUES, group=FOUR_GROUP))
    assert test.statistic == pytest.approx(8.072769, abs=1e-6)
    assert test.dof_within == pytest.approx(8.837426, abs=1e-6)
    assert test.p == pytest.approx(0.006672, abs=1e-6)


@pytest.mark.parametrize("sizes", [(3, 4, 9), (5, 5), (12, 3, 3, 6)])
def test_equal_variance_test_agrees_with_scipy(sizes: tuple[int, ...]) -> None:
    rng = np.random.default_rng(4)
    lists = [rng.normal(10 * number, 1 + number, size) for number, size in enumerate(sizes)]
    test = brown_forsythe(np.concatenate(lists), group=np.repeat(np.arange(len(sizes)), sizes))
    expected = stats.levene(*lists, center="median")
    assert test is not None
    assert (test.statistic, test.p) == pytest.approx((expected.statistic, expected.pvalue), rel=1e-10)


def test_groups_of_two_take_no_part_in_the_equal_variance_test() -> None:
    values, group = np.array([1.0, 2.0, 5.0, 9.0]), np.array([0, 0, 1, 1])
    assert brown_forsythe(values, group=group) is None
    more = brown_forsythe(np.append(values, [1, 2, 4, 3, 7, 8]), group=np.append(group, [2, 2, 2, 3, 3, 3]))
    assert more is not None
    assert more.dof_between == 1


def test_a_single_value_has_no_variance_and_no_degrees_of_freedom() -> None:
    groups = summarise([5.0, 7.0, 3.0], group=[0, 0, 1])
    assert math.isnan(groups.variance[1])
    assert groups.dof == 1
    assert groups.pooled_variance == pytest.approx(2.0)


def test_values_without_any_scatter_differ_beyond_doubt() -> None:
    assert anova(summarise([1.0, 1.0, 2.0, 2.0], group=[0, 0, 1, 1])).p == 0.0
    assert anova(summarise([1.0, 1.0, 1.0, 1.0], group=[0, 0, 1, 1])).p == 1.0
