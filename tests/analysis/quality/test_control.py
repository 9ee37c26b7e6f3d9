"""Control charts against published examples and tables."""

import numpy as np
import pytest

from analysis.errors import OutOfRange
from analysis.quality.chart_constants import chart_constants
from analysis.quality.control import (
    Phase,
    averages,
    cumulative_sums,
    individuals,
    phase_of,
    phase_of_samples,
    ranges,
    ranges_moving,
    spreads,
    weighted_average,
)
from analysis.quality.run_length import run_length_of_limits, run_length_of_sums, run_length_of_weighted_average
from analysis.quality.run_rules import RULE_SETS, signals

# NIST/SEMATECH e-Handbook, 6.3.2.2: flowrate data (from memory)
FLOW = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
# NIST/SEMATECH e-Handbook, 6.3.2.4: weighted average, weight 0.3, target 50, s = 2.0539
WEIGHTED = (52, 47, 53, 49.3, 50.1, 47, 51, 50.1, 51.2, 50.5, *FLOW)
WEIGHTED_POINTS = (50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05)
WEIGHTED_POINTS += (49.38, 49.92, 50.73, 51.23, 51.94, 51.99)
# NIST/SEMATECH e-Handbook, 6.3.2.3: cumulative sum, target 325, K = 0.3175, H = 4.1959 (from memory)
SUMMED = (324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625, 325.150)
SUMMED += (328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350)
HIGH = (0, 0, 0, 0, 0.0325, 0, 0, 0, 0, 0, 0, 0, 3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035)

# ASTM E2587 and ISO 7870-2, tables of factors: n, d2, d3, c4, A2, A3, D3, D4, B3, B4
TABLE = (
    (2, 1.1284, 0.8525, 0.7979, 1.880, 2.659, 0, 3.267, 0, 3.267),
    (3, 1.6926, 0.8884, 0.8862, 1.023, 1.954, 0, 2.575, 0, 2.568),
    (5, 2.3259, 0.8641, 0.9400, 0.577, 1.427, 0, 2.114, 0, 2.089),
    (7, 2.7044, 0.8332, 0.9594, 0.419, 1.182, 0.076, 1.924, 0.118, 1.882),
    (10, 3.0775, 0.7971, 0.9727, 0.308, 0.975, 0.223, 1.777, 0.284, 1.716),
    (25, 3.931, 0.708, 0.9896, 0.153, 0.606, 0.459, 1.541, 0.565, 1.435),  # from memory
)


@pytest.mark.parametrize("row", TABLE)
def test_the_factors_are_those_of_the_standards_tables(row: tuple[float, ...]) -> None:
    found = chart_constants(int(row[0]))
    ours = (found.d2, found.d3, found.c4, found.a2, found.a3, *found.range_limits, *found.spread_limits)
    assert ours == pytest.approx(row[1:], abs=0.0011)


def test_individuals_have_the_limits_of_the_handbook() -> None:
    phase = phase_of(FLOW)
    chart = individuals(FLOW, phase=phase)
    assert phase.level == pytest.approx(50.81)
    assert ranges_moving(FLOW, phase=phase).centre[0] == pytest.approx(1.8778, abs=5e-5)
    # the handbook divides by 1.128; the factor itself is 1.12838
    assert (chart.upper[0], chart.lower[0]) == pytest.approx((55.8041, 45.8159), abs=2e-3)
    assert chart.first_signal is None


def test_the_weighted_average_is_that_of_the_handbook() -> None:
    chart = weighted_average(WEIGHTED, phase=Phase(50.0, 2.0539, 20), weight=0.3, reach=3.0)
    assert chart.points == pytest.approx(WEIGHTED_POINTS, abs=0.0051)
    assert (chart.upper[-1], chart.lower[-1]) == pytest.approx((52.5884, 47.4115), abs=1e-3)
    assert chart.first_signal is None


def test_the_cumulative_sum_signals_where_the_handbook_says() -> None:
    sums = cumulative_sums(SUMMED, phase=Phase(325.0, 0.635, 20), slack=0.5, height=4.1959 / 0.635)
    assert sums.high == pytest.approx(HIGH, abs=1e-9)
    assert (sums.low.argmax(), sums.low.max()) == (7, pytest.approx(0.7150, abs=1e-9))
    assert sums.first_signal == 13


