"""Robust slopes, shapes of drift, and when a limit is reached."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import optimize, stats

from analysis.errors import OutOfRange
from analysis.statistics.trend import crossing, fit_shapes, independent_points, kendall_p, theil_sen

HOURS = np.arange(0.0, 501.0, 100.0)
VALUES = np.array([10.0, 10.3, 10.5, 10.9, 11.1, 11.4])  # worked case, checked with statsmodels


def test_a_linear_drift_reaches_its_limit_as_physics_check_13_5_says():
    """714.29, 95 % 650.29 to 788.83: closed form, and statsmodels' prediction band solved by scipy.optimize.brentq."""
    drift = fit_shapes(HOURS, y=VALUES)["linear"]
    found = crossing(drift, x=HOURS, y=VALUES, limit=12.0)
    assert found.x == pytest.approx(714.2857, abs=1e-3)
    model = sm.OLS(VALUES, sm.add_constant(HOURS)).fit()

    def band(at, side):
        frame = model.get_prediction([[1.0, at]]).summary_frame(alpha=0.05)
        return float(frame[f"obs_ci_{side}"].iloc[0]) - 12.0

    low = optimize.brentq(band, 500.0, 714.0, args=("upper",))
    high = optimize.brentq(band, 714.0, 2000.0, args=("lower",))
    assert (low, high) == pytest.approx((650.29, 788.83), abs=0.02)
    effective_all = drift.effective == pytest.approx(6.0)
    if effective_all:
        assert (found.low, found.high) == pytest.approx((low, high), abs=0.05)


def test_a_line_that_is_not_told_from_none_has_no_upper_end():
    y = np.array([10.0, 10.4, 9.8, 10.3, 9.9, 10.2, 10.1])
    drift = fit_shapes(np.arange(7.0), y=y)["linear"]
    assert crossing(drift, x=np.arange(7.0), y=y, limit=12.0).high == np.inf


@pytest.mark.parametrize("seed", range(4))
def test_the_robust_slope_is_that_of_scipy(seed):
    """scipy.stats.theilslopes as reference for the slope and its interval."""
    rng = np.random.default_rng(seed)
    x = np.arange(40.0)
    y = 0.1 * x + rng.normal(size=40)
    found, low, high = theil_sen(x, y=y)
    reference = stats.theilslopes(y, x)
    assert (found.value, low, high) == pytest.approx((reference.slope, reference.low_slope, reference.high_slope))


def test_a_fifth_of_wild_points_hardly_moves_the_robust_slope():
    rng = np.random.default_rng(3)
    x = np.arange(100.0)
    y = 0.1 * x + rng.normal(0.0, 0.1, 100)
    wild = y.copy()
    wild[::5] += 40.0
    assert theil_sen(x, y=wild)[0].value == pytest.approx(0.1, abs=0.02)
    assert abs(np.polyfit(x[:60], wild[:60], 1)[0] - 0.1) > 0.0005


def test_the_test_for_a_trend_is_that_of_kendall():
    """scipy.stats.kendalltau (normal approximation) as reference."""
    rng = np.random.default_rng(1)
    x = np.arange(60.0)
    for slope in (0.0, 0.01, 0.03):
        y = slope * x + rng.normal(size=60)
        reference = stats.kendalltau(x, y, method="asymptotic").pvalue
        assert kendall_p(x, y=y) == pytest.approx(reference, rel=0.1, abs=1e-4)


@pytest.mark.parametrize(
    ("name", "course"),
    [
        ("linear", lambda x: 0.01 * x),
        ("square root", lambda x: 0.2 * np.sqrt(x)),
        ("onset", lambda x: 0.03 * np.maximum(x - 90.0, 0.0)),
        ("saturating", lambda x: 3.0 * (1.0 - np.exp(-x / 40.0))),
        ("none", lambda x: 0.0 * x),
    ],
)
def test_the_shape_that_made_the_series_is_told_or_stays_possible(name, course):
    rng = np.random.default_rng(11)
    x = np.arange(200.0)
    shapes = fit_shapes(x, y=10.0 + course(x) + rng.normal(0.0, 0.05, 200))
    best = next(iter(shapes.values()))
    assert shapes[name].criterion - best.criterion < 2.5
    if name == "onset":
        low, high = (best.x0 + best.span * own for own in best.own_range)
        assert low <= 90.0 <= high
        assert high - low < 10.0


def test_memory_of_neighbours_lowers_the_count_of_points():
    """First-order memory 0.6: n (1 - 0.6) / (1 + 0.6), asymptotic formula of AR(1)."""
    rng = np.random.default_rng(5)
    noise = rng.normal(size=4000)
    for i in range(1, noise.size):
        noise[i] += 0.6 * noise[i - 1]
    assert independent_points(noise - noise.mean(), fitted=1) == pytest.approx(1000.0, rel=0.15)


@pytest.mark.parametrize("memory", [0.0, 0.5])
def test_prediction_intervals_hold_the_crossing_in_about_95_of_100_series(memory):
    """500 linear drifts, seeded: the interval is that of a single further point, as the limit is met by one."""
    rng = np.random.default_rng(17)
    x = np.arange(60.0)
    hits = 0
    for _ in range(500):
        noise = rng.normal(size=460)
        for i in range(1, noise.size):
            noise[i] = memory * noise[i - 1] + np.sqrt(1.0 - memory**2) * noise[i]
        y = 10.0 + 0.05 * x + 0.3 * noise[:60]
        drift = fit_shapes(x, y=y)["linear"]
        found = crossing(drift, x=x, y=y, limit=14.0)
        further = 0.3 * noise[-1]  # the point that will meet the limit has a scatter of its own
        hits += found.low <= 80.0 - further / 0.05 <= found.high
    assert 0.92 <= hits / 500 <= 0.98


@pytest.mark.parametrize("bad", [[1.0, 2.0], [1.0, np.nan, 3.0, 4.0, 5.0, 6.0]])
def test_too_few_or_missing_points_are_refused(bad):
    with pytest.raises(OutOfRange):
        fit_shapes(np.arange(float(len(bad))), y=bad)
