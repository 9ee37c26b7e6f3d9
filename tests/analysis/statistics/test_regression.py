"""Straight lines, against certified and published fits."""

from importlib import resources

import numpy as np
import pytest
from scipy import stats

from analysis.errors import OutOfRange
from analysis.statistics.regression import fit_line


def norris():
    """NIST StRD, dataset Norris, as it ships with scipy's own tests: (x, y)."""
    text = (resources.files("scipy.stats.tests") / "data" / "nist_linregress" / "Norris.dat").read_text()
    rows = np.array([line.split() for line in text.splitlines()[60:96]], dtype=float)
    return rows[:, 1], rows[:, 0]


def test_norris_gives_the_certified_line():
    # NIST StRD, Norris: certified values and their standard deviations.
    x, y = norris()
    line = fit_line(x, y=y)
    assert line.intercept == pytest.approx(-0.262323073774029, abs=1e-9)
    assert line.slope == pytest.approx(1.00211681802045, abs=1e-12)
    assert line.u_intercept == pytest.approx(0.232818234301152, rel=1e-9)
    assert line.u_slope == pytest.approx(0.429796848199937e-3, rel=1e-9)
    assert line.scatter == pytest.approx(0.884796396144373, rel=1e-10)
    assert line.r_squared == pytest.approx(0.999993745883712, rel=1e-12)
    assert line.dof == 34


def test_thermometer_calibration_gives_the_printed_correction_with_its_uncertainty():
    # JCGM 100:2008, H.3, table H.6: y1, y2, their uncertainties and correlation, and the correction at 30 degC.
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])
    line = fit_line(t - 20.0, y=b)
    assert (line.intercept, line.u_intercept) == pytest.approx((-0.1712, 0.0029), abs=5e-5)
    assert (line.slope, line.u_slope) == pytest.approx((0.00218, 0.00067), abs=5e-6)
    assert line.covariance / (line.u_intercept * line.u_slope) == pytest.approx(-0.930, abs=5e-4)
    at_30 = line.at(10.0)
    assert (at_30.value, at_30.u, at_30.dof) == pytest.approx((-0.1494, 0.0041, 9), abs=5e-5)
    # Leaving the correlation out would give 0.00727, almost twice as much.
    assert at_30.u < 0.6 * np.hypot(line.u_intercept, 10.0 * line.u_slope)


def test_it_agrees_with_scipy_on_random_points():
    rng = np.random.default_rng(3)
    x = rng.normal(size=40) * 7.0 + 1e5  # a large constant does no harm
    y = 3.0 * x - 4.0 + rng.normal(size=40)
    line, other = fit_line(x, y=y), stats.linregress(x, y)
    assert line.slope == pytest.approx(other.slope, rel=1e-9)
    assert line.u_slope == pytest.approx(other.stderr, rel=1e-9)
    assert line.u_intercept == pytest.approx(other.intercept_stderr, rel=1e-9)


def test_weights_give_the_uncertainty_that_the_points_state():
    rng = np.random.default_rng(4)
    x, u = np.arange(6.0), np.array([0.1, 0.2, 0.1, 0.4, 0.1, 0.2])
    fits = [fit_line(x, y=2.0 * x + 1.0 + rng.normal(size=6) * u, u=u) for _ in range(4000)]
    assert np.mean([fit.slope for fit in fits]) == pytest.approx(2.0, abs=3.0 * fits[0].u_slope / np.sqrt(4000))
    assert np.std([fit.slope for fit in fits]) == pytest.approx(fits[0].u_slope, rel=0.05)
    assert np.std([fit.intercept for fit in fits]) == pytest.approx(fits[0].u_intercept, rel=0.05)


def test_an_offset_in_every_x_leaves_the_slope_and_moves_the_intercept():
    x, y = np.array([50.0, 100.0, 200.0, 300.0, 500.0]), np.array([21.925, 36.85, 68.70, 100.25, 161.65])
    line, moved = fit_line(x, y=y), fit_line(x + 5.0, y=y)
    assert moved.slope == pytest.approx(line.slope, rel=1e-12)
    assert moved.intercept == pytest.approx(line.intercept - 5.0 * line.slope, rel=1e-12)


@pytest.mark.parametrize(
    ("x", "y", "u"),
    [
        ([1.0], [2.0], None),
        ([1.0, 1.0], [2.0, 3.0], None),
        ([1.0, 2.0], [2.0, 3.0, 4.0], None),
        ([1.0, np.nan], [2.0, 3.0], None),
        ([1.0, 2.0, 3.0], [2.0, 3.0, 4.0], [0.1, 0.0, 0.1]),
    ],
)
def test_what_makes_no_line_is_refused(x, y, u):
    with pytest.raises(OutOfRange):
        fit_line(x, y=y, u=u)
