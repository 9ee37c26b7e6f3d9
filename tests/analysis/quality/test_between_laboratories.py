"""Precision between laboratories: the example of ASTM E691, and what is refused."""

import math

import numpy as np
import pytest
from scipy import stats

from analysis.errors import OutOfRange
from analysis.quality.between_laboratories import precision
from analysis.validation.data import GLUCOSE_A, GLUCOSE_C


@pytest.mark.parametrize(
    ("results", "expected"),
    [(GLUCOSE_A, (41.5183, 0.6061, 1.0632, 1.0632)), (GLUCOSE_C, (135.1388, 2.6567, 2.7509, 3.4789))],
)
def test_glucose_in_serum_has_the_printed_precision(results, expected):
    """ASTM E691, glucose, levels A and C."""
    found = precision(results)
    obtained = (found.mean, found.sd_of_means, found.repeatability_sd, found.reproducibility_sd)
    assert obtained == pytest.approx(expected, abs=5e-5)


def test_limits_and_consistency_of_the_same_example():
    a, c = precision(GLUCOSE_A), precision(GLUCOSE_C)
    assert (a.repeatability, c.repeatability, c.reproducibility) == pytest.approx((2.977, 7.702, 9.741), abs=1e-3)
    assert a.h == pytest.approx([-0.39, -0.13, -0.11, -0.10, -0.09, 0.83, -1.75, 1.75], abs=6e-3)
    assert c.k[3] == pytest.approx(2.41, abs=5e-3)
    assert c.k_critical == pytest.approx(2.06, abs=5e-3)
    assert c.h_critical == pytest.approx(2.15, abs=5e-3)  # E691, table of critical values, 8 laboratories; from memory


def test_variance_components_are_those_of_the_analysis_of_variance():
    """scipy.stats.f_oneway: F = n s_x^2 / s_r^2."""
    found = precision(GLUCOSE_C)
    f = stats.f_oneway(*GLUCOSE_C).statistic
    assert 3 * found.sd_of_means**2 / found.repeatability_sd**2 == pytest.approx(f)


def test_another_unit_changes_the_unit_alone():
    one, other = precision(GLUCOSE_C), precision(1e-3 * np.array(GLUCOSE_C))
    assert other.reproducibility_sd == pytest.approx(1e-3 * one.reproducibility_sd)
    assert other.h == pytest.approx(one.h)


@pytest.mark.parametrize("results", [[[1.0, 2.0]] * 2, [[1.0]] * 5, [1.0, 2.0], [[1.0, np.nan]] * 4])
def test_too_few_or_missing_results_are_refused(results):
    with pytest.raises(OutOfRange, match="results: expected"):
        precision(results)


def test_missing_results_are_left_out_and_alike_numbers_give_the_plain_formulas() -> None:
    # ISO 5725-2, 7.4, by hand: laboratories (1, 3), (2, 4, 6), (5, 5); s_r^2 = (2 + 8 + 0) / (1 + 2 + 1) = 2.5;
    # mean 26/7; sum n (x - mean)^2 = 2 (12/7)^2 + 3 (2/7)^2 + 2 (9/7)^2 = 462/49; N = (7 - 17/7) / 2 = 16/7;
    # s_L^2 = (231/49 - 2.5) / (16/7).
    rows = [[1.0, 3.0, math.nan], [2.0, 4.0, 6.0], [5.0, 5.0, math.nan]]
    found = precision(rows)
    assert found.mean == pytest.approx(26.0 / 7.0)
    assert found.repeatability_sd == pytest.approx(math.sqrt(2.5))
    between = (231.0 / 49.0 - 2.5) * 7.0 / 16.0
    assert found.reproducibility_sd == pytest.approx(math.sqrt(2.5 + between))


def test_a_laboratory_with_one_result_is_refused() -> None:
    with pytest.raises(OutOfRange, match="at least 2"):
        precision([[1.0, math.nan], [2.0, 3.0], [2.0, 4.0]])
