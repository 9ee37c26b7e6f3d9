"""Verdicts against worked examples of JCGM 106 and the guard band of ILAC-G8."""

from __future__ import annotations

import math

import pytest
from scipy import stats

from analysis.errors import AnalysisError
from analysis.quality.conformity import (
    Limits,
    Outcome,
    expanded,
    judge,
    judge_by_risk,
    mean_of,
    probability_of_conformity,
)
from analysis.results import Measured

UPPER = Limits(upper=12.0)


@pytest.mark.parametrize(
    ("value", "outcome", "probability", "within"),
    [
        (11.0, Outcome.PASS, 0.9996, 5e-5),
        (11.6, Outcome.CONDITIONAL_PASS, 0.909, 5e-4),
        (12.2, Outcome.CONDITIONAL_FAIL, 0.252, 5e-4),
        (12.7, Outcome.FAIL, 0.0098, 5e-5),
    ],
)
def test_four_outcomes_about_an_upper_limit_with_their_probabilities(value, outcome, probability, within) -> None:
    # limit 12.0, u 0.30, guard band U = 0.60: computed from JCGM 106:2012, 7.3, with tables of the normal distribution
    found = judge(Measured(value, 0.30, math.inf), limits=UPPER)
    assert found.outcome is outcome
    assert found.probability == pytest.approx(probability, abs=within)
    assert found.guard_band == pytest.approx(0.60)


def test_probability_of_the_worked_example_with_an_upper_limit() -> None:
    # JCGM 106:2012, clause 7: breakdown voltage y = -5.47 V, u = 0.05 V, upper limit -5.40 V: p_c = 0.919 (from memory)
    found = probability_of_conformity(Measured(-5.47, 0.05, math.inf), limits=Limits(upper=-5.40))
    assert found == pytest.approx(0.919243, abs=1e-6)


def test_at_the_edge_of_the_guard_band_accepting_is_wrong_in_two_of_a_hundred() -> None:
    # ILAC-G8:09/2019, table 1: with w = U the probability of false accept is below 2.5 %; Phi(-2) = 2.275 %
    found = judge(Measured(11.4, 0.30, math.inf), limits=UPPER)
    assert found.outcome is Outcome.PASS
    assert found.wrong_acceptance == pytest.approx(0.02275, abs=1e-5)


def test_simple_acceptance_at_the_limit_is_wrong_in_half_the_cases() -> None:
    # ILAC-G8:09/2019, table 1: simple acceptance, probability of false accept up to 50 %
    found = judge(Measured(12.0, 0.30, math.inf), limits=UPPER, guard_factor=0.0)
    assert found.outcome is Outcome.PASS
    assert found.wrong_acceptance == pytest.approx(0.5)


def test_simple_acceptance_knows_no_conditions() -> None:
    outcomes = [judge(Measured(y, 0.3, math.inf), limits=UPPER, guard_factor=0.0).outcome for y in (11.99, 12.01)]
    assert outcomes == [Outcome.PASS, Outcome.FAIL]


@pytest.mark.parametrize(
    ("value", "outcome"),
    [(5.0, "pass"), (1.1, "conditional_pass"), (9.9, "conditional_pass"), (0.9, "conditional_fail"), (10.3, "fail")],
)
def test_two_sided_limits_are_judged_by_the_nearer_one(value: float, outcome: str) -> None:
    assert judge(Measured(value, 0.1, math.inf), limits=Limits(1.0, 10.0)).outcome == outcome


def test_two_sided_probability_is_the_area_between_the_limits() -> None:
    found = probability_of_conformity(Measured(5.0, 1.0, math.inf), limits=Limits(4.0, 7.0))
    assert found == pytest.approx(stats.norm.cdf(2.0) - stats.norm.cdf(-1.0), abs=1e-12)


def test_few_degrees_of_freedom_widen_the_guard_band_by_students_factor() -> None:
    # JCGM 100:2008, table G.2: t at 95 % with 4 degrees of freedom is 2.78
    measured = Measured(11.0, 0.30, 4.0)
    assert expanded(measured) == pytest.approx(2.78 * 0.30, abs=0.002)
    assert judge(measured, limits=UPPER).probability == pytest.approx(stats.t.cdf(1.0 / 0.3, 4), abs=1e-12)


