"""Monte Carlo propagation against the examples of JCGM 101:2008 and against exact distributions."""

import math

import numpy as np
import pytest
from scipy import stats

from analysis.errors import OutOfRange
from analysis.results import Trials
from analysis.statistics.autocorrelation import Mean
from analysis.statistics.monte_carlo import (
    Drawing,
    draw_error,
    numerical_tolerance,
    propagate,
    propagate_estimate,
    shortest_interval,
    symmetric_interval,
)
from analysis.statistics.uncertainty import Estimate, Source, Together, drawn, evaluate, total

QUICK = Trials(digits=1)


def given(value, u, dof=math.inf, shape="normal"):
    return Estimate.measured(value, Source("input", u, "B", dof, "", shape))


def between(low, high):
    return given(0.5 * (low + high), (high - low) / math.sqrt(12.0), shape="rectangular")


@pytest.mark.parametrize(
    ("u", "digits", "tolerance"),
    # JCGM 101:2008, 7.9.2, examples 1 and 2 (100 g with u 0.35 mg: 0.005 mg; 0.5 K), and a rounding that adds a digit.
    [(0.00035, 2, 5e-6), (2.0, 1, 0.5), (2.0, 2, 0.05), (0.0996, 2, 0.005), (0.0, 2, 0.0)],
)
def test_the_numerical_tolerance_is_half_of_the_last_digit_of_the_uncertainty(u, digits, tolerance):
    assert numerical_tolerance(u, digits=digits) == pytest.approx(tolerance, rel=1e-12)


def test_a_sum_of_four_rectangular_inputs_is_narrower_than_the_linear_law_says():
    # JCGM 101:2008, 9.2.3, table 3: u 2.00, 95 % interval +-3.88; the linear law gives +-3.92, within the tolerance.
    estimate = total(given(0.0, 1.0, shape="rectangular") for _ in range(4))
    linear, _ = evaluate(estimate)
    found = propagate_estimate(Drawing(estimate), linear=linear)
    assert found.settled
    assert found.u == pytest.approx(2.00, abs=0.01)
    assert (found.low, found.high) == (pytest.approx(-3.88, abs=0.012), pytest.approx(3.88, abs=0.012))
    assert found.tolerance == 0.05
    assert found.agrees


def test_one_dominant_rectangular_input_is_not_normal():
    # JCGM 101:2008, 9.2.4: u 10.1, 95 % interval +-17.0; the linear law says +-19.9.
    estimate = total([*(given(0.0, 1.0, shape="rectangular") for _ in range(3)), given(0.0, 10.0, shape="rectangular")])
    linear, _ = evaluate(estimate)
    found = propagate_estimate(Drawing(estimate), linear=linear)
    assert found.high == pytest.approx(17.0, abs=0.06)
    assert linear.expanded == pytest.approx(19.9, abs=0.05)
    assert not found.agrees


def test_the_mass_calibration_whose_first_derivatives_vanish():
    # JCGM 101:2008, 9.3, table 5: 1.234 mg, u 0.0754 and [1.084, 1.384]; the first-order linear law gives 0.0539.
    mass, more = given(100_000.0, 0.050), given(1.234, 0.020)
    air, weight, reference = between(1.10, 1.30), between(7000.0, 9000.0), between(7950.0, 8050.0)
    estimate = (mass + more) * ((air - 1.2) * (1.0 / weight - 1.0 / reference) + 1.0) - 100_000.0
    linear, _ = evaluate(estimate)
    found = propagate_estimate(Drawing(estimate), linear=linear)
    assert linear.u == pytest.approx(0.0539, abs=5e-5)
    assert found.value == pytest.approx(1.2340, abs=5e-4)
    assert found.u == pytest.approx(0.0754, abs=2e-4)
    assert (found.low, found.high) == (pytest.approx(1.084, abs=7e-4), pytest.approx(1.384, abs=7e-4))
    assert not found.agrees


@pytest.mark.parametrize("x", [0.0, 0.010, 0.050])
def test_the_comparison_loss_that_cannot_be_negative(x):
    # JCGM 101:2008, 9.4: Y = X1^2 + X2^2 about (x, 0) with u 0.005. Exact: u^2 times a noncentral chi-squared variable
    # of 2 degrees of freedom, so mean x^2 + 2 u^2 and variance 4 x^2 u^2 + 4 u^4 (clause 9.4.2.1.2).
    def loss(rng, n):
        return rng.normal(x, 0.005, n) ** 2 + rng.normal(0.0, 0.005, n) ** 2

    found = propagate(loss)
    assert found.value == pytest.approx(x**2 + 50e-6, rel=3e-3)
    assert found.u == pytest.approx(math.sqrt(4 * x**2 * 25e-6 + 4 * 625e-12), rel=4e-3)
    exact = stats.ncx2(2, max((x / 0.005) ** 2, 1e-12), scale=25e-6)
    shares = np.linspace(1e-9, 0.05 - 1e-9, 4001)
    best = shares[np.argmin(exact.ppf(shares + 0.95) - exact.ppf(shares))]
    assert found.shortest[0] == pytest.approx(float(exact.ppf(best)), abs=0.06 * found.u)
    assert found.shortest[1] == pytest.approx(float(exact.ppf(best + 0.95)), abs=0.06 * found.u)


