"""Global risks of a decision rule against a simulation and against the bivariate normal distribution."""

import numpy as np
import pytest
from scipy import stats

from analysis.errors import OutOfRange
from analysis.quality.conformity import Limits
from analysis.quality.risks import global_risks
from analysis.results import Measured


@pytest.mark.parametrize("band", [0.0, 0.3, -0.2])
def test_one_limit_is_a_corner_of_the_bivariate_normal_distribution(band):
    # Item x ~ N(0, 1), reading y = x + N(0, 0.5): consumer P(x > 1, y <= 1 - w), producer P(x <= 1, y > 1 - w).
    both = stats.multivariate_normal(mean=[0.0, 0.0], cov=[[1.0, 1.0], [1.0, 1.25]])
    corner = both.cdf([1.0, 1.0 - band])
    found = global_risks(Measured(0.0, 1.0), u=0.5, limits=Limits(upper=1.0), guard_band=band)
    assert found.consumer == pytest.approx(stats.norm.cdf((1.0 - band) / 1.25**0.5) - corner, abs=1e-6)
    assert found.producer == pytest.approx(stats.norm.cdf(1.0) - corner, abs=1e-6)


def test_two_limits_against_simulated_items():
    rng = np.random.default_rng(1)
    item = rng.normal(10.0, 1.0, 400_000)
    seen = item + rng.normal(0.0, 0.4, item.size)
    good, taken = np.abs(item - 10.2) <= 2.0, np.abs(seen - 10.2) <= 1.7
    found = global_risks(Measured(10.0, 1.0), u=0.4, limits=Limits(lower=8.2, upper=12.2), guard_band=0.3)
    assert found.consumer == pytest.approx(float(np.mean(~good & taken)), abs=4e-4)
    assert found.producer == pytest.approx(float(np.mean(good & ~taken)), abs=1e-3)


def test_a_spread_of_nothing_is_refused():
    with pytest.raises(OutOfRange, match="above zero"):
        global_risks(Measured(0.0, 0.0), u=1.0, limits=Limits(upper=1.0))
