"""Planning against Cohen's tables, statsmodels and a simulation."""

import numpy as np
import pytest
from statsmodels.stats.power import TTestIndPower

from analysis.statistics.multiple import all_pairs
from analysis.statistics.one_way import summarise
from analysis.statistics.power import Plan, chance_to_see, needed_per_group, smallest_difference


@pytest.mark.parametrize(("n", "smallest"), [(3, 3.0709), (5, 2.0244), (10, 1.3249)])
def test_smallest_difference_agrees_with_statsmodels(n: int, smallest: float) -> None:
    found = smallest_difference(Plan(1.0), n=n)
    assert found == pytest.approx(smallest, abs=1e-4)
    assert found == pytest.approx(TTestIndPower().solve_power(nobs1=n, alpha=0.05, power=0.8), rel=1e-5)


@pytest.mark.parametrize(("n", "smallest"), [(2, 2.26), (3, 1.23), (5, 0.81)])
def test_smallest_difference_in_impedance(n: int, smallest: float) -> None:
    # s = 0.40 mm2 K/W; risk 0.05, power 0.8 (statsmodels)
    assert smallest_difference(Plan(0.40), n=n) == pytest.approx(smallest, abs=5e-3)


def test_needed_numbers_are_cohens() -> None:
    # Cohen 1988, table 2.4.1 (from memory): 64, 26, 17 a group for d = 0.5, 0.8, 1.0
    assert list(needed_per_group([0.5, -0.8, 1.0], plan=Plan(1.0))) == [64, 26, 17]


def test_no_number_suffices_for_a_difference_too_small() -> None:
    assert list(needed_per_group([0.001, 0.0], plan=Plan(1.0))) == [0, 0]


def test_doubt_that_repetition_does_not_lessen_can_make_a_difference_out_of_reach() -> None:
    assert needed_per_group([1.0], plan=Plan(1.0), extra=0.04)[0] > 17
    assert needed_per_group([1.0], plan=Plan(1.0), extra=0.25)[0] == 0


def test_chance_agrees_with_statsmodels() -> None:
    plan = Plan(1.0)
    chance = chance_to_see(0.5 * np.sqrt(64 / 2), dof=126, critical=plan.critical(126))
    assert float(chance) == pytest.approx(0.801460, abs=1e-6)


def test_more_groups_at_once_need_a_larger_difference() -> None:
    assert smallest_difference(Plan(1.0, groups=6), n=5) > smallest_difference(Plan(1.0), n=5)


def test_promise_for_five_groups_holds_in_simulation() -> None:
    plan, n, rng = Plan(1.0, groups=5), 4, np.random.default_rng(11)
    step = smallest_difference(plan, n=n)
    seen = 0
    for _ in range(600):
        values = rng.normal(size=(5, n))
        values[1] += step
        seen += bool(all_pairs(summarise(values.ravel(), group=np.repeat(np.arange(5), n)), pooled=True).significant[0])
    assert seen / 600 == pytest.approx(0.8, abs=0.05)  # three standard errors of 600 draws
