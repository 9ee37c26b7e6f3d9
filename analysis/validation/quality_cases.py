"""Quality: control charts, capability, gauge studies, tolerance intervals, decisions, against published examples."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from analysis.quality import (
    between_laboratories,
    capability,
    chart_constants,
    conformity,
    control,
    gauge,
    risks,
    run_length,
    tolerance,
)
from analysis.results import Measured
from analysis.validation import data
from analysis.validation.case import Case, Check

# ASTM E2587 and ISO 7870-2: n, d2, d3, c4, A2, A3, D3, D4, B3, B4
_FACTORS = (
    (2, 1.1284, 0.8525, 0.7979, 1.880, 2.659, 0.0, 3.267, 0.0, 3.267),
    (3, 1.6926, 0.8884, 0.8862, 1.023, 1.954, 0.0, 2.575, 0.0, 2.568),
    (4, 2.0588, 0.8798, 0.9213, 0.729, 1.628, 0.0, 2.282, 0.0, 2.266),
    (5, 2.3259, 0.8641, 0.9400, 0.577, 1.427, 0.0, 2.114, 0.0, 2.089),
    (6, 2.5344, 0.8480, 0.9515, 0.483, 1.287, 0.0, 2.004, 0.030, 1.970),
    (7, 2.7044, 0.8332, 0.9594, 0.419, 1.182, 0.076, 1.924, 0.118, 1.882),
    (8, 2.8472, 0.8198, 0.9650, 0.373, 1.099, 0.136, 1.864, 0.185, 1.815),
    (9, 2.9700, 0.8078, 0.9693, 0.337, 1.032, 0.184, 1.816, 0.239, 1.761),
    (10, 3.0775, 0.7971, 0.9727, 0.308, 0.975, 0.223, 1.777, 0.284, 1.716),
)
_NAMES = ("d2", "d3", "c4", "A2", "A3", "D3", "D4", "B3", "B4")


def _constants() -> Iterator[Check]:
    for n, *expected in _FACTORS:
        found = chart_constants.chart_constants(n)
        ours = (found.d2, found.d3, found.c4, found.a2, found.a3, *found.range_limits, *found.spread_limits)
        for name, value, one in zip(_NAMES, expected, ours, strict=True):
            yield Check(f"{name} for samples of {n}", value, one, 1.1e-3)


def _individuals() -> Iterator[Check]:
    """The handbook divides by 1.128; the factor itself is 1.12838."""
    phase = control.phase_of(data.FLOW)
    chart = control.individuals(data.FLOW, phase=phase)
    moving = control.ranges_moving(data.FLOW, phase=phase)
    yield Check("level", 50.81, phase.level, 1e-9)
    yield Check("mean moving range", 1.8778, float(moving.centre[0]), 5e-5)
    yield Check("upper limit", 55.8041, float(chart.upper[0]), 2e-3)
    yield Check("lower limit", 45.8159, float(chart.lower[0]), 2e-3)


def _weighted() -> Iterator[Check]:
    phase = control.Phase(50.0, 2.0539, 20)
    chart = control.weighted_average(data.WEIGHTED, phase=phase, weight=0.3, reach=3.0)
    for place, (value, found) in enumerate(zip(data.WEIGHTED_POINTS, chart.points, strict=True), start=1):
        yield Check(f"average after value {place}", value, float(found), 5.1e-3)
    yield Check("upper limit", 52.5884, float(chart.upper[-1]), 1e-3)
    yield Check("lower limit", 47.4115, float(chart.lower[-1]), 1e-3)


def _sums() -> Iterator[Check]:
    phase = control.Phase(325.0, 0.635, 20)
    found = control.cumulative_sums(data.SUMMED, phase=phase, slack=0.5, height=4.1959 / 0.635)
    for place, value in enumerate(data.SUMMED_HIGH):
        yield Check(f"upper sum after value {place + 1}", value, float(found.high[place]), 1e-9)
    yield Check("first value with a signal", 14.0, float((found.first_signal or 0) + 1), 0.0)


def _run_lengths() -> Iterator[Check]:
    yield Check("limits at 3 sigma, nothing wrong", 370.40, run_length.run_length_of_limits(), 0.01)
    yield Check("limits at 3 sigma, shift of 1", 43.89, run_length.run_length_of_limits(shift=1.0), 0.01)
    for height, shift, expected in ((4.0, 0.0, 167.7), (4.0, 1.0, 8.38), (5.0, 0.0, 465.4), (5.0, 1.0, 10.38)):
        found = run_length.run_length_of_sums(slack=0.5, height=height, shift=shift)
        yield Check(f"cumulative sum, height {height:g}, shift {shift:g}", expected, found, 0.01 * expected)
    for weight, reach, quiet, shifted in (
        (0.1, 2.814, 499.5, 10.33),
        (0.2, 2.962, 499.7, 10.54),
        (0.4, 3.054, 499.9, 14.26),
    ):
        for shift, expected in ((0.0, quiet), (1.0, shifted)):
            found = run_length.run_length_of_weighted_average(weight=weight, reach=reach, shift=shift)
            yield Check(f"weighted average, weight {weight:g}, shift {shift:g}", expected, found, 0.01 * expected)


def _gauge() -> Iterator[Check]:
    found = gauge.gauge_study(np.array(data.IMPEDANCE_GAUGE, dtype=float))
    for name, effect, expected in (
        ("parts", found.part, 3935.9556),
        ("inspectors", found.operator, 39.2667),
        ("parts by inspectors", found.interaction, 48.5111),
        ("repeats", found.repeat, 30.6667),
    ):
        yield Check(f"sum of squares, {name}", expected, effect.sum_of_squares, 6e-5)
    yield Check("variance of the measuring system", 1.803704, found.system_variance, 1e-6)
    yield Check("share of the total standard deviation", 0.18975, found.system_share, 1e-5)
    yield Check("classes told apart", 7.0, float(found.classes), 0.0)
    yield Check("six standard deviations over limits 18 to 58", 0.201453, found.of_tolerance(40.0), 1e-6)


def _capability() -> Iterator[Check]:
    for cpk, n, low, high in ((1.33, 30, 0.9675, 1.6925), (1.0, 50, 0.7815, 1.2185)):
        found = capability.cpk_interval(cpk, n=n)
        yield Check(f"Cpk {cpk:g} from {n}, lower end", low, found.low, 1e-4)
        yield Check(f"Cpk {cpk:g} from {n}, upper end", high, found.high, 1e-4)
    yield Check("Cpk 1.33 from 30, one-sided", 1.0258, capability.cpk_interval(1.33, n=30).at_least, 1e-4)
    yield Check("Cp 1.33 from 30, lower end", 0.9894, capability.cp_interval(1.33, n=30).low, 1e-4)
    yield Check("Cp 1.33 from 30, upper end", 1.6700, capability.cp_interval(1.33, n=30).high, 1e-4)


def _tolerance() -> Iterator[Check]:
    for n, one, two in (
        (5, 4.2027, 5.0769),
        (10, 2.9110, 3.3934),
        (20, 2.3960, 2.7603),
        (30, 2.2198, 2.5549),
        (50, 2.0650, 2.3816),
    ):
        yield Check(f"one-sided, 95 / 95, n = {n}", one, tolerance.one_sided_factor(n), 1e-4)
        yield Check(f"two-sided, 95 / 95, n = {n}", two, tolerance.two_sided_factor(n), 1e-4)
    found = tolerance.one_sided_factor(10, share=0.99)
    yield Check("one-sided, 99 / 95, n = 10", 3.9811, found, 1e-4)
    printed = tolerance.two_sided_factor(43, share=0.90, confidence=0.99)
    yield Check("two-sided, 90 / 99, n = 43 (Howe's approximation is printed)", 2.217, printed, 8e-3)


def _decisions() -> Iterator[Check]:
    """Interval within its limits, one limit and a guard band; phi(1.645) is 0.95 and phi(2) 0.97725 in any table."""
    both = conformity.Limits(lower=9.0, upper=11.0)
    found = conformity.probability_of_conformity(Measured(10.0, 0.5), limits=both)
    yield Check("2 u inside both limits", 0.9545, found, 5e-5)
    upper = conformity.Limits(upper=10.0)
    for name, value, expected in (("on the limit", 10.0, 0.5), ("1.645 u inside", 10.0 - 1.6448536, 0.95)):
        risk = conformity.judge(Measured(value, 1.0), limits=upper).wrong_acceptance
        yield Check(f"risk of a wrong acceptance {name}", 1.0 - expected, risk, 1e-6)
    guarded = conformity.judge(Measured(8.0, 1.0), limits=upper)
    yield Check("guard band of U, k = 2", 2.0, guarded.guard_band, 1e-12)
    yield Check("risk at the end of that guard band (2.3 % at most)", 0.02275, guarded.wrong_acceptance, 5e-6)


def _risks() -> Iterator[Check]:
    """A process well inside its limits and a gauge of one part in four: both risks by integration in two dimensions."""
    found = risks.global_risks(
        Measured(0.0, 1.0), u=0.5, limits=conformity.Limits(lower=-2.0, upper=2.0), guard_band=0.2
    )
    grid = np.linspace(-8.0, 8.0, 3201)
    step = grid[1] - grid[0]
    prior = np.exp(-0.5 * grid**2) / math.sqrt(2.0 * math.pi)
    seen = np.exp(-0.5 * ((grid[None, :] - grid[:, None]) / 0.5) ** 2) / (0.5 * math.sqrt(2.0 * math.pi))
    accepted = (seen[:, np.abs(grid) <= 1.8].sum(axis=1)) * step
    good = np.abs(grid) <= 2.0
    consumer = float(np.sum(prior[~good] * accepted[~good]) * step)
    producer = float(np.sum(prior[good] * (1.0 - accepted[good])) * step)
    yield Check("accepted though it does not conform", consumer, found.consumer, 2e-4)
    yield Check("rejected though it conforms", producer, found.producer, 2e-3)


def _e691_more() -> Iterator[Check]:
    a, c = between_laboratories.precision(data.GLUCOSE_A), between_laboratories.precision(data.GLUCOSE_C)
    for number, h in enumerate((-0.39, -0.13, -0.11, -0.10, -0.09, 0.83, -1.75, 1.75), start=1):
        yield Check(f"h of laboratory {number} at level A", h, float(a.h[number - 1]), 5.1e-3)
    for level, one, r, both in (("A", a, 2.977, 2.977), ("C", c, 7.702, 9.741)):
        yield Check(f"level {level}, repeatability limit", r, one.repeatability, 1e-3, "mg/dL")
        yield Check(f"level {level}, reproducibility limit", both, one.reproducibility, 1e-3, "mg/dL")
    yield Check("critical h of 8 laboratories", 2.15, a.h_critical, 5e-3)


CASES = (
    Case(
        "chart-factors",
        "control chart factors",
        "chart_constants.chart_constants",
        "ASTM E2587 and ISO 7870-2, tables of factors",
        _constants,
    ),
    Case(
        "individuals",
        "chart of single values",
        "control.individuals",
        "NIST e-Handbook 6.3.2.2, flow rates; data from memory",
        _individuals,
    ),
    Case("weighted", "weighted moving average", "control.weighted_average", "NIST e-Handbook 6.3.2.4", _weighted),
    Case(
        "sums",
        "cumulative sums",
        "control.cumulative_sums",
        "NIST e-Handbook 6.3.2.3; data from memory",
        _sums,
    ),
    Case(
        "run-lengths",
        "run lengths of charts",
        "run_length.run_length_of_sums",
        "Brook and Evans 1972; Lucas and Saccucci 1990; recomputed by Markov chains",
        _run_lengths,
    ),
    Case(
        "gauge",
        "gauge study",
        "gauge.gauge_study",
        "Houf and Berman 1988: gauge study of a thermal impedance, 10 parts by 3 inspectors by 3",
        _gauge,
    ),
    Case("capability", "capability", "capability.cpk_interval", "Bissell 1990; ISO 22514-2; recomputed", _capability),
    Case(
        "tolerance",
        "statistical tolerance intervals",
        "tolerance.two_sided_factor",
        "ISO 16269-6, tables; NIST e-Handbook 7.2.6.3",
        _tolerance,
    ),
    Case(
        "decisions",
        "decision by limits and guard band",
        "conformity.judge",
        "JCGM 106:2012; ILAC-G8:09/2019; normal distribution of any table",
        _decisions,
    ),
    Case(
        "risks",
        "risks of a decision rule",
        "risks.global_risks",
        "JCGM 106:2012, clause 9 (number from memory); integrated in two dimensions by another way",
        _risks,
    ),
    Case("e691-limits", "between laboratories", "between_laboratories.precision", "ASTM E691, glucose", _e691_more),
)