@pytest.mark.parametrize("scale", [1e-6, 1.0, 1e6])
def test_a_change_of_units_changes_no_outcome_and_no_probability(scale: float) -> None:
    found = judge(Measured(11.6 * scale, 0.3 * scale, math.inf), limits=Limits(upper=12.0 * scale))
    assert found.outcome is Outcome.CONDITIONAL_PASS
    assert found.probability == pytest.approx(0.908789, abs=1e-6)


@pytest.mark.parametrize(("value", "expected"), [(11.99, 1.0), (12.0, 1.0), (12.01, 0.0)])
def test_an_exact_value_conforms_or_does_not(value: float, expected: float) -> None:
    assert judge(Measured(value, 0.0, math.inf), limits=UPPER).probability == expected


@pytest.mark.parametrize(
    "measured", [Measured(math.nan, 0.3, 9.0), Measured(11.0, math.nan, 9.0), Measured(1.0, -1.0, 9.0)]
)
def test_what_cannot_be_judged_raises_and_never_passes(measured: Measured) -> None:
    with pytest.raises(AnalysisError):
        judge(measured, limits=UPPER)


@pytest.mark.parametrize("ends", [(None, None), (2.0, 1.0), (1.0, 1.0)])
def test_limits_that_leave_nothing_or_everything_are_refused(ends) -> None:
    with pytest.raises(AnalysisError):
        Limits(*ends)


def test_a_negative_guard_is_refused() -> None:
    with pytest.raises(AnalysisError):
        judge(Measured(11.0, 0.3, math.inf), limits=UPPER, guard_factor=-1.0)


@pytest.mark.parametrize(
    ("value", "outcome"),
    [(11.0, "pass"), (11.6, "conditional_pass"), (12.2, "conditional_fail"), (12.7, "fail")],
)
def test_by_risk_a_value_passes_where_a_wrong_acceptance_is_unlikely_enough(value: float, outcome: str) -> None:
    # limit 12.0, u 0.30: the chances to conform are 0.9996, 0.909, 0.252 and 0.0098 (JCGM 106, 7.1)
    found = judge_by_risk(Measured(value, 0.30), limits=Limits(upper=12.0), risk=0.05)
    assert found.outcome == outcome


def test_by_risk_the_edge_is_where_the_standard_puts_the_guard_band() -> None:
    # ILAC-G8:09/2019, table 2: a guard band of 1.645 u leaves a risk of 5 %
    edge = 12.0 - 1.6448536 * 0.30
    inside, outside = (
        judge_by_risk(Measured(y, 0.30), limits=Limits(upper=12.0), risk=0.05) for y in (edge - 1e-6, edge + 1e-6)
    )
    assert (inside.outcome, outside.outcome) == ("pass", "conditional_pass")
    with pytest.raises(AnalysisError, match="risk"):
        judge_by_risk(Measured(1.0, 0.1), limits=Limits(upper=2.0), risk=0.0)


def test_the_mean_keeps_what_its_results_have_in_common() -> None:
    results = [Measured(value, 0.3) for value in (11.6, 11.8, 12.3, 11.9)]
    found = mean_of(results)
    scatter = math.sqrt(0.26 / 3 / 4)  # sum of squares 0.26 about 11.9, by hand
    assert found.value == pytest.approx(11.9)
    assert found.u == pytest.approx(math.hypot(scatter, 0.3))
    assert found.dof == pytest.approx(found.u**4 / (scatter**4 / 3))
    assert mean_of(results[:1]) is results[0]
    # with one result outside, each fails and the mean passes: which of them rules is written before
    limits = Limits(upper=12.2)
    assert judge(results[2], limits=limits, guard_factor=0.0).outcome != "pass"
    assert judge(found, limits=limits, guard_factor=0.0).outcome == "pass"
