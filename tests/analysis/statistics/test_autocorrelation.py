"""Series that remember themselves, against closed forms for a first-order autoregression and against statsmodels."""

import numpy as np
import pytest
from statsmodels.tsa.stattools import acovf

from analysis.statistics.autocorrelation import autocovariance, effective_rows, long_run_variances, mean_of


def autoregression(phi, *, n, m, seed=0):
    """m stationary series of n rows with unit variance: x_i = phi x_{i-1} + sqrt(1 - phi^2) e_i."""
    rng = np.random.default_rng(seed)
    x = np.empty((m, n))
    x[:, 0] = rng.normal(size=m)
    for i in range(1, n):
        x[:, i] = phi * x[:, i - 1] + np.sqrt(1.0 - phi**2) * rng.normal(size=m)
    return x


def exact_effective(phi, n):
    """n / (1 + 2 sum (1 - k/n) phi^k), the closed form for a first-order autoregression."""
    k = np.arange(1, n)
    return n / (1.0 + 2.0 * np.sum((1.0 - k / n) * phi**k))


def test_autocovariances_are_those_of_statsmodels():
    x = autoregression(0.7, n=333, m=1)[0]
    assert autocovariance(x) == pytest.approx(acovf(x, fft=False), abs=1e-12)


@pytest.mark.parametrize(("phi", "n", "expected"), [(0.9, 600, 32.086), (0.5, 100, 33.784), (0.99, 600, 3.613)])
def test_the_closed_form_has_its_known_values(phi, n, expected):
    # n_eff ~ n (1 - phi) / (1 + phi) for large n: 31.579, 33.333, 3.015 (Bayley and Hammersley 1946, recomputed).
    assert exact_effective(phi, n) == pytest.approx(expected, abs=5e-4)


@pytest.mark.parametrize(("phi", "n"), [(0.0, 600), (0.5, 400), (0.9, 1200)])
def test_effective_rows_are_found_within_a_quarter(phi, n):
    found = np.median([effective_rows(x) for x in autoregression(phi, n=n, m=60, seed=5)])
    assert found == pytest.approx(exact_effective(phi, n), rel=0.25)


@pytest.mark.parametrize(("phi", "n"), [(0.0, 200), (0.7, 600), (0.9, 1200)])
def test_the_stated_uncertainty_is_the_scatter_of_the_mean(phi, n):
    series = autoregression(phi, n=n, m=400, seed=6)
    stated = np.sqrt(np.mean([mean_of(x).u ** 2 for x in series]))
    assert stated == pytest.approx(np.sqrt(np.mean(series.mean(axis=1) ** 2)), rel=0.15)
    covered = [abs(m.value) <= 1.96 * m.u for m in (mean_of(x) for x in series)]
    assert 0.88 <= np.mean(covered) <= 0.99


def test_counting_every_row_would_state_four_times_too_little():
    # The mistake JCGM 100:2008, 4.2.7, warns of: s / sqrt(n) for 600 readings with phi = 0.9.
    series = autoregression(0.9, n=600, m=400, seed=7)
    naive = np.mean([x.std(ddof=1) / np.sqrt(x.size) for x in series])
    true = np.sqrt(np.mean(series.mean(axis=1) ** 2))
    assert true / naive > 4.0
    assert np.mean([mean_of(x).u for x in series]) > 3.0 * naive


def test_independent_rows_give_the_standard_deviation_of_the_mean():
    x = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    mean = mean_of(x)
    assert (mean.value, mean.u) == pytest.approx((x.mean(), x.std(ddof=1) / np.sqrt(5)), rel=1e-12)
    assert mean.dof == 4


def test_a_constant_has_no_scatter():
    mean = mean_of(np.full(50, 25.0))
    assert (mean.value, mean.u) == (25.0, 0.0)


def test_nothing_has_no_mean():
    assert np.isnan(mean_of([]).value)


def test_effective_rows_never_exceed_the_rows_of_a_series_with_a_memory():
    for x in autoregression(0.6, n=80, m=40, seed=8):
        assert 1.0 <= effective_rows(x) <= 80


def test_variance_times_length_does_not_depend_on_the_length():
    x = autoregression(0.8, n=20_000, m=1, seed=9)
    expected = (1.0 + 0.8) / (1.0 - 0.8)  # in the rows' variance, for steps of 1 s
    assert long_run_variances(x, step=1.0, fitted=1)[0] == pytest.approx(expected, rel=0.15)
    assert long_run_variances(x[:, :10_000], step=1.0, fitted=1)[0] == pytest.approx(expected, rel=0.25)
