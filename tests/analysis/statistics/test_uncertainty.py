"""Propagation of uncertainty, against worked examples of the GUM and against two other libraries."""

import math

import GTC
import numpy as np
import pytest
import uncertainties
from hypothesis import given
from hypothesis import strategies as st

from analysis.statistics.student import coverage_factor
from analysis.statistics.uncertainty import (
    Estimate,
    Source,
    Together,
    evaluate,
    total,
    weighted_mean,
    welch_satterthwaite,
)


def given_as(value, u, dof=math.inf, name="x"):
    return Estimate.measured(value, Source(name, u, "B", dof))


def test_end_gauge_has_the_printed_uncertainty_and_degrees_of_freedom():
    # JCGM 100:2008, H.1: 50 000 838 nm, u_c = 32 nm, nu_eff = 16, U99 = 93 nm.
    standard, difference = given_as(50_000_623.0, 25.0, 18), given_as(215.0, 9.7, 25.6)
    alpha, theta = given_as(11.5e-6, 1.2e-6), given_as(-0.1, 0.41)
    d_alpha, d_theta = given_as(0.0, 0.58e-6, 50), given_as(0.0, 0.029, 2)
    length, _ = evaluate(standard + difference - standard * (d_alpha * theta + alpha * d_theta))
    assert length.value == pytest.approx(50_000_838.0)
    assert length.u == pytest.approx(31.71, abs=0.06)
    assert 16.4 < length.dof < 16.9
    assert coverage_factor(float(math.floor(length.dof)), confidence=0.99) * length.u == pytest.approx(93.0, abs=1.0)


def test_impedance_of_five_simultaneous_sets_counts_their_correlation():
    # JCGM 100:2008, H.2, tables H.2 to H.4: V, I, phi in five sets; R, X, Z with 0.071, 0.295, 0.236 ohm.
    sets = np.array(
        [
            (5.007, 19.663e-3, 1.0456),
            (4.994, 19.639e-3, 1.0438),
            (5.005, 19.640e-3, 1.0468),
            (4.990, 19.685e-3, 1.0428),
            (4.999, 19.678e-3, 1.0433),
        ]
    )
    sources = tuple(Source(name, 0.0, "A") for name in ("V", "I", "phi"))
    v, i, phi = (Estimate.measured(mean, source) for mean, source in zip(sets.mean(axis=0), sources, strict=True))
    together = Together(sources, sets - sets.mean(axis=0), np.zeros(3), 5.0)
    cosine = phi.through(math.cos(phi.value), -math.sin(phi.value))
    sine = phi.through(math.sin(phi.value), math.cos(phi.value))
    for estimate, value, u in (
        (v / i * cosine, 127.732, 0.071),
        (v / i * sine, 219.847, 0.295),
        (v / i, 254.260, 0.236),
    ):
        found, _ = evaluate(estimate, scatter=together.scatter(estimate), joint=sources)
        assert found.value == pytest.approx(value, abs=5e-4)
        assert found.u == pytest.approx(u, abs=1e-3)
        assert found.dof == pytest.approx(4)
    # Taking the three as independent gives 0.195 ohm for R, 2.7 times too much.
    resistance = v / i * cosine
    apart = math.hypot(*(g * s.u for g, s in zip(together.coefficients(resistance), _means(sets), strict=True)))
    assert apart == pytest.approx(0.1945, abs=2e-3)


def _means(sets):
    return [Source("", float(column.std(ddof=1) / math.sqrt(5)), "A", 4) for column in sets.T]


def test_four_equal_contributions_have_four_times_the_degrees_of_freedom():
    # JCGM 100:2008, G.4: an exact case of the Welch-Satterthwaite formula.
    assert welch_satterthwaite([(Source(str(n), 0.3, "A", 10), 1.0) for n in range(4)]) == pytest.approx(40.0)


def test_only_exact_contributions_have_infinite_degrees_of_freedom():
    assert math.isinf(welch_satterthwaite([(Source("a", 0.3), 1.0), (Source("b", 0.0, "A", 3), 1.0)]))


def impedance_with(real):
    """theta = (T_h - q d / k - T_c - q d / k) A / Q with q = Q / A, Q = P - G (T_h - T_a): the rig's own model."""
    hot, cold, room = real(331.0, 0.05, 9), real(322.0, 0.04, 14), real(296.0, 0.3, math.inf)
    power, loss, area, k = real(150.0, 0.4, 50), real(0.08, 0.02, 8), real(1e-3, 1.2e-6, 30), real(390.0, 4.0, 20)
    heat = power - loss * (hot - room)
    flux = heat / area
    return (hot - cold - flux * 0.002 / k - flux * 0.002 / k) * area / heat


