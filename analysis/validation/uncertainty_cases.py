"""Uncertainty: the worked examples of the guides."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from analysis.statistics import autocorrelation, regression, student, uncertainty
from analysis.statistics.uncertainty import Estimate, Source, Together
from analysis.validation.case import Case, Check


def _given(value: float, u: float, dof: float = math.inf, *, kind: str = "B") -> Estimate:
    return Estimate.measured(value, Source("input", u, kind, dof))


def _h1() -> Iterator[Check]:
    """l = l_s + d - l_s (dalpha theta + alpha_s dtheta), lengths in nm."""
    standard, difference = _given(50_000_623.0, 25.0, 18.0), _given(215.0, 9.7, 25.6)
    alpha, theta = _given(11.5e-6, 1.2e-6), _given(-0.1, 0.41)
    d_alpha, d_theta = _given(0.0, 0.58e-6, 50.0), _given(0.0, 0.029, 2.0)
    found, _ = uncertainty.evaluate(standard + difference - standard * (d_alpha * theta + alpha * d_theta))
    yield Check("length", 50_000_838.0, found.value, 0.5, "nm")
    yield Check("combined standard uncertainty", 31.7, found.u, 0.1, "nm")
    yield Check("degrees of freedom", 16.7, found.dof, 0.3)
    u99 = student.coverage_factor(float(math.floor(found.dof)), confidence=0.99) * found.u
    yield Check("expanded uncertainty, 99 %", 93.0, u99, 1.0, "nm")


def _h2() -> Iterator[Check]:
    """Five simultaneous sets of voltage, current and phase: the correlation counts."""
    sets = np.array(
        [
            (5.007, 0.019663, 1.0456),
            (4.994, 0.019639, 1.0438),
            (5.005, 0.019640, 1.0468),
            (4.990, 0.019685, 1.0428),
            (4.999, 0.019678, 1.0433),
        ]
    )
    means = sets.mean(axis=0)
    sources = tuple(Source(name, 0.0, "A") for name in ("V", "I", "phi"))
    v, i, phi = (Estimate.measured(float(mean), source) for mean, source in zip(means, sources, strict=True))
    together = Together(sources, sets - means, np.zeros(3), 5.0)
    cosine = phi.through(math.cos(phi.value), -math.sin(phi.value))
    sine = phi.through(math.sin(phi.value), math.cos(phi.value))
    named = {"R": v / i * cosine, "X": v / i * sine, "Z": v / i}
    for (name, estimate), value, u in zip(
        named.items(), (127.732, 219.847, 254.260), (0.071, 0.295, 0.236), strict=True
    ):
        found, _ = uncertainty.evaluate(estimate, scatter=together.scatter(estimate), joint=sources)
        yield Check(name, value, found.value, 6e-4, "ohm")
        yield Check(f"u({name})", u, found.u, 1e-3, "ohm")
    series = {name: together.rows @ together.coefficients(estimate) for name, estimate in named.items()}
    for one, other, r in (("R", "X", -0.588), ("R", "Z", -0.485), ("X", "Z", 0.993)):
        both = math.sqrt(float(series[one] @ series[one]) * float(series[other] @ series[other]))
        yield Check(f"r({one}, {other})", r, float(series[one] @ series[other]) / both, 1e-3)


def _h3() -> Iterator[Check]:
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])
    line = regression.fit_line(t - 20.0, y=b)
    yield Check("intercept", -0.1712, line.intercept, 6e-5, "K")
    yield Check("u(intercept)", 0.0029, line.u_intercept, 6e-5, "K")
    yield Check("slope", 0.00218, line.slope, 6e-6)
    yield Check("u(slope)", 0.00067, line.u_slope, 6e-6)
    yield Check("correlation", -0.930, line.covariance / (line.u_intercept * line.u_slope), 6e-4)
    yield Check("scatter", 0.0035, line.scatter, 6e-5, "K")
    at = line.at(10.0)
    yield Check("correction at 30 degC", -0.1494, at.value, 6e-5, "K")
    yield Check("its uncertainty", 0.0041, at.u, 6e-5, "K")


def _four_normals() -> Iterator[Check]:
    found, _ = uncertainty.evaluate(uncertainty.total(_given(0.0, 1.0) for _ in range(4)))
    yield Check("standard uncertainty of the sum", 2.00, found.u, 5e-3)
    yield Check("half of the 95 % interval", 3.92, found.expanded, 5e-3)


def _four_unequal() -> Iterator[Check]:
    found, _ = uncertainty.evaluate(uncertainty.total(_given(0.0, u) for u in (1.0, 1.0, 1.0, 10.0)))
    yield Check("standard uncertainty of the sum", 10.1, found.u, 5e-2)


def _welch_satterthwaite() -> Iterator[Check]:
    found = uncertainty.welch_satterthwaite([(Source(str(n), 1.0, "A", 10.0), 1.0) for n in range(4)])
    yield Check("degrees of freedom of four equal inputs with 10 each", 40.0, found, 1e-12)


def _impedance_budget() -> Iterator[Check]:
    rise, area, power = _given(6.40, 0.05, 9.0), _given(645.16, 0.8, 100.0), _given(80.0, 0.4, 50.0)
    found, _ = uncertainty.evaluate(rise * area / power)
    yield Check("impedance", 51.6128, found.value, 1e-4, "mm^2*K/W")
    yield Check("its standard uncertainty", 0.482994, found.u, 1e-6, "mm^2*K/W")
    yield Check("degrees of freedom", 17.9835, found.dof, 1e-4)
    yield Check("expanded uncertainty, 95 %", 1.0148, found.expanded, 1e-4, "mm^2*K/W")


def _shared_calibration() -> Iterator[Check]:
    common = Source("calibration", 0.04)
    hot = Estimate.measured(60.0, common) + _given(0.0, 0.03)
    cold = Estimate.measured(50.0, common) + _given(0.0, 0.03)
    found, _ = uncertainty.evaluate(hot - cold)
    yield Check("difference of two sensors on one calibration", 0.042426, found.u, 1e-6, "K")


def _memory() -> Iterator[Check]:
    """Many first-order series at once: what is found, on average, against the exact form; found from each series
    itself it errs to the careful side, by a tenth at most."""
    phi, n, many = 0.9, 2000, 200
    noise = np.random.default_rng(1).standard_normal((many, n))
    series = np.empty((many, n))
    series[:, 0] = noise[:, 0] / math.sqrt(1.0 - phi**2)
    for row in range(1, n):
        series[:, row] = phi * series[:, row - 1] + noise[:, row]
    variance, _ = autocorrelation.variances_of_mean(series)
    lags = np.arange(1, n)
    exact = n / (1.0 + 2.0 * float(np.sum((1.0 - lags / n) * phi**lags)))
    found = 1.0 / (1.0 - phi**2) / float(np.mean(variance))
    yield Check("independent rows in 2000 rows with a memory of 0.9", exact, found, 0.1 * exact)


CASES = (
    Case("gum-h1", "propagation of uncertainty", "uncertainty.evaluate", "JCGM 100:2008, H.1, end gauge", _h1),
    Case("gum-h2", "correlated inputs", "uncertainty.Together", "JCGM 100:2008, H.2, resistance and reactance", _h2),
    Case("gum-h3", "straight line, correlated", "regression.Line.at", "JCGM 100:2008, H.3, thermometer", _h3),
    Case("jcgm101-9.2.2", "propagation of uncertainty", "uncertainty.evaluate", "JCGM 101:2008, 9.2.2", _four_normals),
    Case("jcgm101-9.2.4", "propagation of uncertainty", "uncertainty.evaluate", "JCGM 101:2008, 9.2.4", _four_unequal),
    Case(
        "welch-satterthwaite",
        "degrees of freedom",
        "uncertainty.welch_satterthwaite",
        "JCGM 100:2008, G.4",
        _welch_satterthwaite,
    ),
    Case(
        "impedance-budget",
        "budget of an impedance",
        "uncertainty.evaluate",
        "JCGM 100:2008, equation 12; agrees with GTC 1.5 and uncertainties 3.2",
        _impedance_budget,
    ),
    Case(
        "shared-calibration",
        "correlated inputs",
        "uncertainty.Estimate",
        "JCGM 100:2008, F.1.2.3, common input",
        _shared_calibration,
    ),
    Case(
        "memory",
        "mean of a series that remembers",
        "autocorrelation.variances_of_mean",
        "Bayley and Hammersley, J. R. Stat. Soc. Suppl. 8 (1946) 184: exact value for a first-order series",
        _memory,
    ),
)
