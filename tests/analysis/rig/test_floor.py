"""Repeatability between applications of a reference."""

import numpy as np
import pytest

from analysis.results import Flag, Measured, Reduction, Settled, Severity
from analysis.rig import repeatability


def results(values, sample="REF-1", **more):
    figure = [{"thermal_impedance": Measured(value, 0.01 * value)} for value in values]
    return [
        Reduction("steady", "1", {"file": "x.csv", "sample": sample}, Settled(True), figures=one, **more)
        for one in figure
    ]


def test_the_repeatability_is_the_relative_standard_deviation():
    # By hand: 10, 11, 12 have mean 11 and standard deviation 1, so 1 / 11.
    found = repeatability(results([10e-6, 11e-6, 12e-6]))
    assert found.figures["repeatability"].value == pytest.approx(1.0 / 11.0)
    # Chi-squared quantiles at two degrees of freedom: 7.377759 and 0.0506356 (any table).
    low, high = found.parts["interval_percent"]
    assert low == pytest.approx(100 / 11 * np.sqrt(2 / 7.377759), rel=1e-5)
    assert high == pytest.approx(100 / 11 * np.sqrt(2 / 0.0506356), rel=1e-4)


def test_scatters_of_several_references_are_pooled():
    # By hand: relative deviations 0.1, -0.1 and 0.05, -0.05: (0.02 + 0.005) / 2.
    both = [*results([11e-6, 9e-6], "A"), *results([21e-6, 19e-6], "B")]
    assert repeatability(both).figures["repeatability"].value == pytest.approx(np.sqrt(0.0125))


def test_the_interval_holds_the_truth_in_about_95_of_100():
    rng, held = np.random.default_rng(8), 0
    for _ in range(200):
        found = repeatability(results(12e-6 * (1.0 + 0.03 * rng.normal(size=6))))
        low, high = found.parts["interval_percent"]
        held += low <= 3.0 <= high
    assert 182 <= held <= 198


def test_two_applications_are_refused():
    found = repeatability(results([10e-6, 11e-6]))
    assert found.figures == {}
    assert "at least three" in found.flags[0].message


def test_blocked_results_do_not_count():
    blocked = results([50e-6], flags=(Flag("zero_drift", Severity.BLOCKS, "x"),))
    found = repeatability([*results([10e-6, 11e-6, 12e-6]), *blocked])
    assert found.figures["repeatability"].value == pytest.approx(1.0 / 11.0)