def test_intervals_of_a_skewed_row_by_hand():
    # Ten values, 80 %: eight steps; as many out below as above [7.7.2]; the shortest begins where most stand close.
    row = np.array([0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 20.0, 40.0])
    assert symmetric_interval(row, confidence=0.8) == (0.0, 20.0)
    assert shortest_interval(row, confidence=0.7) == (0.0, 7.0)


@pytest.mark.parametrize("shape", ["normal", "rectangular", "triangular", "arcsine"])
def test_each_distribution_has_its_standard_deviation_and_its_known_reach(shape):
    # JCGM 101:2008, table 1 and 6.4: half-widths sqrt(3), sqrt(6) and sqrt(2) standard deviations.
    errors = draw_error(Source("x", 2.0, shape=shape), rng=np.random.default_rng(1), size=200_000)
    assert errors.std() == pytest.approx(2.0, rel=0.01)
    reach = {"rectangular": 3.0, "triangular": 6.0, "arcsine": 2.0}.get(shape)
    if reach:
        assert np.abs(errors).max() == pytest.approx(2.0 * math.sqrt(reach), rel=0.01)


def test_an_input_with_few_degrees_of_freedom_is_students_t():
    errors = draw_error(Source("x", 1.0, "A", 5.0), rng=np.random.default_rng(1), size=200_000)
    assert np.quantile(errors, 0.975) == pytest.approx(stats.t.ppf(0.975, 5), rel=0.02)


def test_a_distribution_that_is_not_known_is_refused():
    with pytest.raises(OutOfRange, match="triangular"):
        draw_error(Source("x", 1.0, shape="bell"), rng=np.random.default_rng(1), size=10)


def test_an_input_without_a_standard_deviation_leaves_an_interval_only():
    # Student's t with one degree of freedom: 95 % within 12.706 (any table).
    found = propagate_estimate(Drawing(given(10.0, 0.1, dof=1.0)), trials=QUICK)
    assert math.isnan(found.u)
    assert found.value == pytest.approx(10.0, abs=0.01)
    assert found.high == pytest.approx(11.2706, abs=0.1)


def test_the_same_seed_gives_the_same_digits_and_another_seed_others():
    drawing = Drawing(given(1.0, 0.1) / given(2.0, 0.3))
    one, again = (propagate_estimate(drawing, trials=QUICK) for _ in range(2))
    other = propagate_estimate(drawing, trials=Trials(seed=2, digits=1))
    assert one == again
    assert other.low != one.low


def test_a_shared_source_is_drawn_once_for_all_places_it_stands_in():
    common = Source("calibration", 0.5)
    hot, cold = Estimate.measured(60.0, common), Estimate.measured(50.0, common)
    assert drawn(hot - cold, {common: np.array([1.0, -3.0])}) == pytest.approx([10.0, 10.0])
    assert drawn(2.0 - 1.0 / (hot * 2.0) - (-cold), {common: np.array([4.0])}) == pytest.approx([2 - 1 / 128 + 54])


def test_a_function_is_followed_along_its_curve_where_it_is_given():
    x = Source("x", 0.1)
    curve = Estimate.measured(2.0, x).through(4.0, 4.0, np.square)
    tangent = Estimate.measured(2.0, x).through(4.0, 4.0)
    assert drawn(curve, {x: np.array([1.0])}) == pytest.approx([9.0])
    assert drawn(tangent, {x: np.array([1.0])}) == pytest.approx([8.0])


def test_readings_that_scatter_together_are_drawn_together():
    # Two columns that move as one: their difference is exact, their sum is not.
    rows = np.random.default_rng(1).normal(size=(400, 1)) * np.array([[1.0, 1.0]])
    sources = (Source("a readings", 0.0, "A"), Source("b readings", 0.0, "A"))
    a, b = (Estimate.measured(1.0, source) for source in sources)
    together = Together(sources, rows - rows.mean(axis=0), np.zeros(2), 1.0)
    both = propagate_estimate(Drawing(a + b, Mean(2.0, 0.1, 400.0, 399.0), together), trials=QUICK)
    assert both.u == pytest.approx(0.1, rel=0.02)
    none = Drawing(a - b, Mean(0.0, 0.0, 400.0, 399.0), together)(np.random.default_rng(1), 100)
    assert np.ptp(none) == 0.0


def test_a_divisor_that_comes_to_zero_is_told():
    with pytest.raises(OutOfRange, match="divisor"):
        propagate(lambda rng, n: np.full(n, math.inf), trials=QUICK)


@pytest.mark.parametrize("bad", [0.0, 1.0, math.nan])
def test_a_confidence_that_is_no_share_is_refused(bad):
    with pytest.raises(OutOfRange, match="confidence"):
        symmetric_interval([1.0, 2.0], confidence=bad)
