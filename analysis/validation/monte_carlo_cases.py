"""Monte Carlo propagation: the examples of JCGM 101, by its adaptive procedure with one seed."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from scipy import stats

from analysis.results import Array, Trials
from analysis.statistics import monte_carlo, uncertainty
from analysis.statistics.monte_carlo import Drawing
from analysis.statistics.uncertainty import Estimate, Source, total
from analysis.validation.case import Case, Check

_EXACT = 1e-15
_QUICK = Trials(share=0.5)  # half of the tolerance: the page that shows the cases waits for them


def _given(value: float, u: float, shape: str = "normal", *, dof: float = math.inf) -> Estimate:
    return Estimate.measured(value, Source("input", u, "B", dof, "", shape))


def _between(low: float, high: float) -> Estimate:
    return _given(0.5 * (low + high), (high - low) / math.sqrt(12.0), "rectangular")


def _sum_of(shape: str, half: float, u: float, us: tuple[float, ...], off: float) -> Iterator[Check]:
    estimate = total(_given(0.0, one, shape) for one in us)
    found = monte_carlo.propagate_estimate(Drawing(estimate), trials=_QUICK)
    yield Check("standard uncertainty", u, found.u, off)
    yield Check("lower end of the 95 % interval", -half, found.low, off)
    yield Check("upper end of the 95 % interval", half, found.high, off)


def _normals() -> Iterator[Check]:
    yield from _sum_of("normal", 3.92, 2.00, (1.0,) * 4, 0.03)


def _rectangulars() -> Iterator[Check]:
    yield from _sum_of("rectangular", 3.88, 2.00, (1.0,) * 4, 0.03)


def _unequal() -> Iterator[Check]:
    yield from _sum_of("rectangular", 17.0, 10.1, (1.0, 1.0, 1.0, 10.0), 0.3)


def _mass() -> Iterator[Check]:
    """(m + dm) [1 + (air - 1.2) (1 / weight - 1 / reference)] less the nominal 100 000 mg; densities in kg/m3."""
    mass, more = _given(100_000.0, 0.050), _given(1.234, 0.020)
    air, weight, reference = _between(1.10, 1.30), _between(7000.0, 9000.0), _between(7950.0, 8050.0)
    estimate = (mass + more) * ((air - 1.2) * (1.0 / weight - 1.0 / reference) + 1.0) - 100_000.0
    linear, _ = uncertainty.evaluate(estimate)
    found = monte_carlo.propagate_estimate(Drawing(estimate), linear=linear, trials=Trials(most=1_000_000))
    yield Check("estimate", 1.2340, found.value, 4e-4, "mg")
    yield Check("standard uncertainty", 0.0754, found.u, 3e-4, "mg")
    yield Check("lower end of the 95 % interval", 1.084, found.low, 1.5e-3, "mg")
    yield Check("upper end of the 95 % interval", 1.384, found.high, 1.5e-3, "mg")
    yield Check("length of the shortest 95 % interval", 0.2991, found.shortest[1] - found.shortest[0], 1e-3, "mg")
    yield Check("linear law, standard uncertainty", 0.0539, linear.u, 1e-4, "mg")
    yield Check("linear law validated (1) or not (0)", 0.0, float(found.agrees), 0.0)


def _loss(x: float) -> Iterator[Check]:
    """X1^2 + X2^2 about (x, 0), u = 0.005, not correlated; exact: 25e-6 times a noncentral chi-squared variable."""

    def draw(rng: np.random.Generator, size: int) -> Array:
        return np.asarray(rng.normal(x, 0.005, size) ** 2 + rng.normal(0.0, 0.005, size) ** 2)

    found = monte_carlo.propagate(draw, trials=Trials(most=400_000))
    spread = math.sqrt(4.0 * x**2 * 25e-6 + 4.0 * 625e-12)
    exact = stats.ncx2(2, max((x / 0.005) ** 2, 1e-12), scale=25e-6)
    shares = np.linspace(1e-9, 0.05 - 1e-9, 1001)
    best = float(shares[np.argmin(exact.ppf(shares + 0.95) - exact.ppf(shares))])
    off = 0.01 * spread
    yield Check(f"estimate at {x:g}", x**2 + 50e-6, found.value, off)
    yield Check(f"standard uncertainty at {x:g}", spread, found.u, off)
    for name, share, end in (("lower", best, found.shortest[0]), ("upper", best + 0.95, found.shortest[1])):
        yield Check(f"{name} end of the shortest 95 % interval at {x:g}", float(exact.ppf(share)), end, 10.0 * off)


def _losses() -> Iterator[Check]:
    for x in (0.0, 0.010, 0.050):
        yield from _loss(x)


def _gauge_block() -> Iterator[Check]:
    """The end gauge with distributions: Student's t, rectangular, arc sine, and limits that are not exact."""

    def trapezoid(rng: np.random.Generator, half: float, off: float, size: int) -> Array:
        low = -half - off + 2.0 * off * rng.uniform(size=size)
        return np.asarray(low + (-2.0 * low) * rng.uniform(size=size))

    def draw(rng: np.random.Generator, size: int) -> Array:
        standard = 50_000_623.0 + 25.0 * rng.standard_t(18, size)
        difference = 215.0 + 6.0 * rng.standard_t(24, size)
        difference += 4.0 * rng.standard_t(5, size) + 7.0 * rng.standard_t(8, size)
        alpha = rng.uniform(9.5e-6, 13.5e-6, size)
        theta = rng.normal(-0.1, 0.2, size) + 0.5 * np.sin(2.0 * math.pi * rng.uniform(size=size))
        d_alpha, d_theta = trapezoid(rng, 1.0e-6, 0.1e-6, size), trapezoid(rng, 0.050, 0.025, size)
        return np.asarray(standard + difference - standard * (d_alpha * theta + alpha * d_theta) - 50_000_000.0)

    found = monte_carlo.propagate(draw, trials=Trials(confidence=0.99, most=1_000_000))
    yield Check("deviation from the nominal length", 838.0, found.value, 0.6, "nm")
    yield Check("standard uncertainty", 36.0, found.u, 0.6, "nm")
    yield Check("lower end of the shortest 99 % interval", 745.0, found.shortest[0], 1.6, "nm")
    yield Check("upper end of the shortest 99 % interval", 932.0, found.shortest[1], 1.6, "nm")


