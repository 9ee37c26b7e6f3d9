"""Capability, gauge studies and tolerance intervals against published examples."""

import numpy as np
import pytest

from analysis.errors import OutOfRange
from analysis.quality.capability import NotInControl, capability, cp_interval, cpk_interval
from analysis.quality.conformity import Limits
from analysis.quality.gauge import gauge_study
from analysis.quality.tolerance import one_sided_factor, two_sided_factor

# Houf and Berman (1988), IEEE Transactions on Components, Hybrids and Manufacturing Technology 11: thermal impedance of
# 10 parts by 3 inspectors, 3 repeats, degC/W x 100 (data from an open repository; the citation from memory)
THERMAL = """
37 38 37|41 41 40|41 42 41; 42 41 43|42 42 42|43 42 43; 30 31 31|31 31 31|29 30 28; 42 43 42|43 43 43|42 42 42
28 30 29|29 30 29|31 29 29; 42 42 43|45 45 45|44 46 45; 25 26 27|28 28 30|29 27 27; 40 40 40|43 42 42|43 43 41
25 25 25|27 29 28|26 26 26; 35 34 34|35 35 34|35 34 35
"""


def study() -> np.ndarray:
    parts = THERMAL.strip().replace("\n", ";").split(";")
    return np.array([[[float(v) for v in cell.split()] for cell in part.split("|")] for part in parts])


def test_a_published_study_of_thermal_impedance_is_parted_as_printed() -> None:
    found = gauge_study(study())
    effects = (found.part, found.operator, found.interaction, found.repeat)
    sums = (3935.9556, 39.2667, 48.5111, 30.6667)
    assert [e.sum_of_squares for e in effects] == pytest.approx(sums, abs=1e-4)
    assert [e.f for e in effects[:3]] == pytest.approx((162.270, 7.28493, 5.27295), rel=1e-4)
    assert found.interaction.p == pytest.approx(5.06e-7, rel=0.01)
    variances = (found.repeat_variance, found.interaction_variance, found.operator_variance, found.part_variance)
    assert variances == pytest.approx((0.511111, 0.727984, 0.564609, 48.292593), abs=1e-6)
    assert found.system_share == pytest.approx(0.18975, abs=1e-5)
    assert found.classes == 7
    assert found.of_tolerance(58.0 - 18.0) == pytest.approx(0.201453, abs=1e-6)


def test_a_study_needs_parts_operators_and_repeats() -> None:
    with pytest.raises(OutOfRange):
        gauge_study(study()[:, :, :1])


def test_intervals_of_capability_after_bissell() -> None:
    # Bissell 1990, computed
    found = cpk_interval(1.33, n=30)
    assert (found.low, found.high, found.at_least) == pytest.approx((0.9675, 1.6925, 1.0258), abs=1e-4)
    assert (cpk_interval(1.0, n=50).low, cpk_interval(1.0, n=50).high) == pytest.approx((0.7815, 1.2185), abs=1e-4)
    assert (cp_interval(1.33, n=30).low, cp_interval(1.33, n=30).high) == pytest.approx((0.9894, 1.6700), abs=1e-4)


def test_the_interval_of_capability_holds_the_true_value_as_often_as_it_says() -> None:
    rng = np.random.default_rng(7)
    held = [_holds(rng.normal(10.0, 0.5, 40), true=1.0) for _ in range(600)]
    assert 0.92 <= np.mean(held) <= 0.985


def _holds(x: np.ndarray, *, true: float) -> bool:
    found = cpk_interval(min(11.5 - x.mean(), x.mean() - 8.5) / (3.0 * x.std(ddof=1)), n=x.size)
    return found.low <= true <= found.high


def test_capability_is_refused_out_of_control_and_for_few_values() -> None:
    x = np.random.default_rng(2).normal(10.0, 0.5, 40)
    limits = Limits(8.0, 12.0)
    found = capability(x, limits=limits)
    assert found.cp is not None
    assert found.cpk.value <= found.cp.value
    assert found.cpk.at_least < found.cpk.value
    assert capability(x, limits=Limits(upper=12.0)).cp is None
    with pytest.raises(OutOfRange, match="too few"):
        capability(x[:12], limits=limits)
    with pytest.raises(NotInControl, match="1 of 40"):
        capability(np.append(x[:-1], 14.0), limits=limits)


@pytest.mark.parametrize(
    ("n", "one", "two"), [(5, 4.2027, 5.0769), (10, 2.9110, 3.3934), (20, 2.3960, 2.7603), (50, 2.0650, 2.3816)]
)
def test_tolerance_factors_are_those_of_iso_16269_6(n: int, one: float, two: float) -> None:
    assert one_sided_factor(n) == pytest.approx(one, abs=1e-4)
    assert two_sided_factor(n) == pytest.approx(two, abs=1e-4)


def test_tolerance_factors_for_other_shares() -> None:
    # ISO 16269-6, 99 % of the units with 95 % confidence; NIST/SEMATECH e-Handbook 7.2.6.3 (exact values)
    assert two_sided_factor(10, share=0.99) == pytest.approx(4.4369, abs=2e-4)
    assert one_sided_factor(43, share=0.90, confidence=0.99) == pytest.approx(1.8740, abs=1e-4)
    assert two_sided_factor(43, share=0.90, confidence=0.99) == pytest.approx(2.2228, abs=1e-4)