def test_the_rigs_model_agrees_with_gtc_in_value_uncertainty_and_degrees_of_freedom():
    ours, _ = evaluate(impedance_with(given_as))
    theirs = impedance_with(lambda value, u, dof: GTC.ureal(value, u, dof))
    assert ours.value == pytest.approx(theirs.x, rel=1e-12)
    assert ours.u == pytest.approx(theirs.u, rel=1e-9)
    assert ours.dof == pytest.approx(theirs.df, rel=1e-9)


def test_the_rigs_model_agrees_with_uncertainties():
    ours, _ = evaluate(impedance_with(given_as))
    theirs = impedance_with(lambda value, u, dof: uncertainties.ufloat(value, u))
    assert (ours.value, ours.u) == pytest.approx((theirs.nominal_value, theirs.std_dev), rel=1e-9)


def test_the_rigs_model_agrees_with_monte_carlo():
    # JCGM 101:2008: propagate distributions; the model is nearly linear, so both must give the same u.
    rng = np.random.default_rng(11)
    draws = impedance_with(lambda value, u, dof: value + u * rng.normal(size=400_000))
    ours, _ = evaluate(impedance_with(given_as))
    assert ours.value == pytest.approx(draws.mean(), rel=2e-3)
    assert ours.u == pytest.approx(draws.std(), rel=0.01)


def test_impedance_budget_has_its_known_value():
    # Closed form: (u/R)^2 = (u_dT/dT)^2 + (u_A/A)^2 + (u_P/P)^2; recomputed with GTC, uncertainties and metrolopy.
    rise, area, power = given_as(6.40, 0.05, 9), given_as(645.16, 0.8, 100), given_as(80.0, 0.4, 50)
    found, budget = evaluate(rise * area / power)
    assert (found.value, found.u) == pytest.approx((51.6128, 0.482994), rel=1e-5)
    assert found.dof == pytest.approx(17.9835, abs=1e-3)
    assert found.expanded == pytest.approx(1.0148, abs=1e-3)
    assert sum(line.share for line in budget) == pytest.approx(1.0)


def test_a_common_error_cancels_in_a_difference():
    # u(dT)^2 = u_h^2 + u_c^2 - 2 r u_h u_c: 0.03 K each of their own and 0.04 K in common give 0.0424 K, not 0.0707 K.
    bath = Source("bath", 0.04)
    hot = Estimate(60.0, {Source("hot", 0.03): 1.0, bath: 1.0})
    cold = Estimate(50.0, {Source("cold", 0.03): 1.0, bath: 1.0})
    assert evaluate(hot - cold)[0].u == pytest.approx(0.042426, abs=1e-6)


finite = st.floats(0.1, 10.0)


@given(finite, finite, finite, finite)
def test_arithmetic_follows_the_chain_rule(a, b, u, v):
    x, y = given_as(a, u, name="a"), given_as(b, v, name="b")
    ours = evaluate((3.0 * x - y / 2.0) / (x + y * x) - (1.0 - x) * 2.0 + 4.0 / y - (-y))[0]
    p, q = uncertainties.ufloat(a, u), uncertainties.ufloat(b, v)
    theirs = (3.0 * p - q / 2.0) / (p + q * p) - (1.0 - p) * 2.0 + 4.0 / q - (-q)
    assert ours.value == pytest.approx(theirs.nominal_value, rel=1e-9, abs=1e-9)
    assert ours.u == pytest.approx(theirs.std_dev, rel=1e-6, abs=1e-9)


@given(st.lists(st.tuples(st.floats(-5, 5), st.floats(0.1, 3)), min_size=1, max_size=6))
def test_a_weighted_mean_is_the_best_of_independent_values(values):
    mean, _ = evaluate(weighted_mean([given_as(value, u) for value, u in values]))
    weights = np.array([u**-2 for _, u in values])
    assert mean.u == pytest.approx(weights.sum() ** -0.5, rel=1e-9)
    assert mean.value == pytest.approx(float(weights @ [v for v, _ in values]) / weights.sum(), rel=1e-9, abs=1e-9)


@given(st.floats(0.01, 100.0))
def test_uncertainty_scales_with_every_contribution(factor):
    one = evaluate(impedance_with(given_as))[0].u
    many = evaluate(impedance_with(lambda value, u, dof: given_as(value, factor * u, dof)))[0].u
    assert many == pytest.approx(factor * one, rel=1e-9)


def test_no_estimates_add_up_to_an_exact_zero():
    assert evaluate(total([]))[0].u == 0.0