def _tolerances() -> Iterator[Check]:
    for u, digits, tolerance in ((0.00035, 2, 5e-6), (2.0, 1, 0.5), (2.0, 2, 0.05), (0.0996, 2, 0.005)):
        found = monte_carlo.numerical_tolerance(u, digits=digits)
        yield Check(f"of {u:g} with {digits} digits", tolerance, found, _EXACT)


_FUNCTION = "monte_carlo.propagate_estimate"
CASES = (
    Case(
        "monte-carlo-tolerance",
        "numerical tolerance",
        "monte_carlo.numerical_tolerance",
        "JCGM 101:2008, 7.9.2, by hand",
        _tolerances,
    ),
    Case("monte-carlo-normal", "Monte Carlo propagation", _FUNCTION, "JCGM 101:2008, 9.2.2, table 2", _normals),
    Case(
        "monte-carlo-rectangular", "Monte Carlo propagation", _FUNCTION, "JCGM 101:2008, 9.2.3, table 3", _rectangulars
    ),
    Case("monte-carlo-unequal", "Monte Carlo propagation", _FUNCTION, "JCGM 101:2008, 9.2.4, table 4", _unequal),
    Case(
        "monte-carlo-mass",
        "Monte Carlo propagation",
        _FUNCTION,
        "JCGM 101:2008, 9.3, mass calibration; ends of the interval from memory",
        _mass,
    ),
    Case(
        "monte-carlo-loss",
        "Monte Carlo propagation",
        "monte_carlo.propagate",
        "JCGM 101:2008, 9.4, comparison loss; exact distribution by scipy",
        _losses,
    ),
    Case(
        "monte-carlo-gauge",
        "Monte Carlo propagation",
        "monte_carlo.propagate",
        "JCGM 101:2008, 9.5, gauge block; values from memory",
        _gauge_block,
    ),
)
