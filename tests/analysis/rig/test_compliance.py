"""Frame compliance from a ramp of the force."""

import numpy as np
import pytest

from analysis.rig import frame_compliance
from tests.analysis.rig.made import noise, setup, trace

N = 800


def ramp(seed, per_newton, *, low=100.0, high=500.0, size=0.05, bend=0.0, wrong=0.0):
    """Up and down; `per_newton` and `bend` in um/N and um/N^2, `wrong` the gap sensor's error at full ramp."""
    rng = np.random.default_rng(seed)
    force = np.concatenate([np.linspace(low, high, N // 2), np.linspace(high, low, N // 2)])
    gap = 6.3 + per_newton * force + bend * (force - low) ** 2 + wrong * (force - low) / (high - low)
    return trace({"force": force + noise(rng, 0.2, N), "gap": gap + noise(rng, size, N)}, "ramp.csv")


def test_the_slope_is_the_compliance():
    # Closed form: reading = zero - 0.01 um/N * F, so -10 um/kN.
    found = frame_compliance([ramp(1, -0.01, size=0.001)], setup())
    assert found.figures["frame_compliance"].value == pytest.approx(-1e-8, rel=1e-3)
    assert found.to_dict()["figures"]["frame_compliance"]["unit"] == "um/kN"
    assert found.parts["ways_um_per_kN"]["loading"] == pytest.approx(-10.0, rel=0.01)


def test_the_interval_holds_the_truth_in_about_95_of_100():
    held = []
    for seed in range(100):
        rng = np.random.default_rng(seed)
        made = ramp(300 + seed, -0.0002 * seed, wrong=float(rng.normal() * 0.2))
        found = frame_compliance([made], setup()).figures["frame_compliance"]
        held.append(abs(found.value + 0.0002e-6 * seed) <= found.expanded)
    assert 90 <= sum(held) <= 100


def test_a_bend_widens_the_figure():
    plain, bent = (frame_compliance([ramp(2, -0.01, bend=b)], setup()).figures["frame_compliance"] for b in (0.0, 2e-5))
    assert bent.u > 2 * plain.u


def test_a_force_that_stands_still_is_refused():
    found = frame_compliance([ramp(3, -0.01, low=240.0, high=250.0)], setup())
    assert found.figures == {}
    assert "factor of 1.5" in found.flags[0].message


def test_a_run_without_a_force_is_refused():
    found = frame_compliance([trace({"gap": np.full(100, 6.3), "force": np.zeros(100)})], setup())
    assert found.figures == {}


def test_two_runs_are_refused():
    found = frame_compliance([ramp(1, -0.01), ramp(2, -0.01)], setup())
    assert "2 runs are given" in found.flags[0].message