def test_run_lengths_are_the_published_ones() -> None:
    assert run_length_of_limits() == pytest.approx(370.40, abs=0.01)
    assert run_length_of_limits(shift=1.0) == pytest.approx(43.89, abs=0.01)
    # Brook and Evans 1972; Lucas and Saccucci 1990
    for slack, height, shift, expected in (
        (0.5, 4, 0, 167.7),
        (0.5, 4, 1, 8.38),
        (0.5, 5, 0, 465.4),
        (0.5, 5, 1, 10.38),
    ):
        assert run_length_of_sums(slack=slack, height=height, shift=shift) == pytest.approx(expected, rel=0.01)
    for weight, reach, calm, shifted in (
        (0.1, 2.814, 499.5, 10.33),
        (0.2, 2.962, 499.7, 10.54),
        (0.4, 3.054, 499.9, 14.26),
    ):
        assert run_length_of_weighted_average(weight=weight, reach=reach) == pytest.approx(calm, rel=0.01)
        assert run_length_of_weighted_average(weight=weight, reach=reach, shift=1.0) == pytest.approx(shifted, rel=0.01)


@pytest.mark.parametrize("key", sorted(RULE_SETS))
def test_a_rule_set_signals_falsely_as_often_as_it_says(key: str) -> None:
    rng = np.random.default_rng(20261125)
    lengths = [_first(rng.standard_normal(1500), key) for _ in range(2500)]
    expected = min(RULE_SETS[key].false_signal_every, 1500.0)
    shortened = expected * (1.0 - np.exp(-1500.0 / expected))  # runs are cut after 1500 points
    assert np.mean(lengths) == pytest.approx(shortened, rel=4.0 / np.sqrt(2500))


def _first(z: np.ndarray, key: str) -> int:
    found = np.zeros(z.size, dtype=bool)
    for rule in RULE_SETS[key].rules:
        found |= rule(z)
    hits = np.flatnonzero(found)
    return int(hits[0]) + 1 if hits.size else z.size


def test_each_rule_names_the_point_at_which_it_is_broken() -> None:
    def words(values: list[float], rules: str) -> list[tuple[int, str]]:
        return [(s.point, s.rule.split(" ", maxsplit=1)[0]) for s in signals(values, level=0.0, sigma=1.0, rules=rules)]

    assert words([0.1, -0.2, 3.2], "zones") == [(2, "one")]
    assert words([2.1, 0.0, 2.2], "zones") == [(2, "two")]
    assert words([2.1, 0.0, -2.2], "zones") == []
    assert words([1.1, 1.2, 0.1, 1.3, 1.1], "zones") == [(4, "four")]
    assert words([0.1] * 8, "zones") == [(7, "eight")]
    assert words([0.1] * 8, "eight tests") == []
    assert words([0.1] * 9, "eight tests") == [(8, "nine")]
    assert words([-1.4, -0.9, -0.5, 0.0, 0.3, 0.9], "eight tests") == [(5, "six")]
    assert words([0.2 * (-1) ** i for i in range(14)], "eight tests") == [(13, "fourteen")]
    assert words([1.5, -1.5, 1.5, 1.4, -1.2, -1.5, 1.4, -1.1], "eight tests") == [(7, "eight")]


def test_samples_are_charted_by_average_range_and_spread() -> None:
    rows = np.random.default_rng(3).normal(12.0, 0.4, size=(200, 5))
    for by in ("range", "s"):
        assert phase_of_samples(rows, by=by).sigma == pytest.approx(0.4, rel=0.05)
    phase = phase_of_samples(rows)
    shifted = rows + 0.8
    assert averages(rows, phase=phase).outside.mean() < 0.02
    assert averages(shifted, phase=phase).outside.mean() > 0.8
    assert ranges(shifted, phase=phase).outside.mean() < 0.03
    assert spreads(rows * [[1.0, 1.0, 1.0, 1.0, 3.0]], phase=phase).outside.mean() > 0.9


def test_later_points_never_move_the_limits() -> None:
    phase = phase_of(FLOW)
    before = individuals(FLOW, phase=phase)
    after = individuals([*FLOW, 80.0, 81.0], phase=phase)
    assert after.upper[0] == before.upper[0]
    assert after.first_signal == len(FLOW)


@pytest.mark.parametrize(
    "values", [[1.0] * 5, [1.0, float("nan")] * 10, [[1.0, 2.0]] * 10], ids=["too few", "a gap", "two rows"]
)
def test_a_first_phase_that_cannot_be_used_is_refused(values: list) -> None:
    with pytest.raises(OutOfRange):
        phase_of(values)
    with pytest.raises(OutOfRange):
        chart_constants(1)
